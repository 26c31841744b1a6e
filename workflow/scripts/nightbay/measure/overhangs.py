"""Overhangs and tracks of a vehicle (ISO 612), each with its uncertainty or the reason why it can't be stated."""

from dataclasses import replace

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.frame.result import AxleResult, WheelResult
from nightbay.measure import dimensions, exclusions, unscanned_extents
from nightbay.measure.body import Body
from nightbay.measure.result import Dimension, Protrusion, TouchPoints, UnscannedEnd
from nightbay.uncertainty import budget as uncertainty_budget

MEANINGS = {
    "front_overhang": "along the vehicle from the first axle to the foremost point, all that is attached included "
    "(ISO 612)",
    "rear_overhang": "along the vehicle from the last axle to the rearmost point, all that is attached included "
    "(ISO 612)",
    "rear_overhang_body": "the same without thin things behind the body, such as a tow bar",
    "track_front": "between the lines in which the wheel centre planes of the first axle meet the ground (ISO 612)",
    "track_rear": "between the lines in which the wheel centre planes of the last axle meet the ground (ISO 612)",
    "over_tyres_front": "between the outer sides of the tyres of the first axle, at the height of the axle",
    "over_tyres_rear": "between the outer sides of the tyres of the last axle, at the height of the axle",
}


def overhangs(body: Body) -> tuple[dict[str, Dimension | NotFound], list[Protrusion]]:
    """Front and rear overhang, and the rear one without what is thin there where anything is; such protrusions."""
    axles = body.frame.axles
    if not axles:
        reason = NotFound("no axle was found")
        return {"front_overhang": reason, "rear_overhang": reason}, []
    ahead = np.array([float(body.axes.forward), 0.0, 0.0])
    found = {
        "front_overhang": _overhang("front_overhang", body, axles[0], ahead, body.areas),
        "rear_overhang": _overhang("rear_overhang", body, axles[-1], -ahead, body.areas),
    }
    areas, thin = exclusions.body_rear_areas(body)
    if thin:
        found["rear_overhang_body"] = _overhang("rear_overhang_body", body, axles[-1], -ahead, areas)
    return found, thin


def tracks(body: Body) -> dict[str, Dimension | NotFound]:
    """Track and width over the tyres of the first and the last axle."""
    axles = body.frame.axles
    found: dict[str, Dimension | NotFound] = {}
    for name, axle in zip(("front", "rear"), (axles[0], axles[-1]) if len(axles) > 1 else axles, strict=False):
        pair = dimensions.wheels_of(body, axle)
        for key, value_mm, sd_mm in (
            (f"track_{name}", axle.track_mm, axle.track_sd_mm),
            (f"over_tyres_{name}", axle.over_tyres_mm, axle.over_tyres_sd_mm),
        ):
            if value_mm is None or sd_mm is None or len(pair) != 2:
                reason = "not both outer sides of its tyres were scanned"
                found[key] = NotFound((axle.track_reason or reason) if key.startswith("track") else reason)
                continue
            across = np.array([0.0, 1.0, 0.0])
            budget_mm = {
                "centres": sd_mm,
                "registration": _registration_sd_mm(body, pair, across),
                "drift": uncertainty_budget.drift_sd_mm(value_mm, body.scan),
            }
            found[key] = dimensions.dimension(
                MEANINGS[key], value_mm, budget_mm, _ends(axle, pair, value_mm), body.scale
            )
    return found


def _ends(axle: AxleResult, pair: list[WheelResult], value_mm: float) -> TouchPoints:
    """Where a width of an axle is taken, at the height of its wheels, about their middle."""
    high = float(np.mean([wheel.centre_mm[2] or 0.0 for wheel in pair]))
    middle = axle.middle_y_mm or 0.0
    return TouchPoints(
        np.array([axle.x_mm, middle + value_mm / 2, high]), np.array([axle.x_mm, middle - value_mm / 2, high])
    )


def _registration_sd_mm(body: Body, wheels: list[WheelResult], direction: np.ndarray) -> float | None:
    """Standard uncertainty of the difference of two wheels along a direction, from the poses."""
    return uncertainty_budget.root_sum(
        uncertainty_budget.registration_sd_mm(dimensions.axle_point(wheel), direction, body.frame, body.poses)
        for wheel in wheels
    )


def _overhang(name: str, body: Body, axle: AxleResult, outward: np.ndarray, areas: np.ndarray) -> Dimension | NotFound:
    """From an axle to the plane that touches the body ``outward``, (3,) unit."""
    end = body.touch(outward, areas)
    if end is None:
        return NotFound("too little of that end was scanned")
    value_mm = end.reach_mm - float(outward[0]) * axle.x_mm
    wheels = dimensions.wheels_of(body, axle)
    posed = [
        uncertainty_budget.registration_sd_mm(point, outward, body.frame, body.poses)
        for point in (end.point_mm, *(dimensions.axle_point(wheel) for wheel in wheels[:1]))
    ]
    budget_mm = {
        **body.end_budget_mm(end),
        "registration": uncertainty_budget.root_sum(posed),
        "drift": uncertainty_budget.drift_sd_mm(value_mm, body.scan),
        "centres": axle.sd_mm,
        "frame": _frame_sd_mm(body, axle, wheels, end.point_mm),
    }
    high = float(np.mean([wheel.centre_mm[2] or 0.0 for wheel in wheels])) if wheels else 0.0
    at_axle = np.array([axle.x_mm, 0.0, high])
    points = TouchPoints(end.point_mm, at_axle) if outward[0] > 0 else TouchPoints(at_axle, end.point_mm)
    unscanned = unscanned_extents.find(body.vertices_mm, areas, outward, end, body.support_mm2)
    if unscanned is not None:
        budget_mm[dimensions.UNSCANNED] = None
    stated = dimensions.dimension(MEANINGS[name], value_mm, budget_mm, points, body.scale)
    if unscanned is None:
        return stated
    side = "high" if outward[0] > 0 else "low"
    return replace(stated, unscanned_ends=[UnscannedEnd(side, unscanned.beyond_mm, unscanned.point_mm)])


def _frame_sd_mm(body: Body, axle: AxleResult, wheels: list[WheelResult], end_mm: np.ndarray) -> float | None:
    """What a turn of the frame changes: about Y by how much higher the end lies than the axle, about Z by how far it
    lies from the middle of the wheels."""
    pitch, yaw = (body.frame.rotation_sd_deg[name] for name in "yz")
    if pitch is None or yaw is None:
        return None
    high = float(np.mean([wheel.centre_mm[2] or 0.0 for wheel in wheels])) if wheels else 0.0
    beside = end_mm[1] - (axle.middle_y_mm or 0.0)
    return float(np.hypot((end_mm[2] - high) * np.radians(pitch), beside * np.radians(yaw)))

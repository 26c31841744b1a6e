"""Length, width, height with the meaning of ISO 612, each with its uncertainty."""

from collections.abc import Collection
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.frame.result import AxleResult, WheelResult
from nightbay.measure import poor_ends, tangent_planes, unscanned_extents
from nightbay.measure.body import Body
from nightbay.measure.poor_ends import Quality
from nightbay.measure.result import COVERAGE, Dimension, TouchPoints, UnscannedEnd
from nightbay.measure.tangent_planes import Touch
from nightbay.meshes import vertices
from nightbay.refine.result import Scale
from nightbay.uncertainty import budget as uncertainty_budget

DEPTH_MM = 60.0  # layer below each touching plane that is used when the frame is rotated by its uncertainty
SAME_AXLE_MM = 300.0  # left and right wheels of an axle stand at the same X but for steering and wear
UNSCANNED = "unscanned end"  # cause of an uncertainty of unknown size, in a budget
OPEN_EDGE = "open edge"  # the same, where what was scanned stops at an end without turning to face it
FACING = 0.5  # cosine of 60 degrees: even an edge of the grid's width is rounded over as much by stage fuse
MEANINGS = {
    "length": "between the upright planes across the vehicle that touch its front and rear, bumpers included (ISO 612)",
    "width": "between the planes parallel to zero Y that touch its sides; mirrors and the tyres' bulge at the ground "
    "are left out (ISO 612)",
    "width_over_mirrors": "the same with everything that was scanned",
    "height": "from the ground to the highest point, antenna included (ISO 612)",
    "height_body": "from the ground to the highest point of the body, without thin things on the roof",
    "inner_length": "along X between the outermost surfaces scanned from inside; where it is open, to the last one",
    "inner_width": "the same along Y",
    "inner_height": "the same along Z",
    "wheelbase": "along the vehicle from the first axle to the last (ISO 612), mean of both sides",
}


def span(name: str, body: Body, axis: int, areas: np.ndarray | None = None) -> Dimension | None:
    """The distance between the planes that touch the body at both ends of an axis (0, 1, 2).

    ``name``: key of :data:`MEANINGS`; ``areas`` (n,) mm2 that count, the body's own where None. None without enough
    surface.
    """
    areas = body.areas if areas is None else areas
    direction = np.eye(3)[axis]
    high, low = body.touch(direction, areas), body.touch(-direction, areas)
    if high is None or low is None:
        return None
    value_mm = high.reach_mm + low.reach_mm
    ends = [body.end_budget_mm(end) for end in (high, low)]
    budget_mm = {
        **{cause: uncertainty_budget.root_sum(own[cause] for own in ends) for cause in ends[0]},
        "registration": uncertainty_budget.root_sum(
            uncertainty_budget.registration_sd_mm(end.point_mm, direction, body.frame, body.poses)
            for end in (high, low)
        ),
        "drift": uncertainty_budget.drift_sd_mm(value_mm, body.scan),
        "frame": _frame_sd_mm(body, areas, direction),
    }
    stated = dimension(MEANINGS[name], value_mm, budget_mm, TouchPoints(high.point_mm, low.point_mm), body.scale)
    return _with_unscanned_ends(stated, body, areas, {"high": (direction, high), "low": (-direction, low)})


def height(name: str, body: Body, areas: np.ndarray | None = None) -> Dimension | None:
    """The highest point above the ground plane; arguments as of :func:`span`."""
    areas = body.areas if areas is None else areas
    up = np.array([0.0, 0.0, 1.0])
    top = body.touch(up, areas)
    ground_mm = None if top is None else body.frame.ground_z_mm(top.point_mm)
    if top is None or ground_mm is None:
        return None
    budget_mm = {
        **body.end_budget_mm(top),
        "registration": uncertainty_budget.registration_sd_mm(top.point_mm, up, body.frame, body.poses),
        "drift": uncertainty_budget.drift_sd_mm(top.reach_mm, body.scan),
        "ground": uncertainty_budget.ground_sd_mm(body.frame, top.point_mm),
    }
    stated = dimension(MEANINGS[name], top.reach_mm - ground_mm, budget_mm, TouchPoints(top.point_mm, None), body.scale)
    return _with_unscanned_ends(stated, body, areas, {"high": (up, top)})


def wheelbase(body: Body) -> Dimension | None:
    """Distance from the first axle to the last, also for each side alone; None with fewer than two axles."""
    axles, wheels = body.frame.axles, body.frame.wheels
    if len(axles) < 2:
        return None
    first, last = axles[0], axles[-1]
    value_mm = abs(last.x_mm - first.x_mm)
    along = np.array([1.0, 0.0, 0.0])
    first_sd, last_sd = (
        uncertainty_budget.registration_sd_mm(axle_point(wheel), along, body.frame, body.poses)
        for wheel in (wheels[0], wheels[-1])
    )
    budget_mm = {
        "centres": float(np.hypot(first.sd_mm, last.sd_mm)),
        "registration": None if first_sd is None or last_sd is None else float(np.hypot(first_sd, last_sd)),
        "drift": uncertainty_budget.drift_sd_mm(value_mm, body.scan),
    }
    sides: dict[str, float | None] = {}
    for side in ("left", "right"):
        x = [x for wheel in wheels if wheel.side == side and (x := wheel.centre_mm[0]) is not None]
        sides[side] = abs(x[-1] - x[0]) if len(x) == len(axles) else None
    return replace(
        dimension(MEANINGS["wheelbase"], value_mm, budget_mm, TouchPoints(None, None), body.scale),
        axles_mm=[abs(b.x_mm - a.x_mm) for a, b in zip(axles[:-1], axles[1:], strict=True)],
        left_mm=sides["left"],
        right_mm=sides["right"],
    )


def wheels_of(body: Body, axle: AxleResult) -> list[WheelResult]:
    """The wheels of an axle."""
    return [
        wheel
        for wheel in body.frame.wheels
        if wheel.centre_mm[0] is not None and abs(wheel.centre_mm[0] - axle.x_mm) < SAME_AXLE_MM
    ]


def axle_point(wheel: WheelResult) -> np.ndarray:
    """A point of a wheel's axle, (3,) mm: its centre, or where the axle meets the sidewall that was scanned."""
    x, y, z = wheel.centre_mm
    across = [value for value in (y, *wheel.sidewalls_y_mm.known()) if value is not None]
    return np.array([x, across[0] if across else 0.0, z])


def dimension(
    meaning: str, value_mm: float, budget_mm: dict[str, float | None], points_mm: TouchPoints, scale: Scale
) -> Dimension:
    """A dimension with its ``meaning`` in words, its expanded uncertainty and what it is at 20 C; ``budget_mm``: its
    standard uncertainties by cause, to which that of an applied scale is added."""
    if scale.applied and scale.sd is not None:
        budget_mm = budget_mm | {"scale": uncertainty_budget.scale_sd_mm(value_mm, scale.sd)}
    return Dimension(
        meaning=meaning,
        value_mm=float(value_mm),
        at_20_c=uncertainty_budget.at_20_c(value_mm, budget_mm, scale),
        uncertainty_mm=uncertainty_budget.combine(budget_mm),
        coverage=COVERAGE,
        budget_mm=budget_mm,
        unknown=uncertainty_budget.unknown(budget_mm),
        points_mm=points_mm,
        unscanned_ends=[],
    )


def _with_unscanned_ends(
    stated: Dimension, body: Body, areas: np.ndarray, touches: dict[str, tuple[np.ndarray, Touch]]
) -> Dimension:
    """The dimension with its unscanned ends added; its budget then names them as a cause of unknown size, and an open
    edge too: the rim of a thin sheet, the tip of a rod, or where the rest was not scanned.

    ``touches`` {"high" or "low": (direction, (3,) unit, and what touches there)}.
    """
    ends = []
    for name, (direction, touch) in touches.items():
        extent = unscanned_extents.find(body.vertices_mm, areas, direction, touch, body.support_mm2)
        if extent is not None:
            ends.append(UnscannedEnd(name, extent.beyond_mm, extent.point_mm))
    causes = {UNSCANNED: bool(ends), OPEN_EDGE: _is_edge(body, touches.values())}
    if not any(causes.values()):
        return stated
    budget_mm = stated.budget_mm | {cause: None for cause, known in causes.items() if known}
    return replace(stated, unscanned_ends=ends, budget_mm=budget_mm, unknown=uncertainty_budget.unknown(budget_mm))


def _is_edge(body: Body, touches: Collection[tuple[np.ndarray, Touch]]) -> bool:
    """Whether the surface that defines one of the ends stands on edge there."""
    rows = np.unique(np.concatenate([touch.rows for _, touch in touches]))
    normals = vertices.normals(body.surface, rows)  # one pass over the faces for both ends
    return any(
        np.median(np.abs(normals[np.searchsorted(rows, touch.rows)] @ direction)) < FACING
        for direction, touch in touches
    )


def with_poor_ends(stated: Dimension, known: Quality | None) -> Dimension:
    """The dimension with those of its ends that lie on poorly measured surface; its budget then names that."""
    ends = [poor_ends.at(known, point) for point in (stated.points_mm.high, stated.points_mm.low)]
    found = [end for end in ends if end is not None]
    if not found:
        return stated
    budget_mm = stated.budget_mm | {poor_ends.CAUSE: None}
    return replace(stated, poor_ends=found, budget_mm=budget_mm, unknown=uncertainty_budget.unknown(budget_mm))


def _frame_sd_mm(body: Body, areas: np.ndarray, direction: np.ndarray) -> float | None:
    """How much the span changes when the frame is turned about each axis by its standard uncertainty; None where that
    is not known."""
    layers = []
    for sign in (1.0, -1.0):
        rows = _layer(body.vertices_mm, areas, sign * direction)
        layers.append((sign, body.vertices_mm[rows], areas[rows], body.noise_mm[rows]))
    level_mm = _levels_mm(layers, direction, body.support_mm2)
    total = 0.0
    for axis, name in enumerate("xyz"):
        rotation = body.frame.rotation_sd_deg[name]
        if direction[axis]:
            continue
        if rotation is None or level_mm is None:
            return None
        changes = []
        for sense in (1.0, -1.0):
            turned = Rotation.from_rotvec(sense * np.radians(rotation) * np.eye(3)[axis]).apply(direction)
            turned_mm = _levels_mm(layers, turned, body.support_mm2)
            if turned_mm is None:
                return None
            changes.append(abs(turned_mm - level_mm))
        total += max(changes) ** 2
    return float(np.sqrt(total))


def _levels_mm(layers: list[tuple], direction: np.ndarray, support_mm2: float) -> float | None:
    """Sum of the levels that the support reaches at both ends, ``layers``: a level moves evenly with the direction, the
    top of a fit jumps from patch to patch. None without enough surface."""
    total = 0.0
    for sign, points, near, noise in layers:
        end = tangent_planes.touch(points, near, sign * direction, support_mm2, noise)
        if end is None:
            return None
        total += end.level_mm
    return total


def _layer(vertices_mm: np.ndarray, areas: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Rows of the vertices with an area within :data:`DEPTH_MM` of the furthest along a direction, (k,)."""
    along = vertices_mm @ direction.astype(np.float32)
    np.putmask(along, areas <= 0.0, -np.inf)
    return np.flatnonzero(along > along.max() - DEPTH_MM)

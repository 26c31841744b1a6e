"""The stance for the JSON: what moved, in the vehicle frame, and which points the model is made without."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from nightbay.clean.result import CleanResult
from nightbay.core import axes, rigid
from nightbay.core.axes import Axes
from nightbay.frame import stance_marks
from nightbay.frame.part_view import PartView
from nightbay.frame.result import FrameResult, WheelResult
from nightbay.frame.stance_marks import side_of
from nightbay.stance.find import Found
from nightbay.stance.panel_choice import ChosenPanel
from nightbay.stance.result import ChosenBy, DoubledWheel, MovedPanel, Movement, Stance, WheelRise
from nightbay.stance.wheel_motion import WheelMotion

DOUBLED_MM, DOUBLED_DEG, DOUBLED_SDS = 0.5, 0.1, 4.0  # of a wheel's two surfaces; smaller steps are noise to a user


def stance(
    found: Found,
    framed: FrameResult,
    view: PartView,
    cleaned: Mapping[str, CleanResult],
    named: Mapping[str, str],
    folder: Path,
) -> Stance:
    """The :class:`Stance` of a part that was framed from the segments which agree.

    ``cleaned`` {segment: result of clean}; ``named``: the entries of ``stance`` in the job sheet. Points that are left
    out are marked in frame's ``folder``.
    """
    convention = axes.axes(framed.axes)
    T_vehicle_level = framed.T_vehicle_control @ rigid.invert(found.T_level_control)
    titles = _titles(found, T_vehicle_level, convention)
    agreed = found.agreement
    chosen_by: ChosenBy = "nothing moved"
    if agreed.moved:
        by_evidence: ChosenBy = "agreement" if agreed.decided else "extent"
        chosen_by = "job sheet" if named.get("wheels_from") in found.used() else by_evidence
    movements = [_movement(found, number, T_vehicle_level, convention, titles) for number in agreed.moved]
    lean_deg, lean_sd_deg = _lean(framed.wheels, framed.rotation_sd_deg["x"] or 0.0)
    return Stance(
        compared=[found.names[number] for number in agreed.compared],
        used=found.used(),
        chosen_by=chosen_by,
        movements=sorted(movements, key=lambda moved: -max(abs(wheel.rise_mm) for wheel in moved.wheels)),
        doubled_wheels=_doubled(found, T_vehicle_level, convention, titles),
        lean_deg=lean_deg,
        lean_sd_deg=lean_sd_deg,
        panels=[_panel(found, chosen, T_vehicle_level, convention, named) for chosen in found.panels],
        left_out=stance_marks.mark(found, T_vehicle_level, view, cleaned, folder),
        looked_through=stance_marks.contradicted(found, T_vehicle_level, view, convention),
    )


def _panel(
    found: Found, chosen: ChosenPanel, T_vehicle_level: np.ndarray, convention: Axes, named: Mapping[str, str]
) -> MovedPanel:
    """A panel that stood differently, against the segment that is used."""
    panel, way = chosen.panel, -1.0 if chosen.turned else 1.0
    corners = rigid.transform(T_vehicle_level, np.array([panel.low_mm, panel.high_mm]))
    return MovedPanel(
        segments=[found.names[chosen.used], found.names[chosen.left_out]],
        chosen_by="job sheet" if chosen.named else "agreement" if chosen.decided else "extent",
        place=side_of(rigid.rotate(T_vehicle_level, panel.normal[None])[0], convention),
        at_mm=rigid.transform(T_vehicle_level, panel.at_mm[None])[0].tolist(),
        low_mm=corners.min(axis=0).tolist(),
        high_mm=corners.max(axis=0).tolist(),
        area_mm2=panel.area_mm2,
        median_mm=way * panel.median_mm,
        most_mm=way * panel.most_mm,
        sd_mm=panel.sd_mm,
        turn_deg=float(np.degrees(panel.turn_rad)),
        turn_sd_deg=float(np.degrees(panel.turn_sd_rad)),
        left_mm=panel.left_mm,
    )


def _titles(found: Found, T_vehicle_level: np.ndarray, convention: Axes) -> list[str]:
    """The name of each wheel, "front left", and with more than two axles "axle 2 left"; of places of the floor where no
    wheel was found."""
    middles = rigid.transform(T_vehicle_level, found.places_mm)
    behind = -convention.forward * middles[:, 0]
    order: list[float] = []
    for x in sorted(behind):
        if not order or x - order[-1] > 300.0:
            order.append(x)
    names = []
    for x, (_, y, _) in zip(behind, middles, strict=True):
        axle = int(np.searchsorted(order, x + 1e-9)) - 1
        side = "" if abs(y) < 200.0 else "left" if y * convention.left > 0 else "right"
        title = ("front" if axle == 0 else "rear") if len(order) <= 2 else f"axle {axle + 1}"
        names.append(f"{title} {side}".strip())
    return names


def _movement(found: Found, number: int, T_vehicle_level: np.ndarray, convention: Axes, titles: list[str]) -> Movement:
    """How the body of a segment that moved stood."""
    base = found.agreement.alike[0]
    places = found.places_mm
    rise, covariance = found.motion.difference(base, number, places)
    vehicle = rigid.transform(T_vehicle_level, places)
    # slopes along the vehicle's axes: differences of height over a metre
    zero = rigid.invert(T_vehicle_level)
    right, ahead = -convention.left, convention.forward
    ends = rigid.transform(
        zero,
        [[0.0, 500.0 * right, 0.0], [0.0, -500.0 * right, 0.0], [500.0 * ahead, 0.0, 0.0], [-500.0 * ahead, 0.0, 0.0]],
    )
    heights, spread = found.motion.difference(base, number, ends)
    slopes = np.array([[1.0, -1.0, 0.0, 0.0], [0.0, 0.0, 1.0, -1.0]]) / 1000.0
    turns, turn_sd = slopes @ heights, np.sqrt(np.diag(slopes @ spread @ slopes.T))
    behind = -ahead * vehicle[:, 0]
    drops = []
    for chosen in (behind < behind.min() + 300.0, behind > behind.max() - 300.0) if len(found.zones) else ():
        mean = chosen / chosen.sum()
        drops.append((float(mean @ rise), float(np.sqrt(mean @ covariance @ mean))))
    front, rear = drops if drops else [(None, None)] * 2
    return Movement(
        segment=found.names[number],
        drop_front_mm=front[0],
        drop_front_sd_mm=front[1],
        drop_rear_mm=rear[0],
        drop_rear_sd_mm=rear[1],
        roll_deg=float(np.degrees(turns[0])),
        roll_sd_deg=float(np.degrees(turn_sd[0])),
        pitch_deg=float(np.degrees(turns[1])),
        pitch_sd_deg=float(np.degrees(turn_sd[1])),
        wheels=[
            WheelRise(name, at[:2].tolist(), float(up), float(np.sqrt(variance)))
            for name, at, up, variance in zip(titles, vehicle, rise, np.diag(covariance), strict=True)
        ],
    )


def is_doubled(moved: WheelMotion) -> bool:
    """Whether two scans of a wheel are two surfaces: one is moved or turned against the other."""
    sd = np.sqrt(np.diag(moved.covariance))
    step = np.abs(moved.motion[:3]) > np.maximum(DOUBLED_MM, DOUBLED_SDS * sd[:3])
    turn = np.abs(moved.motion[3:]) > np.maximum(np.radians(DOUBLED_DEG), DOUBLED_SDS * sd[3:])
    return bool(step.any() or turn.any())


def _doubled(found: Found, T_vehicle_level: np.ndarray, convention: Axes, titles: list[str]) -> list[DoubledWheel]:
    """Wheels of which two segments hold two surfaces."""
    listed = []
    for (at, first, second), moved in found.wheels.items():
        if not is_doubled(moved):
            continue
        sd = np.sqrt(np.diag(moved.covariance))
        about = rigid.rotate(T_vehicle_level, [[moved.motion[3], 0.0, moved.motion[4]]])[0]
        middle = rigid.transform(T_vehicle_level, found.zones[at].middle_mm[None])[0]
        side = np.sign(middle[1] * convention.left) or 1.0
        # of a design grid a positive turn about X carries the top to the left, about Z the front to the left
        lean, toe = -side * convention.forward * about[0], -side * about[2]
        listed.append(
            DoubledWheel(
                wheel=titles[at],
                segments=[found.names[first], found.names[second]],
                apart_mm=moved.apart_mm,
                rise_mm=float(moved.motion[2]),
                rise_sd_mm=float(sd[2]),
                lean_deg=float(np.degrees(lean)),
                toe_deg=float(np.degrees(toe)),
                angle_sd_deg=float(np.degrees(sd[3:].max())),
            )
        )
    return listed


def _lean(wheels: list[WheelResult], roll_sd_deg: float) -> tuple[float, float] | tuple[None, None]:
    """How far all wheels lean to the right together, and its standard uncertainty, deg: the mean over pairs of half the
    difference of their cambers. A ground that is askew in the model turns all of them alike; ``roll_sd_deg``: standard
    uncertainty of the ground's. None without two pairs."""
    right = [wheel for wheel in wheels if wheel.side == "right"]
    left = [wheel for wheel in wheels if wheel.side == "left"]
    if len(right) < 2 or len(left) < 2:
        return None, None
    lean = (np.mean([wheel.camber_deg for wheel in right]) - np.mean([wheel.camber_deg for wheel in left])) / 2
    sd = np.sqrt(sum(wheel.angle_sd_deg**2 for wheel in [*left, *right])) / (len(left) + len(right))
    return float(lean), float(np.hypot(sd, roll_sd_deg))

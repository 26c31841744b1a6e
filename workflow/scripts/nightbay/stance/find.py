"""Finds whether body, wheels and ground stood to each other alike in all segments of a part."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.stance import agreement, floor_patches, free_space, ground_motion, panel_choice, panels, wheel_motion
from nightbay.stance.agreement import Agreement
from nightbay.stance.floor_patches import FloorPatches
from nightbay.stance.free_space import LookedThrough
from nightbay.stance.ground_motion import GroundMotion, SegmentErrors, WheelStep
from nightbay.stance.panel_choice import ChosenPanel
from nightbay.stance.wheel_motion import WheelMotion
from nightbay.stance.wheel_zone import WheelZone

WHEEL_SPACING_MM = 4.0  # points of a wheel are thinned to this
ABOVE_MM = 5.0  # lower points may belong to the floor
LEAST_UNEVEN_MM = 0.3  # of a floor, standard deviation: less is not built (common practice, no source)
CENTROID_SPACING_MM = 200.0
BESIDE_MM = 0.5  # share of the length and width by which stand-ins of wheels lie inside: see _corners


@dataclass(frozen=True)
class Found:
    """What was found of the stance, in the level frame.

    ``names`` of the segments; ``agreement`` of them by number; ``motion``: rise of ground and wheels in the segments
    that moved against those that agree; ``zones``: the wheels; ``wheels`` {(zone, first, second): how the wheel of the
    second segment stands against the first}; ``seen`` (s,): how many patches of floor and points of wheels;
    ``places_mm`` (k, 3): the wheels, or where none was found places amid the floor; ``panels`` that stood
    differently; ``looked_through``: surface where another segment looked through; ``kept_floor`` {segment in which
    clean took something else for the floor: height up to which its points are the floor, mm}.
    """

    names: list[str]
    agreement: Agreement
    motion: GroundMotion
    zones: list[WheelZone]
    wheels: dict[tuple[int, int, int], WheelMotion]
    seen: list[int]
    places_mm: np.ndarray
    panels: list[ChosenPanel]
    looked_through: list[LookedThrough]
    T_level_control: np.ndarray
    kept_floor: dict[str, float] = field(default_factory=dict)

    def used(self) -> list[str]:
        """Names of the segments that wheels and ground come from."""
        return [self.names[number] for number in self.agreement.alike]

    def moved(self) -> list[str]:
        """Names of the segments whose wheels and ground are not used."""
        return [self.names[number] for number in self.agreement.moved]


def find(
    clouds: PosedClouds,
    floors_mm: Mapping[str, np.ndarray],
    T_level_control: np.ndarray,
    zones: Sequence[WheelZone],
    drift_mm_per_m: float,
    least_mm: float,
    named: Mapping[str, str] | None = None,
) -> Found:
    """The :class:`Found` stance.

    ``floors_mm`` {segment: points (n, 3) of its floor, control frame}; ``T_level_control`` (4, 4) into a frame with its
    Z up; ``zones`` of the wheels in that frame; ``least_mm``: smallest movement of a wheel that counts; ``named``:
    the entries of ``stance`` in the job sheet.
    """
    segments, zones = clouds.segments, list(zones)
    floors = [
        floor_patches.gather(rigid.transform(T_level_control, floors_mm.get(segment.name, np.empty((0, 3)))))
        for segment in segments
    ]
    errors = [_errors(segment, T_level_control, drift_mm_per_m) for segment in segments]
    scanned = [[_points(segment, T_level_control, zone) for segment in segments] for zone in zones]
    wheels = _wheels(zones, scanned)
    steps = [
        WheelStep(first, second, zones[at].middle_mm, float(moved.motion[2]), float(np.sqrt(moved.covariance[2, 2])))
        for (at, first, second), moved in wheels.items()
    ]
    uneven_mm = floor_patches.unevenness_mm(floors, LEAST_UNEVEN_MM)
    contacts = np.array([zone.middle_mm for zone in zones]) if zones else _corners(floors)
    motion = ground_motion.adjust(floors, steps, errors, uneven_mm)
    seen = [
        len(floors[number].at_mm) + sum(len(of_wheel[number][0]) for of_wheel in scanned)
        for number in range(len(segments))
    ]
    rows = {key: clouds.names.index(name) for key, name in (named or {}).items() if name in clouds.names}
    agreed = agreement.find(motion, contacts, least_mm, seen, rows.get("wheels_from"))
    if agreed.moved:
        motion = ground_motion.adjust(floors, steps, errors, uneven_mm, agreed.alike)
    scans = [panels.scan(PosedClouds([segment]), T_level_control, zones) for segment in segments]
    chosen = panel_choice.choose(panels.find(scans, errors), scans, rows.get("panels_from"))
    through = free_space.find(scans, [segment.normals_certainty is None for segment in segments])
    return Found(clouds.names, agreed, motion, zones, wheels, seen, contacts, chosen, through, T_level_control)


def _corners(floors: Sequence[FloorPatches]) -> np.ndarray:
    """Four places (4, 3) amid the floor that was seen, where no wheel was found; none where no floor was."""
    seen = np.concatenate([np.empty((0, 3)), *(own.at_mm for own in floors)])
    if not len(seen):
        return np.empty((0, 3))
    low, high = seen.min(axis=0), seen.max(axis=0)
    middle, half = (low + high) / 2, BESIDE_MM * (high - low) / 2
    return np.array([[middle[0] + x * half[0], middle[1] + y * half[1], 0.0] for x in (-1, 1) for y in (-1, 1)])


def _errors(segment: PosedSegment, T_level_control: np.ndarray, drift_mm_per_m: float) -> SegmentErrors:
    """The :class:`SegmentErrors` of a segment, its pose's covariance carried into the level frame."""
    sample = segment.cloud.sample(5000).xyz_mm + segment.cloud.origin_mm
    centroid = rigid.transform(T_level_control @ segment.T_frame_segment, sample.mean(axis=0)[None])[0]
    covariance = np.zeros((6, 6)) if segment.covariance is None else segment.covariance
    turn = np.kron(np.eye(2), T_level_control[:3, :3])
    # about the level frame's origin: where the control frame's origin lies in it
    turned = turn @ covariance @ turn.T
    return SegmentErrors(centroid, drift_mm_per_m, rigid.covariance_at_origin(turned, T_level_control[:3, 3]))


def _points(segment: PosedSegment, T_level_control: np.ndarray, zone: WheelZone) -> tuple[np.ndarray, np.ndarray]:
    """Points and normals, (n, 3) each, of a segment's scan of a wheel, level frame."""
    low, high = zone.box()
    low = np.maximum(low, [-np.inf, -np.inf, ABOVE_MM])
    points, normals = PosedClouds([segment]).box(T_level_control, low, high, WHEEL_SPACING_MM)
    mine = zone.holds(points)
    return points[mine], normals[mine]


def _wheels(
    zones: Sequence[WheelZone], scanned: Sequence[Sequence[tuple[np.ndarray, np.ndarray]]]
) -> dict[tuple[int, int, int], WheelMotion]:
    """How each wheel stands in each pair of segments that scanned enough of it."""
    found = {}
    for at, zone in enumerate(zones):
        for first, second in combinations(range(len(scanned[at])), 2):
            moved = wheel_motion.between(scanned[at][first], scanned[at][second], zone.middle_mm)
            if moved is not None:
                found[at, first, second] = moved
    return found

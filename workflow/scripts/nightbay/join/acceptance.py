"""Whether a join is believed: its uncertainty, and all that would contradict it."""

from typing import Any

import numpy as np
from scipy.spatial import ConvexHull

from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.join import free_space, overlap
from nightbay.join.free_space import FreeSpace
from nightbay.join.registration import NEAR_MM, Registered
from nightbay.join.result import Contradictions
from nightbay.join.skin import Skin

THICKEST_MM = 60.0  # an inner surface is compared with an outer skin that near: a door or a lined wall
STEP_SPACINGS = 2.0  # cells of several points, whose planes are compared
HULL_FACES = 64  # thousands of faces by tens of thousands of points would be a gigabyte
UPRIGHT_DEG = 10.0  # two vehicle frames that both found their ground or floor differ by a slope of the floor


def contradictions_of(a: Skin, b: Skin, found: Registered, cell_mm: float) -> Contradictions:
    """All that would contradict a pose, whatever it was found by."""
    free_a, free_b = FreeSpace(a.cells(cell_mm)), FreeSpace(b.cells(cell_mm))
    of_b, of_a = free_space.contradictions(free_a, free_b, found.T_a_b)
    common = len(overlap.contacts(free_a.cells, free_b.cells, found.T_a_b, NEAR_MM).row)
    of_common = free_space.share_of_common(sum(free_space.counts(free_a, free_b, found.T_a_b)), common)
    at = rigid.transform(found.T_a_b, free_b.cells.points_mm)
    beyond = _beyond(ConvexHull(free_a.cells.points_mm), at, cell_mm)
    tolerance = 3 * float(found.motion.sd_at(at.mean(axis=0)[None])[0]) + a.spacing_mm / 2
    through, near = free_space.outside(a, b, found.T_a_b, THICKEST_MM, tolerance)
    spacing = STEP_SPACINGS * max(a.spacing_mm, b.spacing_mm)
    allowed = found.surface.expected_rms_mm if found.surface else float(found.motion.sd_at(at.mean(axis=0)[None])[0])
    steps = free_space.steps(a.cells(spacing), b.cells(spacing), found.T_a_b, 3 * np.hypot(allowed, a.noise_mm))
    return Contradictions(of_b, of_a, of_common, steps, float(beyond.mean()), through / near if near else 0.0)


def _beyond(hull: ConvexHull, at_mm: np.ndarray, tolerance_mm: float) -> np.ndarray:
    """Which points (n, 3) lie outside of a hull by more than a tolerance, (n,) bool; some of its faces at a time."""
    beyond = np.zeros(len(at_mm), bool)
    for start in range(0, len(hull.equations), HULL_FACES):
        faces = hull.equations[start : start + HULL_FACES]
        beyond |= (at_mm @ faces[:, :3].T + faces[:, 3]).max(axis=1) > tolerance_mm
    return beyond


def fault(
    a: Skin, b: Skin, found: Registered, against: Contradictions, same_frames: tuple[bool, bool], settings: Any
) -> NotFound | None:
    """Why a join is not believed, or None.

    ``same_frames``: whether both vehicle frames know where up is, and whether both know which end is the front.
    """
    own = settings.join
    corner_sd = float(found.motion.sd_at(rigid.transform(found.T_a_b, b.corners_mm)).max())
    surface = found.surface
    if surface is not None and surface.rms_mm > own.misfit_most * surface.expected_rms_mm:
        return NotFound(
            f"surface that both saw lies {surface.rms_mm:.1f} mm apart where {surface.expected_rms_mm:.1f} mm is "
            "expected"
        )
    if surface is not None and surface.agreeing_share < own.agreeing_least:
        return NotFound(f"of the surface near each other only {surface.agreeing_share:.0%} agrees")
    if max(against.interior_in_free_space, against.exterior_in_free_space) > own.contradiction_most:
        return NotFound(
            f"{against.interior_in_free_space:.1%} of the interior lies where the exterior's scanner saw nothing, and "
            f"{against.exterior_in_free_space:.1%} the other way round"
        )
    if against.of_common > own.contradiction_most:
        return NotFound(
            f"{against.of_common:.1%} as much surface as both parts share lies where the other part's scanner saw "
            "nothing"
        )
    if against.steps > own.contradiction_most:
        return NotFound(f"{against.steps:.1%} of the surface of both near each other forms steps between the parts")
    if against.outside_hull > own.outside_most:
        return NotFound(f"{against.outside_hull:.1%} of the interior lies outside of the exterior")
    if against.through_skin > own.through_most:
        return NotFound(f"{against.through_skin:.1%} of the inner walls pass through the outer skin")
    turned = _turned(found.T_a_b, same_frames)
    if turned is not None:
        return turned
    if corner_sd > own.sd_most_mm:
        return NotFound(f"it leaves the farthest corner of the interior uncertain by {corner_sd:.1f} mm")
    return None


def _turned(T_a_b: np.ndarray, same_frames: tuple[bool, bool]) -> NotFound | None:
    upright, heading = same_frames
    if upright and T_a_b[2, 2] < np.cos(np.radians(UPRIGHT_DEG)):
        angle = np.degrees(np.arccos(np.clip(T_a_b[2, 2], -1, 1)))
        return NotFound(f"the floor of the interior would lean by {angle:.0f} degrees")
    if heading and T_a_b[0, 0] < 0:
        return NotFound("the front of the interior would be at the rear of the exterior")
    return None

"""Zero planes of a part seen from inside: floor and symmetry plane, where the shape has them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightbay.core import robust
from nightbay.core.errors import NotFound
from nightbay.frame import datum, symmetry
from nightbay.frame.ground_plane import GroundPlane
from nightbay.frame.part_view import PartView

NARROW_DEG = 10.0  # normals within this of a direction belong to it
TRIALS = 2000  # directions tried, about 3 degrees apart
THICK_MM = 15.0  # a floor's ribs and mats lie within this of it
LEAST = 0.05  # least share of all points in a floor
EVEN_MM = 10.0  # difference of half widths up to which walls count as upright
ACROSS = 0.7  # cosine of 45 degrees: separates directions along another from those at right angles to it
SAMPLE = 5000  # normals that are compared with every trial direction
WALLED = 0.5  # least share of the normals that belong to the three directions of a part with walls
# Heights of a part above its floor, as shares of its own: walls are looked at above what lies on the floor and below
# the half, and what stands on the floor below the half (common practice, no source).
WALL_LOW, WALL_HIGH, HALF = 0.05, 0.4, 0.5
FLOOR_BLOCKS = 8  # strips of the floor that are left out in turn for the uncertainty
AHEAD = 2.0  # least ratio of the points without a mirror image in the second best symmetry plane to those in the best


@dataclass(frozen=True)
class Floor:
    """A plane that may be the floor: ``share`` of the points in it; ``half_width_mm`` of the part above it, between the
    walls; ``standing``: share of points in its half of the part that face up or down but lie beside it.
    """

    plane: GroundPlane
    share: float
    half_width_mm: float
    standing: float


def find(view: PartView, hints: Mapping[str, np.ndarray]) -> datum.Datum:
    """The :class:`~nightbay.frame.datum.Datum` of an interior.

    Three directions at right angles to each other hold most normals of a load bay. The symmetry plane is the one of the
    three that mirrors clearly best. The floor is the largest plane that faces up, where the job sheet says which way up
    is (``hints`` {"up", "forward": direction (3,) of the control frame}). Else it is the one of the large planes near
    which the part is wider, and a note states the assumption.
    """
    walls = directions(view.normals)
    if walls is None:
        return datum.as_scanned("no floor and walls at right angles to each other were found")
    upright, mirrors = None, walls
    if "up" in hints:
        cosines = walls @ hints["up"]
        nearest = int(np.argmax(np.abs(cosines)))
        upright, mirrors = [walls[nearest] * np.sign(cosines[nearest])], np.delete(walls, nearest, axis=0)
    if "forward" in hints and len(mirrors) > 1:
        mirrors = mirrors[np.abs(mirrors @ hints["forward"]) < ACROSS]
    mirror = best_mirror(view, walls, mirrors)
    if isinstance(mirror, NotFound):
        return datum.as_scanned(mirror.reason)
    assumed = upright is None
    if upright is None:
        rest = np.array([wall for wall in walls if abs(wall @ mirror.normal) < ACROSS])
        upright = [*rest, *-rest]
    floors = [plane for plane in (floor(view, mirror, direction) for direction in upright) if plane is not None]
    if not floors:
        return datum.as_scanned("no flat floor was found")
    return _standing_on(choose(floors), view, mirror, assumed)


def _standing_on(chosen: Floor, view: PartView, mirror: symmetry.Plane, assumed: bool) -> datum.Datum:
    """The datum of an interior with its floor; ``assumed``: only the shape shows which plane that is."""
    found = datum.level(chosen.plane, view.points_mm, np.cross(mirror.normal, chosen.plane.normal))
    found.inside = True
    datum.set_mirror(found, view)
    found.planes["z"] = replace(found.planes["z"], share=chosen.share)
    if assumed:
        found.notes.append(
            "Which of the large planes is the floor is assumed from the shape (bodies lean in towards the roof). "
            "Give axes.up in the job sheet to be sure."
        )
    return found


def directions(normals: np.ndarray) -> np.ndarray | None:
    """Three directions at right angles, rows of (3, 3), that most normals (n, 3) follow, with either sign.

    None where too few normals do.
    """
    narrow = np.cos(np.radians(NARROW_DEG))
    at = np.arange(TRIALS) + 0.5
    z, turn = 1.0 - at / TRIALS, np.pi * (1.0 + 5.0**0.5) * at  # evenly on a half sphere, along a spiral
    trials = np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    sample = normals[:: max(1, len(normals) // SAMPLE)]
    counts = (np.abs(sample @ trials.T) > narrow).sum(axis=0)
    first = _mean_direction(normals, trials[int(np.argmax(counts))], narrow)
    level = np.abs(trials @ first) < np.sin(np.radians(NARROW_DEG))
    second = _mean_direction(normals, trials[level][int(np.argmax(counts[level]))], narrow)
    second = second - (second @ first) * first
    second /= np.linalg.norm(second)
    found = np.array([first, second, np.cross(first, second)])
    held = np.mean(np.abs(normals @ found.T).max(axis=1) > narrow)
    print(f"three directions hold {held:.0%} of the normals")
    return found if held > WALLED else None


def _mean_direction(normals: np.ndarray, direction: np.ndarray, narrow: float) -> np.ndarray:
    """Mean, (3,) unit, of the normals (n, 3), of either sign, within the cosine ``narrow`` of a first ``direction``."""
    for _ in range(10):
        cosine = normals @ direction
        mine = np.abs(cosine) > narrow
        direction = (normals[mine] * np.sign(cosine[mine])[:, None]).sum(axis=0)
        direction /= np.linalg.norm(direction)
    return direction


def best_mirror(view: PartView, walls: np.ndarray, candidates: np.ndarray) -> symmetry.Plane | NotFound:
    """The plane that mirrors clearly best among those at right angles to ``candidates`` (k, 3), or why there is none.

    ``walls`` (3, 3): unit directions at right angles to each other, about which the plane may turn.
    """
    found = []
    for across in candidates:
        others = np.array([wall for wall in walls if abs(wall @ across) < ACROSS])
        found.append(datum.mirror_plane(view, others[0], across, others))
    planes = sorted((plane for plane in found if not isinstance(plane, NotFound)), key=lambda plane: -plane.share)
    if not planes:
        return found[0]
    if len(planes) > 1 and 1.0 - planes[1].share < AHEAD * (1.0 - planes[0].share):
        return NotFound(
            f"two symmetry planes are about equally good, with {planes[0].share:.0%} and {planes[1].share:.0%} of the "
            "points mirrored; give axes.up and axes.forward in the job sheet"
        )
    return planes[0]


def choose(floors: Sequence[Floor]) -> Floor:
    """The floor among the large planes of a part.

    It is the one near which the part is wider, because bodies lean in towards the roof. Where the widths are equal, it
    is the one with more surface above it.
    """
    largest = max(plane.share for plane in floors)
    large = [plane for plane in floors if plane.share > 0.5 * largest]
    widest = max(plane.half_width_mm for plane in large)
    return max((plane for plane in large if plane.half_width_mm > widest - EVEN_MM), key=lambda plane: plane.standing)


def floor(view: PartView, mirror: symmetry.Plane, up: np.ndarray) -> Floor | None:
    """The largest plane that faces ``up``, (3,) unit; None without one. ``mirror``: the symmetry plane of the part."""
    facing = view.normals @ up > np.cos(np.radians(NARROW_DEG))
    height = view.points_mm @ up
    if not facing.any():
        return None
    low = height.min()
    bins = np.bincount(((height[facing] - low) / THICK_MM).astype(np.int64))
    pairs = bins + np.append(bins[1:], 0)  # two bins, so that a plane on a bin's edge is whole
    middle = low + (int(np.argmax(pairs)) + 1) * THICK_MM
    mine = np.flatnonzero(facing & (np.abs(height - middle) < 1.5 * THICK_MM))
    share = len(mine) / len(height)
    if share < LEAST:
        return None
    plane = _fit(view, mine, up)
    above = view.points_mm @ plane.normal - plane.offset_mm
    tall = np.percentile(above, 99)
    standing = np.mean((above > 2 * THICK_MM) & (above < HALF * tall) & (np.abs(view.normals @ up) > 0.5))
    walls = (above > WALL_LOW * tall) & (above < WALL_HIGH * tall) & (np.abs(view.normals @ mirror.normal) > ACROSS)
    aside = np.abs(view.points_mm[walls] @ mirror.normal - mirror.offset_mm)
    return Floor(plane, share, float(np.percentile(aside, 75)) if len(aside) else 0.0, float(standing))


def _fit(view: PartView, mine: np.ndarray, up: np.ndarray) -> GroundPlane:
    """Robust plane through the points of the floor, rows ``mine`` (n,) int of the view; ``up`` (3,) unit."""
    centre = view.points_mm[mine].mean(axis=0)
    off = view.points_mm[mine] - centre
    first = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    first /= np.linalg.norm(first)
    second = np.cross(up, first)
    rows = np.column_stack([np.ones(len(off)), off @ first, off @ second])
    block = robust.blocks_along(off @ first, FLOOR_BLOCKS)
    solution = np.zeros(3)
    for limit in (2 * THICK_MM, THICK_MM, THICK_MM / 2, THICK_MM / 2, THICK_MM / 2):
        step = robust.step(rows, rows @ solution - off @ up, limit, block)
        solution = solution + step.change
    normal = up - solution[1] * first - solution[2] * second
    normal /= np.linalg.norm(normal)
    misfit = (off @ up - rows @ solution)[step.weights > 0.0]
    sd, tilt = np.sqrt(step.covariance[0, 0]), np.sqrt(max(step.covariance[1, 1], step.covariance[2, 2]))
    centre = centre + solution[0] * up
    return GroundPlane(
        normal,
        float(normal @ centre),
        float(sd),
        float(tilt),
        None,
        float(np.sqrt(np.mean(misfit**2))),
        centre,
        list(view.names),
        "floor plane",
    )

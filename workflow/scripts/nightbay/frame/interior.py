"""Zero planes of a part seen from inside: floor and symmetry plane, where the shape has them."""

from dataclasses import dataclass, replace

import numpy as np

from nightbay.core import robust
from nightbay.frame import datum
from nightbay.frame.ground_plane import GroundPlane

NARROW_DEG = 10.0  # normals within this of a direction belong to it
TRIALS = 2000  # directions tried, about 3 degrees apart
THICK_MM = 15.0  # a floor's ribs and mats lie within this of it
LEAST = 0.05  # of all points must lie in a floor
EVEN_MM = 10.0  # difference of half widths up to which walls count as upright
AHEAD = 2.0  # the next best symmetry plane must leave so many times more points without a mirror image


def find(seen, hints):
    """The :class:`~nightbay.frame.datum.Datum` of a part seen from inside.

    Three directions at right angles to each other hold most normals of a load bay. The symmetry plane is the one of the
    three that mirrors clearly best; the floor is the largest plane that faces up, where the job sheet says which way up
    is, else the one of the large planes near which the part is wider, and the assumption is stated.
    """
    walls = directions(seen.normals)
    if walls is None:
        return datum.as_scanned("no floor and walls at right angles to each other show")
    if "up" in hints:
        cosines = walls @ hints["up"]
        at = int(np.argmax(np.abs(cosines)))
        upright, mirrors, assumed = [walls[at] * np.sign(cosines[at])], np.delete(walls, at, axis=0), False
    else:
        upright, mirrors, assumed = None, walls, True
    if "forward" in hints and len(mirrors) > 1:
        mirrors = mirrors[np.abs(mirrors @ hints["forward"]) < 0.7]
    mirror = best_mirror(seen, walls, mirrors)
    if isinstance(mirror, str):
        return datum.as_scanned(mirror)
    if upright is None:
        rest = np.array([one for one in walls if abs(one @ mirror.normal) < 0.7])
        upright = [*rest, *-rest]
    floors = [one for one in (floor(seen, mirror, direction) for direction in upright) if one is not None]
    if not floors:
        return datum.as_scanned("no flat floor shows")
    chosen = choose(floors)
    found = datum.level(chosen.plane, seen.points_mm, np.cross(mirror.normal, chosen.plane.normal))
    found.inside = True
    datum.set_mirror(found, seen)
    found.planes["z"] = replace(found.planes["z"], share=chosen.share)
    if assumed:
        found.notes.append(
            "Which of the large planes is the floor is assumed from the shape, as bodies lean in towards the roof; "
            "give axes.up in the job sheet to be sure."
        )
    return found


def directions(normals):
    """Three directions at right angles, rows of (3, 3), near most normals (n, 3) of either sign; None wherefew are."""
    narrow = np.cos(np.radians(NARROW_DEG))
    at = np.arange(TRIALS) + 0.5
    z, turn = 1.0 - at / TRIALS, np.pi * (1.0 + 5.0**0.5) * at  # evenly on a half sphere, along a spiral
    trials = np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    sample = normals[:: max(1, len(normals) // 5000)]
    counts = (np.abs(sample @ trials.T) > narrow).sum(axis=0)
    first = _mean_direction(normals, trials[int(np.argmax(counts))], narrow)
    level = np.abs(trials @ first) < np.sin(np.radians(NARROW_DEG))
    second = _mean_direction(normals, trials[level][int(np.argmax(counts[level]))], narrow)
    second = second - (second @ first) * first
    second /= np.linalg.norm(second)
    found = np.array([first, second, np.cross(first, second)])
    held = np.mean(np.abs(normals @ found.T).max(axis=1) > narrow)
    print(f"three directions hold {held:.0%} of the normals")
    return found if held > 0.5 else None


def _mean_direction(normals, direction, narrow):
    for _ in range(10):
        cosine = normals @ direction
        mine = np.abs(cosine) > narrow
        direction = (normals[mine] * np.sign(cosine[mine])[:, None]).sum(axis=0)
        direction /= np.linalg.norm(direction)
    return direction


def best_mirror(seen, walls, candidates):
    """The plane that mirrors clearly best among those at right angles to ``candidates``, or why there is none (str)."""
    found = []
    for across in candidates:
        others = np.array([one for one in walls if abs(one @ across) < 0.7])
        found.append(datum.mirror_plane(seen, others[0], across, others))
    planes = sorted((one for one in found if not isinstance(one, str)), key=lambda one: -one.share)
    if not planes:
        return found[0]
    if len(planes) > 1 and 1.0 - planes[1].share < AHEAD * (1.0 - planes[0].share):
        return (
            f"two symmetry planes are about as good, with {planes[0].share:.0%} and {planes[1].share:.0%} of the "
            "points mirrored; give axes.up and axes.forward in the job sheet"
        )
    return planes[0]


@dataclass(frozen=True)
class Floor:
    """A plane that may be the floor: ``share`` of the points in it; ``half_width_mm`` of the part above it, between the
    walls; ``standing``: share of points in its half of the part that face up or down but lie beside it.
    """

    plane: GroundPlane
    share: float
    half_width_mm: float
    standing: float


def choose(floors):
    """The floor among planes that a part has: of the large ones the one where it is wider, since bodies lean in towards
    the roof; where that is even, the one on which more stands.
    """
    largest = max(one.share for one in floors)
    large = [one for one in floors if one.share > 0.5 * largest]
    widest = max(one.half_width_mm for one in large)
    return max((one for one in large if one.half_width_mm > widest - EVEN_MM), key=lambda one: one.standing)


def floor(seen, mirror, up):
    """The largest plane that faces ``up`` as a :class:`Floor`; None without one."""
    facing = seen.normals @ up > np.cos(np.radians(NARROW_DEG))
    height = seen.points_mm @ up
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
    plane = _fit(seen, mine, up)
    above = seen.points_mm @ plane.normal - plane.offset_mm
    tall = np.percentile(above, 99)
    standing = np.mean((above > 2 * THICK_MM) & (above < tall / 2) & (np.abs(seen.normals @ up) > 0.5))
    walls = (above > 0.05 * tall) & (above < 0.4 * tall) & (np.abs(seen.normals @ mirror.normal) > 0.7)
    aside = np.abs(seen.points_mm[walls] @ mirror.normal - mirror.offset_mm)
    return Floor(plane, share, float(np.percentile(aside, 75)) if len(aside) else 0.0, float(standing))


def _fit(seen, mine, up):
    """Robust plane through points of the floor."""
    centre = seen.points_mm[mine].mean(axis=0)
    off = seen.points_mm[mine] - centre
    first = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    first /= np.linalg.norm(first)
    second = np.cross(up, first)
    rows = np.column_stack([np.ones(len(off)), off @ first, off @ second])
    block = robust.blocks_along(off @ first, 8)
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
        list(seen.names),
        "floor plane",
    )

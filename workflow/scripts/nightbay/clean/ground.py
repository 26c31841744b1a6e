"""The ground below a vehicle: the plane with nothing below it, found without knowing which direction is up."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from nightbay.core import plane_fit
from nightbay.core.robust import MAD_TO_SD

# A patch of this size, or of so many cells, gives a plane's direction well enough to be tried on the whole segment.
PATCH_MM, PATCH_CELLS = 100.0, 5.0
SAMPLE = 20_000  # cells that a trial is scored on
PLANES = 10  # different planes that are examined
REACH_MM = 30.0  # how far from a trial's plane the ground may lie before the plane has been refined
TRIAL_SD_MM = REACH_MM / 4.0  # and its scatter about it; a slab through a curved panel keeps that much when refined
FACING = np.cos(np.radians(45.0))  # least cosine between the normals of a point and of the ground
# Shares of the segment's area: most below the ground (only outliers and reflections), least above it (the vehicle), and
# least on it, because a small patch of ground gives no reliable plane.
MOST_BELOW, LEAST_ABOVE, LEAST_GROUND = 0.02, 0.2, 0.02
TRIAL_BELOW = 3 * MOST_BELOW  # before a trial's plane is refined: a patch's direction may be off by degrees
FLAT, WIDE = 0.01, 12  # see _patches
FEWEST = 10  # points or cells that give a plane
THICK_SDS = 4.0  # of a normal distribution 6 in 100 000 lie further off
ALIKE_DEG = 5.0  # planes closer in direction than that, and in position than three reaches, count as one trial
ROUNDS = 20  # most rounds of a fit
FEW_A_PATCH = 3  # cells of the sample that cover a patch of the plan; an outlier does not
LEAST_BESIDE = 0.1  # least share of the ground with nothing above it: on a tailgate's inner side there is none
# What stands on a plane has cells that low above it: a panel that goes on round a corner, a tyre; sills and bumpers end
# higher up. Coarse cells are looked for within half an edge, in squares of two edges: a wall has three of them in a row
# of three squares.
LOW_MM, LOW_EDGES = REACH_MM / 2.0, 0.5
SQUARE_MM, SQUARE_EDGES = 2.0 * REACH_MM, 2.0
# Most of a ground's rim, and of what lies above it, that may be joined to it. On simulated scans of cars, a van and a
# motorcycle tyres made up to 0.22; planes of the vehicle's own had 0.42 and more.
MOST_JOINED = 1.0 / 3.0


@dataclass(frozen=True)
class Ground:
    """The plane ``normal . x = offset_mm``; ``normal`` (3,) unit, up; ``sd_mm``: scatter of the ground about it;
    ``sided``: whether the normals of points tell the upper side of a surface from the lower."""

    normal: np.ndarray
    offset_mm: float
    sd_mm: float
    sided: bool = True

    def faces_up(self, normals: np.ndarray) -> np.ndarray:
        """Which normals, (n, 3), are those of level ground: (n,) bool."""
        along = normals @ self.normal
        return (along if self.sided else np.abs(along)) >= FACING

    def height_mm(self, points_mm: np.ndarray) -> np.ndarray:
        """Height of points, (n, 3), above the plane, (n,) float64."""
        return np.asarray(points_mm, np.float64) @ self.normal - self.offset_mm


def find(
    centres_mm: np.ndarray, normals: np.ndarray, edge_mm: float, noise_mm: float, sided: bool = True
) -> Ground | None:
    """The ground under a vehicle, or None where the segment shows none.

    ``centres_mm`` (m, 3) and ``normals`` (m, 3) unit of cells of the surface, each ``edge_mm`` wide. Every flat patch
    is tried as a piece of the ground. Of the planes with almost nothing below them, the one with most area is chosen,
    unless something lies a little below that one and not below another: see :func:`_has_parts_below`.
    ``sided`` is False for estimated normals: those of the ground may then point down, as an underbody's do.
    """
    patch_mm = max(PATCH_MM, PATCH_CELLS * edge_mm)
    trials = _patches(centres_mm, normals, patch_mm)
    if not sided:
        trials += [(-normal, -offset_mm) for normal, offset_mm in trials]
    step = max(1, len(centres_mm) // SAMPLE)
    sample_mm, sample_normals = centres_mm[::step], normals[::step]
    scored = []
    for at in np.flatnonzero(_share_below(trials, sample_mm) <= TRIAL_BELOW):
        normal, offset_mm = trials[at]
        trial = Ground(normal, offset_mm, TRIAL_SD_MM, sided)
        on = (np.abs(trial.height_mm(sample_mm)) <= REACH_MM) & trial.faces_up(sample_normals)
        if on.mean() >= LEAST_GROUND:
            scored.append((int(on.sum()), trial))
    scored.sort(key=lambda pair: -pair[0])
    found: list[tuple[bool, int, Ground]] = []
    tried: list[Ground] = []
    for _, trial in scored:
        if len(tried) == PLANES or any(_alike(trial, other) for other in tried):
            continue
        tried.append(trial)
        ground = _refine(trial, sample_mm, sample_normals, noise_mm)
        if ground is None:
            continue
        on = is_ground(ground, sample_mm, sample_normals, noise_mm)
        if not _carries_a_vehicle(ground, sample_mm, on, patch_mm, noise_mm):
            continue
        if ground.sd_mm < TRIAL_SD_MM and not _is_joined(ground, centres_mm, edge_mm, noise_mm):
            found.append((not _has_parts_below(ground, sample_mm, on, noise_mm), int(on.sum()), ground))
    if not found:
        return None
    return _refine(max(found, key=lambda each: each[:2])[2], centres_mm, normals, noise_mm)


def _share_below(trials: list[tuple[np.ndarray, float]], points_mm: np.ndarray, together: int = 64) -> np.ndarray:
    """Share of points that lie clearly below each trial's plane, (t,); ``together``: trials looked at at a time."""
    below = np.empty(len(trials))
    for start in range(0, len(trials), together):
        some = trials[start : start + together]
        height = points_mm @ np.array([normal for normal, _ in some]).T
        below[start : start + together] = np.mean(height < np.array([offset for _, offset in some]) - REACH_MM, axis=0)
    return below


def _alike(a: Ground, b: Ground) -> bool:
    """Whether two planes are so close in direction and position that one trial is enough."""
    turned = a.normal @ b.normal <= np.cos(np.radians(ALIKE_DEG))
    return not turned and abs(a.offset_mm - b.offset_mm) < 3 * REACH_MM


def about_points(ground: Ground, points_mm: np.ndarray, normals: np.ndarray, noise_mm: float) -> Ground | None:
    """The ground fitted again to points, (n, 3), because cells' means scatter less; None where there are too few.

    ``normals`` (n, 3) unit of the points.
    """
    wide = replace(ground, sd_mm=thickness_mm(ground, noise_mm))
    return _refine(wide, points_mm, normals, noise_mm)


def thickness_mm(ground: Ground, noise_mm: float) -> float:
    """How far from the plane a point may be and still be ground, mm."""
    return THICK_SDS * max(ground.sd_mm, noise_mm)


def is_ground(ground: Ground, points_mm: np.ndarray, normals: np.ndarray, noise_mm: float) -> np.ndarray:
    """Points, (n, 3), that lie in the ground and face up, and those within the noise of its plane: (n,) bool."""
    height = ground.height_mm(points_mm)
    near = np.abs(height) <= thickness_mm(ground, noise_mm)
    return near & (ground.faces_up(normals) | (np.abs(height) <= noise_mm))


def _patches(centres_mm: np.ndarray, normals: np.ndarray, patch_mm: float) -> list[tuple[np.ndarray, float]]:
    """Plane of every flat patch, ``patch_mm`` wide: a list of (normal (3,), offset).

    Flat: the least variance is less than :data:`FLAT` of the middle one. Wide: cells spread across the patch by more
    than a :data:`WIDE`-th of its size, which is 0.29 of it where they fill it evenly.
    """
    _, patch = np.unique(np.floor(centres_mm / patch_mm).astype(np.int64), axis=0, return_inverse=True)
    patch = patch.ravel()
    count = np.bincount(patch)
    mean = np.column_stack([np.bincount(patch, centres_mm[:, axis]) for axis in range(3)]) / count[:, None]
    facing = np.column_stack([np.bincount(patch, normals[:, axis]) for axis in range(3)])
    centred = centres_mm - mean[patch]
    scatter = np.empty((len(count), 3, 3))
    for a in range(3):
        for b in range(3):
            scatter[:, a, b] = np.bincount(patch, centred[:, a] * centred[:, b]) / count
    values, vectors = np.linalg.eigh(scatter)
    flat = (count >= FEWEST) & (values[:, 0] < FLAT * values[:, 1]) & (values[:, 1] > (patch_mm / WIDE) ** 2)
    direction = vectors[:, :, 0] * np.where(np.sum(vectors[:, :, 0] * facing, axis=1) < 0, -1.0, 1.0)[:, None]
    return [(direction[at], float(direction[at] @ mean[at])) for at in np.flatnonzero(flat)]


def _refine(ground: Ground, points_mm: np.ndarray, normals: np.ndarray, noise_mm: float) -> Ground | None:
    """The plane fitted to its own points repeatedly until these stay the same; None where too few remain."""
    chosen = None
    for _ in range(ROUNDS):
        now = is_ground(ground, points_mm, normals, noise_mm)
        if np.count_nonzero(now) < FEWEST:
            return None
        if chosen is not None and np.array_equal(now, chosen):
            break
        chosen = now
        centre = points_mm[chosen].mean(axis=0)
        centred = points_mm[chosen] - centre
        normal = np.linalg.eigh(centred.T @ centred)[1][:, 0]
        normal *= np.sign(normal @ ground.normal)
        height = centred @ normal
        # a kerb or a hose does not widen the median absolute deviation
        sd_mm = MAD_TO_SD * np.median(np.abs(height - np.median(height)))
        sd_mm = float(min(sd_mm, ground.sd_mm))
        ground = replace(ground, normal=normal, offset_mm=float(normal @ centre), sd_mm=sd_mm)
    return ground


def _carries_a_vehicle(ground: Ground, points_mm: np.ndarray, on: np.ndarray, patch_mm: float, noise_mm: float) -> bool:
    """Whether a vehicle may stand on the ground: much lies above it, open ground beside that, almost nothing below."""
    height = ground.height_mm(points_mm)
    above = height > REACH_MM
    below = height < -max(REACH_MM, thickness_mm(ground, noise_mm))
    if below.mean() > MOST_BELOW or above.mean() < LEAST_ABOVE or on.mean() < LEAST_GROUND:
        return False
    square, shape = _squares(ground, points_mm, patch_mm)
    covered = np.bincount(square[above], minlength=shape[0] * shape[1]) >= FEW_A_PATCH
    return bool(np.count_nonzero(on & ~covered[square]) >= LEAST_BESIDE * np.count_nonzero(on))


def _has_parts_below(ground: Ground, points_mm: np.ndarray, on: np.ndarray, noise_mm: float) -> bool:
    """Whether of what lies off the plane too much lies below it, by more than :data:`LOW_MM`.

    A flat side of a vehicle before its floor carries that as a floor carries a vehicle, and often it is larger. But
    legs and wheels stand behind it, and the floor goes on below it, though by less than :data:`REACH_MM` in places;
    below a floor lies nothing. It is asked where several planes may be the ground, for a yard may be rough.
    """
    height = ground.height_mm(points_mm[~on])
    return bool(np.mean(height < -max(LOW_MM, thickness_mm(ground, noise_mm))) > MOST_BELOW)


def _is_joined(ground: Ground, centres_mm: np.ndarray, edge_mm: float, noise_mm: float) -> bool:
    """Whether surface goes on from the plane, as from a panel into the next one round a corner: along much of its rim,
    or below much of what lies above it.

    Ground ends in the open or in the shadow of a vehicle, which only its tyres join to it. This holds whichever side
    normals point to: estimated ones may be turned over altogether, and then a roof looks like ground below walls.
    ``centres_mm`` (m, 3) of all cells, ``edge_mm`` wide.
    """
    height = ground.height_mm(centres_mm)
    square, shape = _squares(ground, centres_mm, max(SQUARE_MM, SQUARE_EDGES * edge_mm))
    least_mm = max(LOW_MM, thickness_mm(ground, noise_mm))
    low_mm = least_mm + max(LOW_MM, LOW_EDGES * edge_mm)
    on, low, above = (
        np.bincount(square[which], minlength=shape[0] * shape[1]).reshape(shape) > 0
        for which in (np.abs(height) <= least_mm, (height > least_mm) & (height <= low_mm), height > least_mm)
    )
    touching = np.ones((3, 3), bool)
    rim = on & ndimage.binary_dilation(~on, touching)
    over = above & ndimage.binary_dilation(on, touching)
    joined = ndimage.binary_dilation(low, touching)[rim].mean()
    return bool(joined > MOST_JOINED or (over.any() and low[over].mean() > MOST_JOINED))


def _squares(ground: Ground, points_mm: np.ndarray, edge_mm: float) -> tuple[np.ndarray, tuple[int, int]]:
    """Number of each point's square in plan view, (n,) int64, and how many there are each way, with an empty rim."""
    plan = points_mm @ np.column_stack(plane_fit.across(ground.normal))
    index = np.floor((plan - plan.min(axis=0)) / edge_mm).astype(np.int64) + 1
    rows, columns = (int(most) + 2 for most in index.max(axis=0))
    return index[:, 0] * columns + index[:, 1], (rows, columns)

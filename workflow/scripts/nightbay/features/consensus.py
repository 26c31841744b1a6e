"""Which points of a region belong to a face, a cylinder or a sphere: the shape that most of them agree with.

Shapes through a few points that are drawn at random are compared by how many points agree with them (M. Fischler,
R. Bolles, Communications of the ACM 24 (1981) 381), and the best is fitted and drawn anew until its points stay.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from nightbay.core import robust
from nightbay.core.errors import NotFound
from nightbay.features.region import LEAST_POINTS, Sample
from nightbay.fitting.cylinder import cylinder
from nightbay.fitting.plane import plane
from nightbay.fitting.sphere import sphere

DRAWS = 400  # of three points: with a third of them on the face, it is missed once in three million regions
MOST_SCORED = 3000  # points by which a draw is judged
ROUNDS = 6
LEAST_BAND_MM = 0.5  # five times a good scanner's noise: poses of segments differ too
BAND_SDS = 5.0
FACING = 0.8  # cosine of 37 degrees between a point's normal and the shape's: estimated normals bend near edges
RIVAL = 0.5  # another shape with that share of the best one's points makes the choice ambiguous
LEAST_FLAT = 0.5  # share of what looks the way of a face that lies in it; less: the surface is curved or stepped
APART = 2.0  # times the band, by which another shape must differ to be another
LEAST_SINE = 0.2  # normals within 12 degrees of each other do not show where they cross
DRAWN_BANDS = 2.0  # times the band, within which points agree with a shape that two of their normals show


def band_mm(noise_mm: float) -> float:
    """Distance from a shape within which a point may belong to it."""
    return max(LEAST_BAND_MM, BAND_SDS * noise_mm)


def face(sample: Sample, noise_mm: float, direction: np.ndarray | None) -> np.ndarray | NotFound:
    """Rows (k,) of the points of the flat face that most points of the sample lie on.

    ``direction`` (3,) unit: roughly where the face looks to, anywhere where None; two faces of similar size are then
    refused.
    """
    rows = np.arange(len(sample)) if direction is None else np.flatnonzero(sample.normals @ direction > FACING)
    if len(rows) < LEAST_POINTS:
        return NotFound("no face looks in the given direction there")
    band = band_mm(noise_mm)
    best = _face(sample, rows, band, noise_mm)
    if isinstance(best, NotFound):
        return best
    found = plane(sample.points_mm[best], noise_mm)
    if isinstance(found, NotFound):
        return found
    alike = np.count_nonzero(np.abs(sample.normals @ found.normal) > FACING)
    rest = np.setdiff1d(rows, best)
    off = np.abs((sample.points_mm[rest] - found.point_mm) @ found.normal)
    rest = rest[off > APART * band]
    other = _face(sample, rest, band, noise_mm) if len(rest) >= RIVAL * len(best) else NotFound("")
    if not isinstance(other, NotFound) and len(other) > RIVAL * len(best):
        if direction is None:
            return NotFound("two faces of similar size lie in the region: give 'direction', or make the region smaller")
        return NotFound("two faces of similar size look in the given direction: make the region smaller")
    if len(best) < LEAST_FLAT * alike:
        return NotFound(
            f"the surface there is not flat: {len(best) / alike:.0%} of what looks the same way lies within {band:.1f} "
            "mm of a plane, at least half is needed: make the region smaller"
        )
    return best


def _face(sample: Sample, rows: np.ndarray, band: float, noise_mm: float) -> np.ndarray | NotFound:
    points, normals = sample.points_mm[rows], sample.normals[rows]
    if len(rows) < LEAST_POINTS:
        return NotFound("too few points lie on a flat face")
    rng = np.random.default_rng(len(rows))
    some = np.arange(0, len(rows), -(-len(rows) // MOST_SCORED))
    best, score = None, -1
    for _ in range(DRAWS):
        a, b, c = points[rng.choice(len(rows), 3, replace=False)]
        normal = np.cross(b - a, c - a)
        length = float(np.linalg.norm(normal))
        if length == 0.0:
            continue
        normal = normal / length
        near = np.abs((points[some] - a) @ normal) < band
        lean = normals[some] @ normal
        sides = [int(np.count_nonzero(near & (sign * lean > FACING))) for sign in (1.0, -1.0)]
        if max(sides) > score:
            best, score = (a, normal if sides[0] >= sides[1] else -normal), max(sides)
    if best is None:
        return NotFound("the points lie in a line")
    at, normal = best
    chosen = np.flatnonzero((np.abs((points - at) @ normal) < band) & (normals @ normal > FACING))
    for _ in range(ROUNDS):
        if len(chosen) < LEAST_POINTS:
            return NotFound(f"only {len(chosen)} points lie on a flat face, at least {LEAST_POINTS} are needed")
        found = plane(points[chosen], noise_mm)
        if isinstance(found, NotFound):
            return found
        normal = found.normal * np.sign(found.normal @ normal)
        off = (points - found.point_mm) @ normal
        near = _within(off, off[chosen], band, noise_mm) & (normals @ normal > FACING)
        if np.array_equal(np.flatnonzero(near), chosen):
            break
        chosen = np.flatnonzero(near)
    return rows[chosen]


@dataclass(frozen=True)
class _Round:
    """A cylinder about unit ``axis`` (3,) through ``at_mm`` (3,), or a sphere about that where ``axis`` is None."""

    at_mm: np.ndarray
    axis: np.ndarray | None
    radius_mm: float

    def agreement(self, sample: Sample) -> tuple[np.ndarray, np.ndarray]:
        """Signed distances (n,) of points, and cosines (n,) between normals and radii, whatever their sign."""
        radial = sample.points_mm - self.at_mm
        if self.axis is not None:
            radial = radial - np.outer(radial @ self.axis, self.axis)
        distance = np.linalg.norm(radial, axis=1)
        cosine = np.abs(np.einsum("ni,ni->n", radial, sample.normals)) / np.maximum(distance, np.finfo(float).tiny)
        return distance - self.radius_mm, cosine


def round_face(sample: Sample, noise_mm: float, axis: np.ndarray | None) -> np.ndarray | NotFound:
    """Rows (k,) of the points of the cylinder that most points of the sample lie on, ``axis`` (3,) unit its direction
    where that is roughly known."""

    def draw(some: Sample, a: int, b: int) -> _Round | None:
        w = np.cross(some.normals[a], some.normals[b]) if axis is None else axis
        return _drawn(some, a, b, w, cylindrical=True)

    def fit(points_mm: np.ndarray) -> _Round | NotFound:
        found = cylinder(points_mm, noise_mm, axis)
        return found if isinstance(found, NotFound) else _Round(found.point_mm, found.direction, found.radius_mm)

    return _curved(sample, noise_mm, draw, fit, "too few points lie on a cylinder")


def ball(sample: Sample, noise_mm: float) -> np.ndarray | NotFound:
    """Rows (k,) of the points of the sphere that most points of the sample lie on."""

    def draw(some: Sample, a: int, b: int) -> _Round | None:
        return _drawn(some, a, b, np.cross(some.normals[a], some.normals[b]), cylindrical=False)

    def fit(points_mm: np.ndarray) -> _Round | NotFound:
        found = sphere(points_mm, noise_mm)
        return found if isinstance(found, NotFound) else _Round(found.centre_mm, None, found.radius_mm)

    return _curved(sample, noise_mm, draw, fit, "too few points lie on a sphere")


def _drawn(sample: Sample, a: int, b: int, w: np.ndarray, cylindrical: bool) -> _Round | None:
    """The round shape that two points with their normals show, seen along ``w`` (3,); None where they show none."""
    length = float(np.linalg.norm(w))
    if length < LEAST_SINE:
        return None
    w = w / length
    p, q = sample.points_mm[a], sample.points_mm[b]
    n, m = (sample.normals[row] - (sample.normals[row] @ w) * w for row in (a, b))
    determinant = float(np.cross(n, m) @ w)
    if abs(determinant) < LEAST_SINE:
        return None
    # p + s n = q + t m in the plane across w; the centre of a sphere lies between both heights along w
    high = float((q - p) @ w)
    centre = p + float(np.cross(q - p - high * w, m) @ w) / determinant * n
    model = _Round(centre, w, 0.0) if cylindrical else _Round(centre + high / 2 * w, None, 0.0)
    distances, _ = model.agreement(sample[np.array([a, b])])
    return replace(model, radius_mm=float(distances.mean()))


def _curved(
    sample: Sample,
    noise_mm: float,
    draw: Callable[[Sample, int, int], _Round | None],
    fit: Callable[[np.ndarray], _Round | NotFound],
    too_few: str,
) -> np.ndarray | NotFound:
    """Rows of the points of the round shape that most points agree with, drawn and then fitted."""
    band, few = band_mm(noise_mm), NotFound(too_few)
    if len(sample) < LEAST_POINTS:
        return few
    rng = np.random.default_rng(len(sample))
    some = sample[np.arange(0, len(sample), -(-len(sample) // MOST_SCORED))]
    best, score = None, 0
    for _ in range(DRAWS):
        a, b = rng.choice(len(some), 2, replace=False)
        drawn = draw(some, int(a), int(b))
        if drawn is None:
            continue
        off, cosine = drawn.agreement(some)
        agreeing = int(np.count_nonzero((np.abs(off) < DRAWN_BANDS * band) & (cosine > FACING)))
        if agreeing > score:
            best, score = drawn, agreeing
    if best is None:
        return few
    off, cosine = best.agreement(sample)
    chosen = np.flatnonzero((np.abs(off) < DRAWN_BANDS * band) & (cosine > FACING))
    for _ in range(ROUNDS):
        if len(chosen) < LEAST_POINTS:
            return few
        found = fit(sample.points_mm[chosen])
        if isinstance(found, NotFound):
            return found
        off, cosine = found.agreement(sample)
        near = np.flatnonzero(_within(off, off[chosen], band, noise_mm) & (cosine > FACING))
        if np.array_equal(near, chosen):
            break
        chosen = near
    return chosen


def _within(off_mm: np.ndarray, of_chosen_mm: np.ndarray, band: float, noise_mm: float) -> np.ndarray:
    """Which distances (n,) the scatter of those of the chosen points explains, (n,) bool."""
    scatter = robust.MAD_TO_SD * float(np.median(np.abs(of_chosen_mm)))
    return np.abs(off_mm) < min(max(robust.TUKEY_SD * scatter, 3.0 * noise_mm), band)

"""The plane about which a body is its own mirror image, found by registering the cloud with its reflection."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import robust
from nightbay.core.errors import NotFound

BLOCKS = 12  # sections along the body that are left out in turn for the uncertainty (jackknife)
ALIKE = 0.7  # least cosine between a mirrored normal and its partner's: within 45 degrees, the same face of a panel
# How many spacings a partner may lie beside the image: a point of the next cell does (common practice, no source).
ASIDE = 1.5
LEAST_PAIRS = 50  # of a point and its mirror image, for three unknowns (common practice, no source)
MOST_CONDITION = 1e8  # of the normal equations, whose columns have unit length: beyond it, a direction is undetermined
# The fit ends where the plane moves by less: 3 um at the ends of a body of 5 m, well below the plane's uncertainty.
MOST_STEPS, TURN_RAD, SHIFT_MM = 30, 1e-6, 1e-3
COARSE_TOLERANCE = 10.0  # times that, for all distances but the last


@dataclass(frozen=True)
class Plane:
    """A mirror plane, points x on it have ``normal @ x == offset_mm``.

    ``normal`` (3,) unit; ``covariance`` (4, 4) of the small rotation of the normal (rad, about the axes, at
    ``centre_mm``) and of the offset at that centre (mm); ``share`` of the points that have a mirror image within
    ``limit_mm``; ``rms_mm`` of those, point to plane; ``centre_mm`` (3,).
    """

    normal: np.ndarray
    offset_mm: float
    covariance: np.ndarray
    share: float
    rms_mm: float
    limit_mm: float
    centre_mm: np.ndarray

    @property
    def sd_mm(self) -> float:
        """Standard uncertainty of the plane's position at its centre, mm."""
        return float(np.sqrt(self.covariance[3, 3]))

    def turn_sd_rad(self, axis: np.ndarray) -> float:
        """Standard uncertainty of the normal's turn about a unit axis, (3,)."""
        return float(np.sqrt(max(axis @ self.covariance[:3, :3] @ axis, 0.0)))


@dataclass(frozen=True)
class Search:
    """How a mirror plane is looked for.

    ``axes`` (k, 3): the unit axes about which the normal may turn, k = 1 or 2; ``along`` (3,): the body's long
    direction, along which blocks are left out for the uncertainty. ``reaches_mm``, falling: the distances within which
    a point counts as a mirror image; the last is the limit of the result. ``spacing_mm`` of the points. Where less than
    ``least_share`` of the points has an image within one of the distances, the search ends there: a shorter distance
    finds fewer.
    """

    axes: np.ndarray
    along: np.ndarray
    reaches_mm: tuple[float, ...]
    spacing_mm: float
    least_share: float = 0.0
    threads: int = 1


class _Body(NamedTuple):
    """Points (n, 3) about their middle with unit normals (n, 3), a tree of them, and the block of each, (n,) int."""

    points: np.ndarray
    normals: np.ndarray
    tree: cKDTree
    block: np.ndarray
    threads: int


class _Guess(NamedTuple):
    """A mirror plane about the middle of the body: unit normal (3,) and offset, mm."""

    normal: np.ndarray
    offset_mm: float


def reflect(points: np.ndarray, normal: np.ndarray, offset_mm: float = 0.0) -> np.ndarray:
    """Mirror images, (n, 3), of points about the plane; of directions where the offset is zero."""
    return points - 2.0 * np.outer(points @ normal - offset_mm, normal)


def fit(
    points_mm: np.ndarray, normals: np.ndarray, normal: np.ndarray, offset_mm: float, search: Search
) -> Plane | NotFound:
    """The mirror plane nearest to a first guess; :class:`NotFound` where the shape does not define one.

    ``points_mm`` (n, 3) evenly thinned, with unit ``normals`` (n, 3); the guess is ``normal`` (3,) and ``offset_mm``.

    Robust iterative closest points with the distance along the normal (Y. Chen, G. Medioni, Image and Vision Computing
    10 (1992) 145) between a cloud and its reflection.
    """
    centre = points_mm.mean(axis=0)
    points = points_mm - centre
    block = robust.blocks_along(points @ search.along, BLOCKS)
    body = _Body(points, normals, cKDTree(points), block, search.threads)
    plane = _Guess(np.array(normal, float), float(offset_mm - normal @ centre))
    everything = np.arange(len(points))
    for reach_mm in search.reaches_mm:
        fitted = _fit_within(body, plane, search, reach_mm)
        if fitted is None:
            return NotFound("the two sides of the part do not define a symmetry plane")
        plane, step = fitted
        _, _, residuals = _residuals(body, everything, plane, _partner_distance(reach_mm, search.spacing_mm))
        good = np.abs(residuals) < reach_mm
        if np.count_nonzero(good) < search.least_share * len(points):
            break
    axes = search.axes
    spread = np.block([[axes.T, np.zeros((3, 1))], [np.zeros((1, len(axes))), np.ones((1, 1))]])
    return Plane(
        plane.normal,
        plane.offset_mm + float(plane.normal @ centre),
        spread @ step.covariance @ spread.T,
        float(np.count_nonzero(good) / len(points)),
        float(np.sqrt(np.mean(residuals[good] ** 2))) if good.any() else 0.0,
        float(reach_mm),
        centre,
    )


def _partner_distance(reach_mm: float, spacing_mm: float) -> float:
    """Largest distance, mm, of a partner from the image: ``reach_mm`` along the normal, some spacings across it."""
    return float(np.hypot(reach_mm, ASIDE * spacing_mm))


def _fit_within(body: _Body, plane: _Guess, search: Search, reach_mm: float) -> tuple[_Guess, robust.Step] | None:
    """The plane fitted to mirror images within ``reach_mm``, and its last step; None where they do not define it."""
    # a plane that is fitted again need not converge as closely
    tolerance = 1.0 if reach_mm == search.reaches_mm[-1] else COARSE_TOLERANCE
    wide_mm = _partner_distance(reach_mm, search.spacing_mm)
    for _ in range(MOST_STEPS):
        # a pair gives the same equation from either end, so one side of the plane is enough
        half = np.flatnonzero(body.points @ plane.normal > plane.offset_mm)
        rows, partner, residuals = _residuals(body, half, plane, wide_mm)
        if len(rows) < LEAST_PAIRS:
            return None
        jacobian = _jacobian(body.points[rows], body.normals[partner], plane, search.axes)
        step = robust.step(jacobian, residuals, reach_mm, body.block[rows])
        if step.condition > MOST_CONDITION:
            return None
        turn = search.axes.T @ step.change[:-1]
        normal = plane.normal + np.cross(turn, plane.normal)
        normal /= np.linalg.norm(normal)
        plane = _Guess(normal, plane.offset_mm + step.change[-1])
        if np.linalg.norm(turn) < TURN_RAD * tolerance and abs(step.change[-1]) < SHIFT_MM * tolerance:
            break
    return plane, step


def _residuals(
    body: _Body, rows: np.ndarray, plane: _Guess, wide_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Those of the ``rows`` that have a partner, the partner's row, and the distance along the partner's normal."""
    points, normals = body.points, body.normals
    image = reflect(points[rows], plane.normal, plane.offset_mm)
    distance, partner = body.tree.query(image, distance_upper_bound=wide_mm, workers=body.threads)
    met = np.flatnonzero(np.isfinite(distance))
    alike = np.einsum("ij,ij->i", reflect(normals[rows[met]], plane.normal), normals[partner[met]]) > ALIKE
    met = met[alike]
    partner = partner[met]
    return rows[met], partner, np.einsum("ij,ij->i", normals[partner], image[met] - points[partner])


def _jacobian(points: np.ndarray, normals: np.ndarray, plane: _Guess, axes: np.ndarray) -> np.ndarray:
    """Derivatives of ``normals @ reflect(points)``, (n, k + 1), by the turns about ``axes`` and by the offset."""
    height = points @ plane.normal - plane.offset_mm
    across = normals @ plane.normal
    columns = []
    for axis in axes:
        moved = np.cross(axis, plane.normal)
        columns.append(-2.0 * ((points @ moved) * across + height * (normals @ moved)))
    return np.column_stack([*columns, 2.0 * across])


def guesses(points_mm: np.ndarray, up: np.ndarray | None = None) -> np.ndarray:
    """First guesses of the long direction of a body, (k, 3) unit, best first.

    With ``up``, (3,): along the longer and the shorter edge of the smallest rectangle round the plan view; without:
    the principal directions, longest first.
    """
    if up is None:
        centred = points_mm - points_mm.mean(axis=0)
        return np.linalg.eigh(centred.T @ centred)[1].T[::-1]
    first, second = plan_axes(up)
    plan = np.column_stack([points_mm @ first, points_mm @ second])[:: max(1, len(points_mm) // 20_000)]
    angles = np.radians(np.arange(0.0, 90.0, 0.5))
    turned = np.cos(angles)[:, None] * plan[:, 0] + np.sin(angles)[:, None] * plan[:, 1]
    other = np.cos(angles)[:, None] * plan[:, 1] - np.sin(angles)[:, None] * plan[:, 0]
    # 0.5 % at either end may be mirrors, antennas, outliers
    length = np.diff(np.percentile(turned, [0.5, 99.5], axis=1), axis=0)[0]
    width = np.diff(np.percentile(other, [0.5, 99.5], axis=1), axis=0)[0]
    best = int(np.argmin(length * width))
    along = np.cos(angles[best]) * first + np.sin(angles[best]) * second
    across = np.cross(up, along)
    return np.array([along, across]) if length[best] >= width[best] else np.array([across, -along])


def plan_axes(up: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two unit directions, (3,) each, perpendicular to ``up`` and to each other, right-handed with it."""
    first = np.eye(3)[int(np.argmin(np.abs(up)))]
    first = first - (first @ up) * up
    first /= np.linalg.norm(first)
    return first, np.cross(up, first)

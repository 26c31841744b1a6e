"""The plane about which a body is its own mirror image, found by registering the cloud with its reflection."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import robust

BLOCKS = 12  # lengths of the body that are left out in turn for the uncertainty
ALIKE = 0.7  # cosine between a mirrored normal and the one it meets: within 45 degrees, the same face of a panel


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
    def sd_mm(self):
        """Standard uncertainty of the plane's place at its centre."""
        return float(np.sqrt(self.covariance[3, 3]))

    def turn_sd_rad(self, axis):
        """Standard uncertainty of the normal's turn about a unit axis, (3,)."""
        return float(np.sqrt(max(axis @ self.covariance[:3, :3] @ axis, 0.0)))


def reflect(points, normal, offset_mm=0.0):
    """Mirror images, (n, 3), of points about the plane; of directions where the offset is zero."""
    return points - 2.0 * np.outer(points @ normal - offset_mm, normal)


def _residuals(points, normals, rows, tree, normal, offset_mm, reach_mm, threads):
    """Those of the ``rows`` that have a partner, the partner's row, and the distance along the partner's normal."""
    image = reflect(points[rows], normal, offset_mm)
    distance, partner = tree.query(image, distance_upper_bound=reach_mm, workers=threads)
    met = np.flatnonzero(np.isfinite(distance))
    alike = np.einsum("ij,ij->i", reflect(normals[rows[met]], normal), normals[partner[met]]) > ALIKE
    met = met[alike]
    partner = partner[met]
    return rows[met], partner, np.einsum("ij,ij->i", normals[partner], image[met] - points[partner])


def fit(points_mm, normals, normal, offset_mm, *, axes, along, reaches_mm, spacing_mm, least_share=0.0, threads=1):
    """The mirror plane nearest to a first guess, as a :class:`Plane`; None where the shape does not hold one fast.

    ``points_mm`` (n, 3) evenly thinned to ``spacing_mm``, with unit ``normals`` (n, 3); the guess is ``normal`` (3,)
    and ``offset_mm``. ``axes`` (k, 3) are the unit axes about which the normal may turn, k = 1 or 2; ``along`` (3,) is
    the body's long direction, along which blocks are left out for the uncertainty. ``reaches_mm``, falling, are the
    distances within which a mirror image counts as one; the last is the limit of the result. Where less than
    ``least_share`` of the points has an image at one of them, it won't at the next, and the search ends there.

    Robust iterative closest points with the distance along the normal (Y. Chen, G. Medioni, Image and Vision Computing
    10 (1992) 145) between a cloud and its reflection.
    """
    centre = points_mm.mean(axis=0)
    points = points_mm - centre
    normal, offset_mm = np.array(normal, float), float(offset_mm - normal @ centre)
    tree = cKDTree(points)
    axes = np.atleast_2d(np.asarray(axes, float))
    block = robust.blocks_along(points @ along, BLOCKS)
    everything = np.arange(len(points))
    for reach_mm in reaches_mm:
        close = 1.0 if reach_mm == reaches_mm[-1] else 10.0  # a coarse stage need not settle
        # partners lie up to a spacing aside of the image, whatever the distance along the normal
        wide = np.hypot(reach_mm, 1.5 * spacing_mm)
        for _ in range(30):
            # a pair seen from its other end says the same again
            half = np.flatnonzero(points @ normal > offset_mm)
            rows, partner, residuals = _residuals(points, normals, half, tree, normal, offset_mm, wide, threads)
            if len(rows) < 50:
                return None
            jacobian = _jacobian(points[rows], normals[partner], normal, offset_mm, axes)
            step = robust.step(jacobian, residuals, reach_mm, block[rows])
            if step.condition > 1e8:
                return None
            turn = axes.T @ step.change[:-1]
            normal = normal + np.cross(turn, normal)
            normal /= np.linalg.norm(normal)
            offset_mm += step.change[-1]
            if np.linalg.norm(turn) < 1e-6 * close and abs(step.change[-1]) < 1e-3 * close:
                break
        _, _, residuals = _residuals(points, normals, everything, tree, normal, offset_mm, wide, threads)
        if np.count_nonzero(np.abs(residuals) < reach_mm) < least_share * len(points):
            break
    good = np.abs(residuals) < reach_mm
    spread = np.block([[axes.T, np.zeros((3, 1))], [np.zeros((1, len(axes))), np.ones((1, 1))]])
    covariance = spread @ step.covariance @ spread.T
    return Plane(
        normal,
        offset_mm + float(normal @ centre),
        covariance,
        float(np.count_nonzero(good) / len(points)),
        float(np.sqrt(np.mean(residuals[good] ** 2))) if good.any() else 0.0,
        float(reach_mm),
        centre,
    )


def _jacobian(points, normals, normal, offset_mm, axes):
    """Derivatives of ``normals @ reflect(points)``, (n, k + 1), by the turns about ``axes`` and by the offset."""
    height = points @ normal - offset_mm
    across = normals @ normal
    columns = []
    for axis in axes:
        moved = np.cross(axis, normal)
        columns.append(-2.0 * ((points @ moved) * across + height * (normals @ moved)))
    return np.column_stack([*columns, 2.0 * across])


def guesses(points_mm, up=None):
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
    # 0.5 % at either end may be mirrors, antennas, strays
    length = np.diff(np.percentile(turned, [0.5, 99.5], axis=1), axis=0)[0]
    width = np.diff(np.percentile(other, [0.5, 99.5], axis=1), axis=0)[0]
    best = int(np.argmin(length * width))
    along = np.cos(angles[best]) * first + np.sin(angles[best]) * second
    across = np.cross(up, along)
    return np.array([along, across]) if length[best] >= width[best] else np.array([across, -along])


def plan_axes(up):
    """Two unit directions perpendicular to ``up`` and to each other, right-handed with it."""
    first = np.eye(3)[int(np.argmin(np.abs(up)))]
    first = first - (first @ up) * up
    first /= np.linalg.norm(first)
    return first, np.cross(up, first)

"""Wheels: where something round stands on the ground, and the centre and axle about which it is its own image."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from nightbay import robust

CELL_MM = 30.0  # of the plan view in which contact patches are told apart
SPACING_MM = 5.0  # points of a wheel are thinned to this: some 10 000 a wheel
TURNS_DEG = (50.0, 110.0, 180.0)  # a wheel is compared with itself after these turns
LEAST_POINTS = 150
VOTERS = 3000  # points that vote for the first guess of the centre
REACHES_MM = (25.0, 10.0, 4.0)
SECTORS = 8  # of the wheel, left out in turn for the uncertainty
ALIKE = 0.8  # cosine between a turned normal and the one it meets
# radii of tyres from a moped's to a lorry's
RADIUS_LOW_MM, RADIUS_HIGH_MM = 180.0, 600.0
WIDTH_MM = 350.0  # widest single tyre


@dataclass(frozen=True)
class Wheel:
    """A wheel in the level frame (X along the vehicle, Z up from the ground).

    ``centre_mm`` (3,): X and Z of the axle, Y of the tyre's outer face; ``sd_mm`` (3,) standard uncertainties;
    ``axle`` (3,) unit direction, outward (to +Y for a wheel in the middle plane), with ``turn_sd_rad``; ``radius_mm``
    of the tread, None where it was not seen; ``share`` of its points that meet others after a turn; ``side``: -1, 0, 1
    for -Y, middle, +Y.
    """

    centre_mm: np.ndarray
    sd_mm: np.ndarray
    axle: np.ndarray
    turn_sd_rad: float
    radius_mm: float | None
    share: float
    side: int


def contact_patches(points_mm, band_mm):
    """Plan-view bounds of what stands on the ground: (k, 2, 2), low and high of X and Y, ascending by X then Y.

    ``points_mm`` (n, 3) in the level frame; the patches are the connected parts of points with Z within ``band_mm``.
    """
    plan = points_mm[(points_mm[:, 2] > 0.0) & (points_mm[:, 2] < band_mm), :2]
    if not len(plan):
        return np.empty((0, 2, 2))
    low = plan.min(axis=0) - 3 * CELL_MM
    cell = np.floor((plan - low) / CELL_MM).astype(np.int64)
    grid = np.zeros(cell.max(axis=0) + 4, bool)
    grid[cell[:, 0], cell[:, 1]] = True
    label, count = ndimage.label(ndimage.binary_dilation(grid, iterations=2), np.ones((3, 3)))
    of_point = label[cell[:, 0], cell[:, 1]]
    patches = []
    for one in range(1, count + 1):
        mine = plan[of_point == one]
        patches.append([mine.min(axis=0), mine.max(axis=0)])
    patches = np.array(patches)
    return patches[np.lexsort((patches[:, 0, 1], patches[:, 0, 0]))]


def fit(points_mm, normals, x_mm, side, threads=1):
    """The wheel among points (n, 3) of the level frame with unit normals: a :class:`Wheel`, or why there is none (str).

    ``x_mm`` is where the middle of its contact patch lies; ``side`` as in :class:`Wheel`.
    """
    centre = _coarse_centre(points_mm, normals, x_mm)
    if centre is None:
        return "no round shape stands there"
    radius = centre[1]
    reach = np.hypot(points_mm[:, 0] - centre[0], points_mm[:, 2] - centre[1])
    # without the contact patch, where the tyre is pressed flat, and without the arch
    mine = (reach < 1.02 * radius) & (points_mm[:, 2] > 0.15 * radius)
    points, normals = points_mm[mine], normals[mine]
    if len(points) < LEAST_POINTS:
        return f"only {len(points)} points of a wheel, {LEAST_POINTS} are needed"
    fitted = _register(points, normals, centre, threads)
    if fitted is None:
        return "it is not its own image after a turn"
    at, axle, covariance, share = fitted
    outward = 1.0 if side >= 0 else -1.0
    face, face_sd = _outer_face(points, at, radius, outward)
    axle = axle * np.sign(axle[1]) * outward
    # the axle's line is taken where it meets the outer face
    at = at + axle * (face - at[1]) / axle[1]
    sd = np.array([np.sqrt(covariance[0, 0]), face_sd, np.sqrt(covariance[1, 1])])
    turn_sd = float(np.sqrt(max(covariance[2, 2], covariance[3, 3])))
    return Wheel(at, sd, axle, turn_sd, _free_radius(points, normals, at, radius), share, side)


def _coarse_centre(points_mm, normals, x_mm):
    """X and Z of the point where most normals meet in side view, for a circle that stands on the ground; or None."""
    across = np.hypot(normals[:, 0], normals[:, 2])
    tilted = np.flatnonzero(across > 0.3)
    tilted = tilted[:: max(1, len(tilted) // VOTERS)]
    points, lines = points_mm[tilted][:, [0, 2]], normals[tilted][:, [0, 2]] / across[tilted, None]
    best, best_score = None, 0.0
    for radius in np.arange(RADIUS_LOW_MM, RADIUS_HIGH_MM, 10.0):
        for x in x_mm + np.arange(-60.0, 61.0, 15.0):
            off = points - (x, radius)
            near = (off**2).sum(axis=1) < (radius + 15.0) ** 2
            missed = off[near, 0] * lines[near, 1] - off[near, 1] * lines[near, 0]
            # a chance line passes within the limit in proportion to it: that many are no evidence
            score = robust.tukey(missed, 20.0).sum() - 0.1 * np.count_nonzero(near)
            if score > best_score:
                best, best_score = np.array([x, radius]), score
    return best if best_score > 50.0 else None


def _register(points, normals, centre, threads):
    """Centre (3,), axle (3,) unit, covariance (4, 4) of (x, z, turns about x and z), share; or None."""
    at, axle = np.array([centre[0], np.median(points[:, 1]), centre[1]]), np.array([0.0, 1.0, 0.0])
    tree = cKDTree(points)
    nearest = tree.query(points, k=2, workers=threads)[0][:, 1]
    aside = 1.5 * max(SPACING_MM, float(np.median(nearest)))  # a partner lies up to that far beside the image
    angle = np.arctan2(points[:, 2] - at[2], points[:, 0] - at[0])
    sector = robust.blocks_along(np.append(angle, [-np.pi, np.pi]), SECTORS)[:-2]
    for reach_mm in REACHES_MM:
        for _ in range(30):
            rows, jacobian, residuals = _turned(points, normals, tree, at, axle, np.hypot(reach_mm, aside), threads)
            if len(rows) < 100:
                return None
            step = robust.step(jacobian, residuals, reach_mm, sector[rows])
            if step.condition > 1e8:
                return None
            at = at + np.array([step.change[0], 0.0, step.change[1]])
            axle = axle + np.cross([step.change[2], 0.0, step.change[3]], axle)
            axle /= np.linalg.norm(axle)
            if np.abs(step.change[:2]).max() < 1e-3:
                break
    share = len(np.unique(rows[np.abs(residuals) < reach_mm])) / len(points)
    return at, axle, step.covariance, float(share)


def _turned(points, normals, tree, at, axle, wide_mm, threads):
    """Rows, derivatives (m, 4) and residuals (m,) of the points after each turn that meet a point of like normal."""
    off = points - at
    found = []
    for turn in TURNS_DEG:
        rotation = Rotation.from_rotvec(np.radians(turn) * axle).as_matrix()
        image = off @ rotation.T
        distance, partner = tree.query(image + at, distance_upper_bound=wide_mm, workers=threads)
        rows = np.flatnonzero(np.isfinite(distance))
        alike = np.einsum("ij,ij->i", normals[rows] @ rotation.T, normals[partner[rows]]) > ALIKE
        rows, partner = rows[alike], partner[rows][alike]
        facing = normals[partner]
        back = facing @ rotation  # the normal turned back to the unturned point
        residuals = np.einsum("ij,ij->i", facing, image[rows] + at - points[partner])
        by_centre = facing - back
        by_axle = np.cross(image[rows], facing) - np.cross(off[rows], back)
        found.append((rows, np.column_stack([by_centre[:, [0, 2]], by_axle[:, [0, 2]]]), residuals))
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))


def _outer_face(points, at, radius, outward):
    """Y of the tyre's outer face and its standard uncertainty: mean over sectors of the outermost tyre wall.

    The outermost 2 % of a sector may be lettering, the next point is taken.
    """
    off = points - at
    reach = np.hypot(off[:, 0], off[:, 2])
    wall = (reach > 0.6 * radius) & (reach < 0.98 * radius)
    angle = np.arctan2(off[wall, 2], off[wall, 0])
    sector = robust.blocks_along(np.append(angle, [-np.pi, np.pi]), SECTORS)[:-2]
    y = outward * points[wall, 1]
    faces = [np.percentile(y[sector == one], 98.0) for one in range(SECTORS) if np.count_nonzero(sector == one) >= 20]
    if len(faces) < 2:
        return float(outward * np.median(points[:, 1])), float(np.std(points[:, 1]))
    return float(outward * np.mean(faces)), float(np.std(faces, ddof=1) / np.sqrt(len(faces)))


def _free_radius(points, normals, at, radius):
    """Radius of the tread, away from the ground: median distance from the axle of what faces away from it; or None."""
    off = points - at
    reach = np.hypot(off[:, 0], off[:, 2])
    outward = (normals[:, 0] * off[:, 0] + normals[:, 2] * off[:, 2]) / np.maximum(reach, 1.0)
    tread = (outward > 0.95) & (reach > 0.9 * radius) & (points[:, 2] > 0.5 * radius)
    return float(np.median(reach[tread])) if np.count_nonzero(tread) >= 50 else None

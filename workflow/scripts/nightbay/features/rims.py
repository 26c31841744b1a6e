"""Where a flat face ends: the rim of a hole, the edge of a disc, a straight edge, from points that lie at random.

No point lies on a rim. Between it and the nearest point of a sector as wide as three spacings lies a gap, on average
the area of one point over the sector's width, which is taken off. Points in rows change it: measured on 60 holes each,
too much is taken off by 0.15 of the gap on a square grid and by 0.47 on a hexagonal one. So half of it is the limit of
what the rim is uncertain by all round.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core.errors import NotFound
from nightbay.fitting.circle import FlatCircle, flat_circle

SECTOR_SPACINGS = 3.0  # width of a sector or strip, in spacings of the points: three gaps are averaged in each
LEAST_SECTORS = 12  # of a circle: 30 degrees each
LEAST_RADIUS_SPACINGS = 2.0  # smaller holes are not told from a chance gap between points: they hold 12 points' area
ROUNDS = 8
NEAR_BEYOND = 2.0  # spacings past the rim in which a whole hole shows surface in every sector, besides the gap
OTHER_HOLE = 0.6  # another hole with that share of the radius makes the choice ambiguous
NEIGHBOURS = 8  # by which the area of a point is taken
BESIDE = (2.0, 8.0)  # spacings past the rim between which the points' area is taken


@dataclass(frozen=True)
class Rim:
    """Rim points (k, 2) of a face's plane, ``rows`` (k,) of the points they come from, and ``gap_sd_mm``, the standard
    uncertainty of where the face ends that all of them share."""

    points_mm: np.ndarray
    rows: np.ndarray
    gap_sd_mm: float


def areas_mm2(points_mm: np.ndarray) -> np.ndarray:
    """Area of the face that each of its points (n, 2) stands for, (n,): what its eighth neighbour shows."""
    k = min(NEIGHBOURS, len(points_mm) - 1)
    distance = cKDTree(points_mm).query(points_mm, k + 1)[0][:, -1]
    # the median of the area round a point up to its k-th neighbour, where points lie at random, is k - 1/3 points'
    return np.pi * distance**2 / (k - 1.0 / 3.0)


def hole(points_mm: np.ndarray, near_mm: np.ndarray, within_mm: float) -> Rim | NotFound:
    """The rim of the hole in a face of points (n, 2) whose middle lies within ``within_mm`` of ``near_mm`` (2,)."""
    areas = areas_mm2(points_mm)
    spacing = float(np.sqrt(np.median(areas)))
    candidates = _empty_discs(points_mm, near_mm, within_mm, spacing)
    found: list[tuple[FlatCircle, Rim]] = []
    for centre, radius in candidates:
        if any(np.linalg.norm(centre - other.centre_mm) < other.radius_mm for other, _ in found):
            continue
        rim = _round(points_mm, centre, radius, areas, inner=True)
        if not isinstance(rim, NotFound):
            found.append(rim)
    if not found:
        return NotFound(
            f"no hole of more than {2 * LEAST_RADIUS_SPACINGS * spacing:.0f} mm diameter, with the face scanned all "
            "round it, lies near the point"
        )
    best = max(found, key=lambda each: each[0].radius_mm)
    rivals = [each for each in found if each[0].radius_mm > OTHER_HOLE * best[0].radius_mm]
    if len(rivals) > 1:
        return NotFound(f"{len(rivals)} holes of similar size lie in the region: make it smaller")
    return best[1]


def disc(points_mm: np.ndarray) -> Rim | NotFound:
    """The outer edge of a round face of points (n, 2)."""
    areas = areas_mm2(points_mm)
    centre = (points_mm.min(axis=0) + points_mm.max(axis=0)) / 2
    radius = float(np.quantile(np.linalg.norm(points_mm - centre, axis=1), 0.95))
    found = _round(points_mm, centre, radius, areas, inner=False)
    return found if isinstance(found, NotFound) else found[1]


def _empty_discs(
    points_mm: np.ndarray, near_mm: np.ndarray, within_mm: float, spacing: float
) -> list[tuple[np.ndarray, float]]:
    """Middles (2,) and radii of places without points, the largest first, one for each hollow of the distance map."""
    steps = np.arange(-within_mm, within_mm + spacing, spacing)
    grid = near_mm + np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    grid = grid[np.linalg.norm(grid - near_mm, axis=1) <= within_mm]
    radius = cKDTree(points_mm).query(grid)[0]
    order = np.argsort(-radius, kind="stable")
    chosen: list[tuple[np.ndarray, float]] = []
    for row in order:
        if radius[row] < LEAST_RADIUS_SPACINGS * spacing or len(chosen) > 20:
            break
        if all(np.linalg.norm(grid[row] - centre) > size for centre, size in chosen):
            chosen.append((grid[row], float(radius[row])))
    return chosen


def _round(
    points_mm: np.ndarray, centre: np.ndarray, radius: float, areas: np.ndarray, inner: bool
) -> tuple[FlatCircle, Rim] | NotFound:
    """The circle and the rim about a first guess; with ``inner`` the face lies outside of it."""
    incomplete = NotFound("the face was not scanned all round its rim")
    spacing = float(np.sqrt(np.median(areas)))
    sectors = max(LEAST_SECTORS, int(2 * np.pi * radius / (SECTOR_SPACINGS * spacing)))
    found: tuple[FlatCircle, Rim] | None = None
    for _ in range(ROUNDS):
        off = points_mm - centre
        distance = np.linalg.norm(off, axis=1)
        sector = ((np.arctan2(off[:, 1], off[:, 0]) / (2 * np.pi) % 1.0) * sectors).astype(int) % sectors
        # the rim's points are looked for on the face's side of most of the hollow
        looked = distance > 0.5 * radius if inner else distance < 2.0 * radius
        rows = _extreme(np.where(looked, distance if inner else -distance, np.inf), sector, sectors)
        if rows is None:
            return incomplete
        # the sector between rim and nearest point has the area of one point, on average
        area = _area(areas, distance, radius, inner) * sectors / np.pi
        corrected = np.sqrt(np.maximum(distance[rows] ** 2 + (-area if inner else area), 0.0))
        gap = float(np.mean(np.abs(corrected - distance[rows])))
        rim_points = centre + off[rows] * (corrected / distance[rows])[:, None]
        circle = flat_circle(rim_points, gap)
        if isinstance(circle, NotFound):
            return circle
        beyond = circle.residuals_mm if inner else -circle.residuals_mm
        if beyond.max() > NEAR_BEYOND * spacing + 3.0 * gap or not 0.4 < circle.radius_mm / radius < 2.5:
            return incomplete
        moved = float(np.linalg.norm(circle.centre_mm - centre))
        centre, radius = circle.centre_mm, circle.radius_mm
        found = circle, Rim(rim_points, rows, gap / 2 / np.sqrt(3.0))
        if moved < 0.01 * spacing:
            break
    return found if found is not None else incomplete


def _extreme(value: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray | None:
    """Row of the least finite ``value`` (n,) in each group (groups,); None where a group has none."""
    order = np.lexsort((value, group))
    first = np.searchsorted(group[order], np.arange(groups))
    if first[-1] >= len(order):
        return None
    rows = order[first]
    return rows if np.array_equal(group[rows], np.arange(groups)) and np.isfinite(value[rows]).all() else None


def _area(areas: np.ndarray, distance: np.ndarray, radius: float, inner: bool) -> float:
    """Area of a point of the face beside a round rim, away from where neighbours are missing; mm2."""
    spacing = float(np.sqrt(np.median(areas)))
    beyond = (distance - radius) * (1.0 if inner else -1.0) / spacing
    ring = (beyond > BESIDE[0]) & (beyond < BESIDE[1])
    return float(np.median(areas[ring] if np.count_nonzero(ring) >= LEAST_SECTORS else areas))


def straight(points_mm: np.ndarray, near_mm: np.ndarray) -> Rim | NotFound:
    """The straight edge at which a face of points (n, 2) ends near ``near_mm`` (2,)."""
    spacing = float(np.sqrt(np.median(areas_mm2(points_mm))))
    out = near_mm - points_mm.mean(axis=0)
    if np.linalg.norm(out) < spacing:
        return NotFound("the face lies on all sides of the point: its edge must run through the region's middle")
    rim: Rim | None = None
    for _ in range(ROUNDS):
        out = out / np.linalg.norm(out)
        along = np.array([-out[1], out[0]])
        t, height = (points_mm - near_mm) @ along, (points_mm - near_mm) @ out
        low, high = np.quantile(t, [0.02, 0.98])
        strips = int((high - low) / (SECTOR_SPACINGS * spacing))
        if strips < LEAST_SECTORS // 2:
            return NotFound("too short a piece of the edge lies in the region: make it larger")
        strip = np.floor((t - low) / (high - low) * strips).astype(int)
        inside = (strip >= 0) & (strip < strips)
        rows = _extreme(-height[inside], strip[inside], strips)
        if rows is None:
            return NotFound("the face was not scanned all along its edge")
        rows = np.flatnonzero(inside)[rows]
        gap = spacing**2 / ((high - low) / strips)
        points = points_mm[rows] + gap * out
        off = points - points.mean(axis=0)
        direction = np.linalg.svd(off, full_matrices=False)[2][0]
        if np.abs(off @ np.array([-direction[1], direction[0]])).max() > NEAR_BEYOND * spacing + 3.0 * gap:
            return NotFound("the face does not end at a straight edge there")
        turned = np.array([-direction[1], direction[0]])
        turned = turned * np.sign(turned @ out)
        rim = Rim(points, rows, gap / 2 / np.sqrt(3.0))
        converged = float(np.linalg.norm(turned - out)) < 1e-4
        out = turned
        if converged:
            break
    return rim if rim is not None else NotFound("the face does not end there")

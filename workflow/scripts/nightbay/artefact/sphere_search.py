"""Spheres of about a known diameter among all that was scanned: table, stand, other things, strays."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import robust, thinning

Near = Callable[[np.ndarray, float], np.ndarray]
SAMPLES = 900  # points, about, that a whole sphere is thinned to before the search
# Share of the radius that votes and first points may lie off: normals of small patches are good to some degrees.
REACH = 0.15
LIMITS = (0.15, 0.08, 0.04, 0.02)  # of the robust fit, shares of the radius; the last at least some noise
LEAST_NOISES = 4.0
MOST_CANDIDATES = 40


@dataclass(frozen=True)
class Candidate:
    """A sphere that a robust fit found: ``centre_mm`` (3,), ``radius_mm``, the robust scatter ``sd_mm`` of its
    points."""

    centre_mm: np.ndarray
    radius_mm: float
    sd_mm: float


def spacing_mm(radius_mm: float) -> float:
    """Edge of the cubes that points are thinned in before the search."""
    return radius_mm * float(np.sqrt(4 * np.pi / SAMPLES))


def search(
    points_mm: np.ndarray,
    normals: np.ndarray,
    radius_mm: float,
    noise_mm: float,
    covered_least: float,
    near: Near,
) -> list[Candidate]:
    """The spheres of about ``radius_mm``, those with the most surface first.

    ``points_mm`` (n, 3), thinned, with their ``normals`` (n, 3); ``near(centre, radius)``: all points, (m, 3), up to a
    distance; ``noise_mm``: expected of a point. Each point votes for the two centres that it can have, one on either
    side, since sides of estimated normals may be wrong; votes of a sphere meet, those of a table, a stem or an edge
    lie spread.
    """
    least = 0.5 * covered_least * SAMPLES
    found: list[Candidate] = []
    for centre in _peaks(points_mm, normals, radius_mm, least):
        candidate = refined(near(centre, radius_mm * (1 + 2 * REACH)), centre, radius_mm, noise_mm)
        if candidate and not any(np.linalg.norm(candidate.centre_mm - other.centre_mm) < radius_mm for other in found):
            found.append(candidate)
    return found


def _peaks(points_mm: np.ndarray, normals: np.ndarray, radius_mm: float, least: float) -> Iterator[np.ndarray]:
    """Places, (3,), where at least so many votes lie within the reach, the fullest first."""
    votes = np.concatenate([points_mm - radius_mm * normals, points_mm + radius_mm * normals])
    reach = REACH * radius_mm
    cubes = np.floor(votes / reach).astype(np.int64)
    cubes -= cubes.min(axis=0)
    key = np.ravel_multi_index(tuple(cubes.T), tuple(cubes.max(axis=0) + 1))
    _, which, many = np.unique(key, return_inverse=True, return_counts=True)
    # a ball of the reach that holds `least` votes touches at most 27 cubes
    dense = votes[many[which] >= least / 27]
    if not len(dense):
        return
    left = np.ones(len(dense), bool)
    tree = cKDTree(dense)
    for _ in range(MOST_CANDIDATES):
        rows = np.flatnonzero(left)
        if not len(rows):
            return
        trial = rows[:: max(1, len(rows) // 4000)]
        counts = tree.query_ball_point(dense[trial], reach, return_length=True)
        counts = np.where(counts < least / 2, 0, counts)
        centre = dense[trial[int(np.argmax(counts))]]
        for _ in range(8):  # mean shift
            inside = tree.query_ball_point(centre, reach)
            if not inside:
                break
            centre = dense[inside].mean(axis=0)
        if len(inside) < least:
            return
        yield centre
        left[tree.query_ball_point(centre, 3 * reach)] = False


def refined(points_mm: np.ndarray, centre_mm: np.ndarray, radius_mm: float, noise_mm: float) -> Candidate | None:
    """A robust fit, radius free, from a first guess; None where it leaves the guess or finds no surface."""
    centre, radius = np.array(centre_mm, np.float64), radius_mm
    last_mm = max(LIMITS[-1] * radius_mm, LEAST_NOISES * noise_mm)
    sd_mm = 0.0
    for share in (*LIMITS, None, None, None):
        away = points_mm - centre
        length = np.linalg.norm(away, axis=1)
        residual = length - radius
        if share is None:
            close = np.abs(residual[np.abs(residual) < last_mm])
            if len(close) < 20:
                return None
            sd_mm = robust.MAD_TO_SD * float(np.median(close))
            limit = min(robust.TUKEY_SD * max(sd_mm, 1e-6), last_mm)
        else:
            limit = max(share * radius_mm, last_mm)
        used = (np.abs(residual) < limit) & (length > 0)
        if np.count_nonzero(used) < 20:
            return None
        rows = np.column_stack([-away[used] / length[used, None], -np.ones(np.count_nonzero(used))])
        step = robust.step(rows, residual[used], limit, np.zeros(len(rows), np.int64))
        centre, radius = centre + step.change[:3], radius + step.change[3]
        if abs(radius - radius_mm) > 2 * REACH * radius_mm:
            return None
    return Candidate(centre, float(radius), sd_mm)


def thinned(points_mm: np.ndarray, normals: np.ndarray, radius_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The points of a search with their normals, one in each cube."""
    rows = thinning.thin(points_mm, spacing_mm(radius_mm))
    return points_mm[rows], normals[rows]

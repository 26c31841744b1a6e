"""Planes of a part that was scanned from inside: floor, roof, walls, and what is flat between them."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import robust

CONE_DEG = 8.0  # normals within this of a direction are looked at together: pressed panels bend by less
FACING_DEG = 15.0  # a point of a plane has a normal within this of the plane's
TRIALS = 2500  # directions tried on the whole sphere, about 4 degrees apart
SAMPLE = 3000  # normals that are compared with every trial direction
BIN_MM = 10.0  # of the histogram of positions along a direction
BAND_MM = 15.0  # a panel's beads, ridges and mats lie within this of it
LIMITS_MM = (20.0, 10.0, 10.0)  # of the robust fit, before the limit follows the scatter of the points
LEAST_LIMIT_MM = 0.5  # five times a good scanner's noise
LEAST_MM2 = 60_000.0  # a square of 245 mm: the top of a wheel box is larger (common practice, no source)
LEAST_POINTS = 40
MOST_PLANES, MOST_TRIES = 30, 90
BLOCKS = 8  # strips of a plane that are left out in turn for the uncertainty


@dataclass(frozen=True)
class RoomPlane:
    """A plane ``normal . x = offset_mm`` in the control frame, ``normal`` (3,) unit into the room.

    ``rows`` of the view's points within :data:`BAND_MM` of it; ``centre_mm`` (3,) of those, in the plane; ``sd_mm`` of
    its position there and ``tilt_sd_rad``, standard uncertainties from the shape (jackknife); ``rms_mm`` of its points
    about it, ``range_mm`` that holds 95 % of them; ``area_mm2`` that was seen.
    """

    rows: np.ndarray
    normal: np.ndarray
    offset_mm: float
    centre_mm: np.ndarray
    sd_mm: float
    tilt_sd_rad: float
    rms_mm: float
    range_mm: float
    area_mm2: float

    def distance_mm(self, points_mm: np.ndarray) -> np.ndarray:
        """Signed distances, (n,), of points (n, 3); positive inside the room."""
        return points_mm @ self.normal - self.offset_mm


def find(points_mm: np.ndarray, normals: np.ndarray, spacing_mm: float) -> list[RoomPlane]:
    """The planes of a part, the largest first.

    ``points_mm`` (n, 3), thinned evenly to ``spacing_mm``, with unit ``normals`` (n, 3) into the room. A plane is the
    most frequent direction of the normals, the most frequent position along it, and a robust fit to that; its points are
    taken away before the next is looked for.
    """
    trials = _sphere()
    left = np.ones(len(points_mm), bool)
    found: list[RoomPlane] = []
    for _ in range(MOST_TRIES):
        rows = np.flatnonzero(left)
        if len(rows) < LEAST_POINTS or len(found) == MOST_PLANES:
            break
        seed = _densest(points_mm[rows], normals[rows], trials)
        plane = None if len(seed.near) < LEAST_POINTS else _plane(points_mm, normals, rows, seed, spacing_mm)
        if plane is not None and len(plane.rows):
            left[plane.rows] = False
        left[rows[seed.near]] = False
        if plane is not None and plane.area_mm2 >= LEAST_MM2:
            found.append(plane)
    return sorted(found, key=lambda plane: -plane.area_mm2)


@dataclass(frozen=True)
class _Seed:
    """Where a plane is looked for: ``direction`` (3,) unit, ``at_mm`` along it, and the rows ``near`` it."""

    direction: np.ndarray
    at_mm: float
    near: np.ndarray


def _sphere() -> np.ndarray:
    """Unit directions, (TRIALS, 3), evenly on the sphere along a spiral."""
    at = np.arange(TRIALS) + 0.5
    z, turn = 1.0 - 2.0 * at / TRIALS, np.pi * (1.0 + 5.0**0.5) * at
    return np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])


def _densest(points_mm: np.ndarray, normals: np.ndarray, trials: np.ndarray) -> _Seed:
    """The most frequent direction of the normals and the most frequent position along it."""
    cone = np.cos(np.radians(CONE_DEG))
    sample = normals[:: max(1, len(normals) // SAMPLE)]
    direction = trials[int(np.argmax((sample @ trials.T > cone).sum(axis=0)))]
    for _ in range(5):
        mine = normals @ direction > cone
        if not mine.any():
            break
        direction = normals[mine].sum(axis=0)
        direction /= np.linalg.norm(direction)
    facing = np.flatnonzero(normals @ direction > cone)
    if not len(facing):
        return _Seed(direction, 0.0, facing)
    height = points_mm[facing] @ direction
    bins = np.bincount(((height - height.min()) / BIN_MM).astype(np.int64))
    pairs = bins + np.append(bins[1:], 0)  # two bins, so that a plane on a bin's edge is whole
    at_mm = float(height.min() + (int(np.argmax(pairs)) + 1) * BIN_MM)
    return _Seed(direction, at_mm, facing[np.abs(height - at_mm) < 1.5 * BIN_MM])


def _plane(
    points_mm: np.ndarray, normals: np.ndarray, rows: np.ndarray, seed: _Seed, spacing_mm: float
) -> RoomPlane | None:
    """The plane near a seed among ``rows`` of the points; None where too few of them lie in it."""
    facing = rows[normals[rows] @ seed.direction > np.cos(np.radians(FACING_DEG))]
    near = facing[np.abs(points_mm[facing] @ seed.direction - seed.at_mm) < 2 * LIMITS_MM[0]]
    if len(near) < LEAST_POINTS:
        return None
    normal, offset_mm, sd_mm, tilt = fit(points_mm[near], seed.direction, points_mm[rows[seed.near]].mean(axis=0))
    away = points_mm[rows] @ normal - offset_mm
    mine = rows[(np.abs(away) < BAND_MM) & (normals[rows] @ normal > np.cos(np.radians(FACING_DEG)))]
    if len(mine) < LEAST_POINTS:
        return None
    away = points_mm[mine] @ normal - offset_mm
    centre = points_mm[mine].mean(axis=0)
    return RoomPlane(
        rows=mine,
        normal=normal,
        offset_mm=offset_mm,
        centre_mm=centre - (centre @ normal - offset_mm) * normal,
        sd_mm=sd_mm,
        tilt_sd_rad=tilt,
        rms_mm=float(np.sqrt(np.mean(away**2))),
        range_mm=float(np.diff(np.percentile(away, [2.5, 97.5]))[0]),
        area_mm2=seen_area_mm2(points_mm[mine], normal, spacing_mm),
    )


def fit(points_mm: np.ndarray, direction: np.ndarray, start_mm: np.ndarray) -> tuple[np.ndarray, float, float, float]:
    """Robust plane through points (n, 3) near a first guess: ``normal`` (3,), offset, and their standard uncertainties.

    The guess goes through ``start_mm`` (3,) at right angles to ``direction`` (3,). The limit of the biweight follows the
    scatter of the points at the end, so that ridges and fittings on a panel do not lift it.
    """
    first, second = across(direction)
    off = points_mm - start_mm
    rows = np.column_stack([np.ones(len(off)), off @ first, off @ second])
    height = off @ direction
    longer = off @ first if np.ptp(off @ first) > np.ptp(off @ second) else off @ second
    block = robust.blocks_along(longer, BLOCKS)
    solution = np.zeros(3)
    limits: list[float | None] = [*LIMITS_MM, None, None, None]
    for limit in limits:
        residual = rows @ solution - height
        if limit is None:
            near = np.abs(residual[np.abs(residual) < BAND_MM])
            scatter = robust.MAD_TO_SD * float(np.median(near)) if len(near) else BAND_MM
            limit = float(np.clip(robust.TUKEY_SD * scatter, LEAST_LIMIT_MM, BAND_MM))
        step = robust.step(rows, residual, limit, block)
        solution = solution + step.change
    normal = direction - solution[1] * first - solution[2] * second
    length = np.linalg.norm(normal)
    offset_mm = float((direction @ start_mm + solution[0] - solution[1] * (first @ start_mm)
                       - solution[2] * (second @ start_mm)) / length)  # fmt: skip
    tilt = float(np.sqrt(max(step.covariance[1, 1], step.covariance[2, 2])))
    # of the position at the middle of the points, not at the start of the fit
    middle = rows[step.weights > 0.0].mean(axis=0) if (step.weights > 0.0).any() else rows.mean(axis=0)
    known = np.isfinite(step.covariance).all()
    sd_mm = float(np.sqrt(max(middle @ step.covariance @ middle, 0.0))) if known else np.inf
    return normal / length, offset_mm, sd_mm, tilt


def across(direction: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two unit directions, (3,) each, at right angles to a ``direction`` (3,) and to each other."""
    first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first /= np.linalg.norm(first)
    return first, np.cross(direction, first)


def seen_area_mm2(points_mm: np.ndarray, normal: np.ndarray, spacing_mm: float) -> float:
    """Area, mm2, of the cells of a plane that hold points; cells of two spacings, so that few are missed by chance."""
    cell = 2.0 * spacing_mm
    flat = np.column_stack([points_mm @ axis for axis in across(normal)])
    return float(len(np.unique(np.floor(flat / cell).astype(np.int64), axis=0)) * cell**2)

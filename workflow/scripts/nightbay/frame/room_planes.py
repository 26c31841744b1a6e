"""Planes of a part that was scanned from inside: floor, roof, walls, and what is flat between them."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import plane_fit

CONE_DEG = 8.0  # normals within this of a direction are looked at together: pressed panels bend by less
FACING_DEG = 15.0  # a point of a plane has a normal within this of the plane's
TRIALS = 2500  # directions tried on the whole sphere, about 4 degrees apart
SAMPLE = 3000  # normals that are compared with every trial direction
BIN_MM = 10.0  # of the histogram of positions along a direction
BAND_MM = 15.0  # a panel's beads, ridges and mats lie within this of it
LIMITS_MM = (20.0, 10.0, 10.0, BAND_MM)  # of the robust fit, before the limit follows the scatter of the points
LEAST_MM2 = 60_000.0  # a square of 245 mm: the top of a wheel box is larger (common practice, no source)
LEAST_POINTS = 40
MOST_PLANES, MOST_TRIES = 30, 90


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
    most frequent direction of the normals, the most frequent position along it, and a robust fit to that; its points
    are taken away before the next is looked for.
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
    start_mm = points_mm[rows[seed.near]].mean(axis=0)
    normal, offset_mm, sd_mm, tilt = plane_fit.fit(points_mm[near], seed.direction, start_mm, LIMITS_MM)
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


def seen_area_mm2(points_mm: np.ndarray, normal: np.ndarray, spacing_mm: float) -> float:
    """Area, mm2, of the cells of a plane that hold points; cells of two spacings, so that few are missed by chance."""
    cell = 2.0 * spacing_mm
    flat = np.column_stack([points_mm @ axis for axis in plane_fit.across(normal)])
    return float(len(np.unique(np.floor(flat / cell).astype(np.int64), axis=0)) * cell**2)

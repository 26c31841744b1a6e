"""Least squares of one curved sheet, or of two parallel ones, from points' heights over a disc.

A sheet is h = f0 + f1 u + f2 v + f3 u2 + f4 u v + f5 v2; where there are two, f6 is the distance from the inner to the
outer one. Points are rows (u, v, h, ...) of an array ``uvh``.
"""

import numba
import numpy as np

TERMS = 6  # of one sheet; a second adds its distance as one more
RIGHT = 7  # row of the right side in a system
EQUATIONS, FACTORS = 0, 1  # the last axis of a system
DAMPING = 1e-9  # share of the number of points: keeps the equations of points in a line solvable

DEGREE = np.array([(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)])  # of u and v in the terms of a sheet's surface


@numba.njit(cache=True)
def moments(uvh: np.ndarray, system: np.ndarray) -> float:
    """Normal equations of h by 1, u, v, u2, uv, v2 into ``system`` (8, 7, 2), rows of the lower triangle and, last, the
    right side; in the last axis the equations and room for their factors. Returns the sum of h2."""
    power, right = np.zeros(15), np.zeros(TERMS)  # sums of u^i v^j, i + j = 0, 1 .. 4, by rising j
    squares = 0.0
    for at in range(len(uvh)):
        u, v, h = uvh[at, 0], uvh[at, 1], uvh[at, 2]
        uu, uv, vv = u * u, u * v, v * v
        power[1] += u
        power[2] += v
        power[3] += uu
        power[4] += uv
        power[5] += vv
        power[6] += uu * u
        power[7] += uu * v
        power[8] += u * vv
        power[9] += vv * v
        power[10] += uu * uu
        power[11] += uu * uv
        power[12] += uu * vv
        power[13] += uv * vv
        power[14] += vv * vv
        right[0] += h
        right[1] += h * u
        right[2] += h * v
        right[3] += h * uu
        right[4] += h * uv
        right[5] += h * vv
        squares += h * h
    power[0] = len(uvh)
    for a in range(TERMS):
        system[RIGHT, a, EQUATIONS] = right[a]
        for b in range(a + 1):
            degree = DEGREE[a, 0] + DEGREE[b, 0], DEGREE[a, 1] + DEGREE[b, 1]
            whole = degree[0] + degree[1]
            system[a, b, EQUATIONS] = power[whole * (whole + 1) // 2 + degree[1]]
    return squares


@numba.njit(cache=True)
def add_outer(uvh: np.ndarray, sheet: np.ndarray, system: np.ndarray) -> None:
    """Add the seventh term, 1 on the outer sheet, to the normal equations."""
    system[TERMS, :, EQUATIONS] = 0.0
    total = 0.0
    for at in range(len(uvh)):
        if sheet[at]:
            u, v = uvh[at, 0], uvh[at, 1]
            system[TERMS, 0, EQUATIONS] += 1.0
            system[TERMS, 1, EQUATIONS] += u
            system[TERMS, 2, EQUATIONS] += v
            system[TERMS, 3, EQUATIONS] += u * u
            system[TERMS, 4, EQUATIONS] += u * v
            system[TERMS, 5, EQUATIONS] += v * v
            total += uvh[at, 2]
    system[TERMS, TERMS, EQUATIONS] = system[TERMS, 0, EQUATIONS]
    system[RIGHT, TERMS, EQUATIONS] = total


@numba.njit(cache=True)
def fit_terms(system: np.ndarray, fit: np.ndarray, terms: int) -> float:
    """Least squares by the first ``terms`` of the normal equations, into ``fit``; returns how much of the sum of h2 it
    explains. Cholesky, with a trace of damping for points in a line."""
    damping, explained = DAMPING * system[0, 0, EQUATIONS], 0.0
    for a in range(terms):
        for b in range(a + 1):
            total = system[a, b, EQUATIONS] + (damping if a == b else 0.0)
            for c in range(b):
                total -= system[a, c, FACTORS] * system[b, c, FACTORS]
            system[a, b, FACTORS] = np.sqrt(max(total, 1e-12)) if a == b else total / system[b, b, FACTORS]
    for a in range(terms):
        total = system[RIGHT, a, EQUATIONS]
        for b in range(a):
            total -= system[a, b, FACTORS] * system[RIGHT, b, FACTORS]
        system[RIGHT, a, FACTORS] = total / system[a, a, FACTORS]
        explained += system[RIGHT, a, FACTORS] ** 2
    for a in range(terms - 1, -1, -1):
        total = system[RIGHT, a, FACTORS]
        for b in range(a + 1, terms):
            total -= system[b, a, FACTORS] * fit[b]
        fit[a] = total / system[a, a, FACTORS]
    return explained


@numba.njit(cache=True)
def residuals(uvh: np.ndarray, fit: np.ndarray, residual: np.ndarray) -> float:
    """Heights above the inner sheet into ``residual``; returns the sum of their squares."""
    squares = 0.0
    for at in range(len(uvh)):
        u, v = uvh[at, 0], uvh[at, 1]
        surface = fit[0] + fit[1] * u + fit[2] * v + fit[3] * u * u + fit[4] * u * v + fit[5] * v * v
        residual[at] = uvh[at, 2] - surface
        squares += residual[at] ** 2
    return squares

"""Least squares of one curved sheet, or of two parallel ones, from points' heights over a disc.

A sheet is h = f0 + f1 u + f2 v + f3 u2 + f4 u v + f5 v2; where there are two, f6 is the distance from the inner to the
outer one. Points are rows (u, v, h, ...) of an array ``uvh``.
"""

import numba
import numpy as np

DEGREE = np.array([(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)])  # of u and v in the terms of a sheet's surface


@numba.njit(cache=True)
def moments(uvh, system):
    """Normal equations of h by 1, u, v, u2, uv, v2 into ``system`` (8, 7, 2), rows of the lower triangle and, last, the
    right side; in the last axis the equations and room for their factors. Returns the sum of h2."""
    power, right = np.zeros(15), np.zeros(6)  # sums of u^i v^j, i + j = 0, 1 .. 4, by rising j
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
    for a in range(6):
        system[7, a, 0] = right[a]
        for b in range(a + 1):
            degree = DEGREE[a, 0] + DEGREE[b, 0], DEGREE[a, 1] + DEGREE[b, 1]
            whole = degree[0] + degree[1]
            system[a, b, 0] = power[whole * (whole + 1) // 2 + degree[1]]
    return squares


@numba.njit(cache=True)
def add_outer(uvh, sheet, system):
    """Add the seventh term, 1 on the outer sheet, to the normal equations."""
    system[6, :, 0] = 0.0
    total = 0.0
    for at in range(len(uvh)):
        if sheet[at]:
            u, v = uvh[at, 0], uvh[at, 1]
            system[6, 0, 0] += 1.0
            system[6, 1, 0] += u
            system[6, 2, 0] += v
            system[6, 3, 0] += u * u
            system[6, 4, 0] += u * v
            system[6, 5, 0] += v * v
            total += uvh[at, 2]
    system[6, 6, 0] = system[6, 0, 0]
    system[7, 6, 0] = total


@numba.njit(cache=True)
def fit_terms(system, fit, terms):
    """Least squares by the first ``terms`` of the normal equations, into ``fit``; returns how much of the sum of h2 it
    explains. Cholesky, with a trace of damping for points in a line."""
    damping, explained = 1e-9 * system[0, 0, 0], 0.0
    for a in range(terms):
        for b in range(a + 1):
            total = system[a, b, 0] + (damping if a == b else 0.0)
            for c in range(b):
                total -= system[a, c, 1] * system[b, c, 1]
            system[a, b, 1] = np.sqrt(max(total, 1e-12)) if a == b else total / system[b, b, 1]
    for a in range(terms):
        total = system[7, a, 0]
        for b in range(a):
            total -= system[a, b, 1] * system[7, b, 1]
        system[7, a, 1] = total / system[a, a, 1]
        explained += system[7, a, 1] ** 2
    for a in range(terms - 1, -1, -1):
        total = system[7, a, 1]
        for b in range(a + 1, terms):
            total -= system[b, a, 1] * fit[b]
        fit[a] = total / system[a, a, 1]
    return explained


@numba.njit(cache=True)
def residuals(uvh, fit, residual):
    """Heights above the inner sheet into ``residual``; returns the sum of their squares."""
    squares = 0.0
    for at in range(len(uvh)):
        u, v = uvh[at, 0], uvh[at, 1]
        surface = fit[0] + fit[1] * u + fit[2] * v + fit[3] * u * u + fit[4] * u * v + fit[5] * v * v
        residual[at] = uvh[at, 2] - surface
        squares += residual[at] ** 2
    return squares

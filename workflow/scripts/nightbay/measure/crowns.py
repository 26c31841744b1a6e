"""The end of a surface as the top of a second-order surface through its outermost layer, and how well that is known."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import robust

# Thickness of the layer and greatest scatter in it, in standard deviations of the noise. A surface from few points,
# such as dark trim, is up to three times noisier than its spread shows.
LAYER, SCATTER = 8.0, 4.0
THICKER = (1.0, 2.0, 4.0)  # times that thickness, where a thinner layer has too few vertices or no second-order shape
LEAST = 24  # vertices in it: four for each coefficient of a second-order surface
NEAREST = 6  # neighbours of a vertex in an even triangulation
TERMS = 6  # coefficients of a second-order surface
ITERATIONS = 10  # of the reweighted fits: common practice, no source
SINGULAR = 1e-6  # share of the largest singular value below which one is left out of a fit
LEAST_LIMIT_MM = 1e-3  # of the biweight: a layer without noise, as of a computed model, leaves residuals of rounding
# Vertices that share their points, and with them the noise: the stage fuse averages with the weight (1 - (r/R)^2)^2
# within R = 1.5 grid edges, which is worth an area of 5/9 pi R^2 (geometry).
SHARED = 5.0 / 9.0 * np.pi * 1.5**2


@dataclass(frozen=True)
class Crown:
    """The top of a layer: ``reach_mm``; standard uncertainty ``sd_mm`` of the fit there, from the scatter about it.

    ``shape_mm``: how far the top moves when the layer is twice as thick, since no end is exactly of second order, or
    what depends on whether the layer is curved at all;
    ``resolution_mm``: how much higher the surface may be between two vertices next to the top, where it may have an
    edge: the layer's slope over half the spacing of its vertices. Dark trim has holes: its vertices lie further apart
    than the grid is wide. Both are taken as limits.
    ``rows`` of the patch's vertices that define it.
    """

    reach_mm: float
    sd_mm: float
    shape_mm: float
    resolution_mm: float
    rows: np.ndarray


@dataclass(frozen=True)
class _Fit:
    """A robust second-order surface through a layer: its top, ``reach``; ``sd`` there; ``doubt``, how much the top
    would differ if it were half as sure that the layer is curved at all; rms ``slope`` of the layer; ``rows`` with a
    weight, and which of them is the ``top``."""

    reach: float
    sd: float
    doubt: float
    slope: float
    rows: np.ndarray
    top: int


def find(across: np.ndarray, along: np.ndarray, areas: np.ndarray, level: float, noise: float) -> Crown | None:
    """The crown of a patch; None where its outermost layer has too few vertices or scatters too much.

    ``across`` (n, 2), ``along`` (n,) and ``areas`` (n,) mm2 of the patch's vertices; ``level`` that the support
    reaches; ``noise``, standard deviation of a point. The layer lies about the level; where holes in the surface draw
    that down by more than the layer's thickness, about the :data:`LEAST`-th highest vertex.
    """
    if len(along) < LEAST:
        return None
    highest = float(np.partition(along, -LEAST)[-LEAST])
    for base in (level, highest) if highest > level else (level,):
        for times in THICKER:
            thickness = times * LAYER * noise
            found = _fit(across, along, base - thickness, noise)
            if found is not None:
                thicker = _fit(across, along, base - 2.0 * thickness, noise)
                spacing = _spacing(across[found.rows], areas[found.rows], found.top)
                return Crown(
                    found.reach,
                    found.sd,
                    found.doubt if thicker is None else max(found.doubt, abs(thicker.reach - found.reach)),
                    found.slope * spacing / 2.0,
                    found.rows,
                )
    return None


def _spacing(across: np.ndarray, areas: np.ndarray, top: int) -> float:
    """Distance of neighbouring vertices about the ``top`` of a layer, mm: with holes there, as if the nearest
    :data:`NEAREST` were spread evenly over the disc that holds them."""
    off = np.linalg.norm(across - across[top], axis=1)
    disc = np.pi * np.partition(off, NEAREST)[NEAREST] ** 2
    return float(np.sqrt(max(disc / NEAREST, np.median(areas))))


def second_order(terms: np.ndarray, heights: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Coefficients (k,) of a robust second-order surface or curve through ``heights`` (n,), with their weights (n,) and
    the scatter about it (standard deviation); ``terms`` (n, k): 1, u, v, u u, u v, v v, or of one coordinate alone."""
    weights = np.ones(len(heights))
    for _ in range(ITERATIONS):
        root = np.sqrt(weights)[:, None]
        fit = np.linalg.lstsq(terms * root, heights * root[:, 0], rcond=SINGULAR)[0]
        misfit = np.abs(heights - terms @ fit)
        scatter = robust.MAD_TO_SD * float(np.median(misfit))
        weights = robust.tukey(misfit, max(robust.TUKEY_SD * scatter, LEAST_LIMIT_MM))
    return fit, weights, scatter


def _fit(across: np.ndarray, along: np.ndarray, least: float, noise: float) -> _Fit | None:
    """The surface through the vertices above ``least``; None where they are too few or scatter too much."""
    layer = np.flatnonzero(along > least)
    if len(layer) < LEAST:
        return None
    off = across[layer] - across[layer].mean(axis=0)
    scale = max(float(np.abs(off).max()), 1e-9)
    base = float(along[layer].mean())
    u, v = (off / scale).T
    terms = np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])
    fit, weights, scatter = second_order(terms, along[layer] - base)
    used = weights > 0.0
    if scatter > SCATTER * noise or np.count_nonzero(used) < LEAST / 2:
        return None
    height = terms @ fit
    at = int(np.argmax(np.where(used, height, -np.inf)))
    slopes = np.array([fit[1] + 2.0 * fit[3] * u + fit[4] * v, fit[2] + fit[4] * u + 2.0 * fit[5] * v]) / scale
    normal = (terms * weights[:, None]).T @ terms
    leverage = float(terms[at] @ np.linalg.pinv(normal, rcond=SINGULAR**2) @ terms[at])
    left = float(weights @ (along[layer] - base - height) ** 2)
    total, count = float(weights.sum()), int(np.count_nonzero(used))
    variance = left / total * count / max(count - TERMS, 1)
    # On a flat face the top of a fit is the largest of many values that err. So it counts by the share of the heights'
    # spread that the fit explains beyond chance (shrinkage of James and Stein, positive part), the rest is their mean.
    mean = float(weights @ (along[layer] - base) / total)
    explained = float(weights @ (along[layer] - base - mean) ** 2) - left
    by_chance = (TERMS - 1) * SHARED * variance
    share = max(0.0, 1.0 - by_chance / explained) if explained > 0.0 else 0.0
    rise = float(height[at]) - mean
    sd = share * np.sqrt(max(leverage, 0.0)) + (1.0 - share) / np.sqrt(total)
    return _Fit(
        min(base + mean + share * rise, float(along.max())),
        float(np.sqrt(variance * SHARED) * sd),
        2.0 * share * (1.0 - share) * rise,
        share * float(np.sqrt(np.mean((slopes[:, used] ** 2).sum(axis=0)))),
        layer[used],
        int(np.count_nonzero(used[:at])),
    )

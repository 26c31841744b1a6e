"""Gains of exposure and white balance that make the colours of segments agree, from their overlaps.

A gain multiplies the linear light of one channel of one segment. In logarithms, what two segments differ by is the
difference of their unknowns, and all overlaps together give one linear adjustment. Only ratios are observable: the
datum (gauge) is that the geometric mean of the gains of segments that overlaps connect is 1 in each channel.

The scanner's lamp lights what is near and faces it more than the rest, in all channels alike. Exports don't hold where
the scanner stood, so a gradient of the brightness over a segment stands for that: the logarithm of the gain is linear
in the position, within the overlaps, and constant beyond.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from nightbay.core import colour, robust
from nightbay.fuse.colour_patches import Overlap

LEAST_PATCHES = 30  # of an overlap: a fit to fewer follows single patches
LEAST_BLOCKS = 6  # with patches: a jackknife of fewer says little
BLOCKS = 6  # along the longest side of an overlap; patches in a block share their shading and are one piece of evidence
MOST_SD = 0.1  # of the logarithm: a ratio that is not known to a tenth changes a colour as much as it may mend it
LEAST_SCATTER = 0.005  # of a log ratio, a step of one byte in the upper range: scatter of patches without noise
# Standard deviation, 1 / m, to which a gradient is held at 0 where overlaps hardly tell it: light falls with the square
# of the distance, by 2 / distance, and by half of that where the other segment's falls as well.
GRADIENT_SD = 1.0
TRIMMED = 1.0  # percent of the patches at either end that the range of a gradient leaves out
FLAT = 0.05  # share of the largest extent, below which a gradient across it is not sought
ROUNDS = 20
SETTLED = 1e-6  # of the logarithm, far below a byte's step
METRE = 1000.0


class Ratio(NamedTuple):
    """What the nodes ``a`` and ``b`` differ by: ``log`` (p,) of the light of a over b in each channel, and three more
    values with gradients, 1 / m; ``weight`` (p, p): inverse of its covariance, singular where a gradient is not seen.
    """

    a: int
    b: int
    log: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True)
class Gains:
    """Gains of n segments.

    ``log`` (n, 3) and ``sd`` (n, 3): logarithms at ``centre_mm`` (3,), and their standard uncertainties; ``gradient``
    (n, 3): their change along each axis of the vehicle frame, 1 / m, within ``low_mm`` and ``high_mm`` (n, 3) each;
    ``group`` (n,): number of the connected segments that each belongs to.
    """

    log: np.ndarray
    sd: np.ndarray
    gradient: np.ndarray
    centre_mm: np.ndarray
    low_mm: np.ndarray
    high_mm: np.ndarray
    group: np.ndarray

    def shading(self, number: int, xyz_mm: np.ndarray) -> np.ndarray:
        """Factor, (m,), by which a segment's gains differ at positions ``xyz_mm`` (m, 3), vehicle frame, from those at
        the centre."""
        within = np.clip(xyz_mm, self.low_mm[number], self.high_mm[number]) - self.centre_mm
        return np.exp(within @ self.gradient[number] / METRE)

    def lights(self, overlap: Overlap) -> tuple[np.ndarray, np.ndarray]:
        """Light of both segments of an overlap after the gains, (m, 3) each; the luminance three times where one of
        them is grey."""
        found = []
        for number, light in ((overlap.a, overlap.light_a), (overlap.b, overlap.light_b)):
            after = light * np.exp(self.log[number]) * self.shading(number, overlap.centre_mm)[:, None]
            found.append(np.repeat(colour.luminance_of(after)[:, None], 3, axis=1) if overlap.grey else after)
        return found[0], found[1]


def unchanged(overlaps: list[Overlap], count: int) -> Gains:
    """Gains of 1 of ``count`` segments, with the centre and the ranges of these overlaps."""
    everything = np.concatenate([overlap.centre_mm for overlap in overlaps] or [np.zeros((1, 3))])
    centre = everything.mean(axis=0) if len(everything) else np.zeros(3)
    low, high = np.tile(centre, (count, 1)), np.tile(centre, (count, 1))
    for number in range(count):
        own = [overlap.centre_mm for overlap in overlaps if number in (overlap.a, overlap.b) and len(overlap)]
        if own:
            low[number], high[number] = np.percentile(np.concatenate(own), [TRIMMED, 100 - TRIMMED], axis=0)
    zero = np.zeros((count, 3))
    return Gains(zero, zero, zero, centre, low, high, np.arange(count))


def blocks_of(overlap: Overlap) -> np.ndarray:
    """Number of the cubic block that each patch of an overlap lies in, (m,) int from 0, ascending in space."""
    if not len(overlap):
        return np.empty(0, np.int64)
    low = overlap.centre_mm.min(axis=0)
    edge = max(float(np.ptp(overlap.centre_mm, axis=0).max()) / BLOCKS, 1e-9)
    cell = np.minimum(((overlap.centre_mm - low) / edge).astype(np.int64), BLOCKS - 1)
    return np.unique(cell @ [BLOCKS**2, BLOCKS, 1], return_inverse=True)[1]


def ratio_of(overlap: Overlap, rows: np.ndarray, gains: Gains, gradients: bool) -> Ratio | None:
    """The :class:`Ratio` that is left in an overlap after ``gains``, from its patches ``rows``, (m,) bool.

    It is an M-estimate with Tukey's biweight, which begins at the median: patches where something was moved between the
    runs lie apart and do not count. Its covariance is a jackknife's over blocks of space. None where the patches are
    too few to tell, or their ratio is not known to :data:`MOST_SD`.
    """
    blocks = blocks_of(overlap)[rows]
    if len(blocks) < LEAST_PATCHES or len(np.unique(blocks)) < LEAST_BLOCKS:
        return None
    light_a, light_b = gains.lights(overlap)
    channels = 1 if overlap.grey else 3
    ratios = np.log(light_a[rows] / light_b[rows])[:, :channels]
    position = (overlap.centre_mm[rows] - gains.centre_mm) / METRE
    middle, axes = position.mean(axis=0), _axes_of(position) if gradients else np.empty((3, 0))
    along = position @ axes
    design = np.column_stack([np.tile(np.eye(channels), (len(ratios), 1)), np.repeat(along, channels, axis=0)])
    fitted, covariance = _fit(design, ratios.ravel(), np.repeat(blocks, channels), channels)
    at_middle = np.column_stack([np.eye(channels), np.tile(middle @ axes, (channels, 1))])
    if not (np.sqrt(np.einsum("ij,jk,ik->i", at_middle, covariance, at_middle)) <= MOST_SD).all():
        return None
    weight = np.linalg.pinv(covariance, hermitian=True)
    if not gradients:
        return Ratio(overlap.a, overlap.b, fitted, weight)
    # what was fitted, from the unknowns: a gradient across the plane of flat patches is part of their level
    across = np.tile(middle - axes @ (axes.T @ middle), (channels, 1))
    seen = np.block([[np.eye(channels), across], [np.zeros((axes.shape[1], channels)), axes.T]])
    log = np.concatenate([fitted[:channels], axes @ fitted[channels:]])
    return Ratio(overlap.a, overlap.b, log, seen.T @ weight @ seen)


def _axes_of(position: np.ndarray) -> np.ndarray:
    """Directions, (3, k), in which positions (m, 3) extend, without those in which they are flat."""
    values, vectors = np.linalg.eigh(np.cov(position.T))
    return vectors[:, values > FLAT**2 * values[-1]]


def _fit(design: np.ndarray, values: np.ndarray, blocks: np.ndarray, channels: int) -> tuple[np.ndarray, np.ndarray]:
    """Robust fit of ``values``, (m,), by the columns of ``design``, (m, p): (p,) and its covariance."""
    fitted, covariance = np.zeros(design.shape[1]), np.full((design.shape[1],) * 2, np.inf)
    fitted[:channels] = [np.median(values[channel::channels]) for channel in range(channels)]
    for _ in range(ROUNDS):
        residuals = design @ fitted - values
        scatter = robust.MAD_TO_SD * float(np.median(np.abs(residuals)))
        step = robust.step(design, residuals, robust.TUKEY_SD * max(scatter, LEAST_SCATTER), blocks)
        fitted, covariance = fitted + step.change, step.covariance
        if np.abs(step.change).max() < SETTLED:
            break
    floor = np.zeros_like(covariance)
    floor[range(channels), range(channels)] = LEAST_SCATTER**2 * channels / len(values)
    return fitted, covariance + floor


def adjust(
    ratios: list[Ratio], count: int, channels: int, gradients: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Least-squares adjustment of ``count`` nodes from the ratios between them.

    Returns the unknowns (n, channels, or 3 more with gradients), their standard deviations, and the group of connected
    nodes that each belongs to, (n,). The sum of each unknown over a group is 0. Where overlaps close loops that
    contradict each other by more than their covariances, all standard deviations grow by that factor.
    """
    ends = np.array([(ratio.a, ratio.b) for ratio in ratios], np.int64).reshape(-1, 2)
    graph = coo_matrix((np.ones(len(ends)), ends.T), (count, count))
    groups, group = connected_components(graph, directed=False)
    size = channels + 3 * gradients
    held = np.zeros(size)
    held[channels:] = GRADIENT_SD**-2
    normal, right = np.diag(np.tile(held, count)), np.zeros(count * size)
    for ratio in ratios:
        incidence = np.zeros((size, count * size))
        incidence[:, ratio.a * size : (ratio.a + 1) * size] = np.eye(size)
        incidence[:, ratio.b * size : (ratio.b + 1) * size] = -np.eye(size)
        normal += incidence.T @ ratio.weight @ incidence
        right -= incidence.T @ ratio.weight @ ratio.log
    # the normal matrix lacks one rank for each channel of a group; its pseudo-inverse gives the solution of mean 0
    cofactor = np.linalg.pinv(normal, hermitian=True)
    unknowns = (cofactor @ right).reshape(count, size)
    misfit = 0.0
    for ratio in ratios:
        off = unknowns[ratio.a] - unknowns[ratio.b] + ratio.log
        misfit += float(off @ ratio.weight @ off)
    redundancy = size * (len(ratios) - (count - groups))
    factor = max(misfit / redundancy, 1.0) if redundancy else 1.0
    sd = np.sqrt(factor * np.maximum(np.diag(cofactor), 0.0)).reshape(count, size)
    return unknowns, sd, group


def gains_of(overlaps: list[Overlap], rows: list[np.ndarray], grey: np.ndarray, gradients: bool) -> Gains:
    """The gains of all segments from the patches ``rows``, (m,) bool, of each overlap.

    ``grey`` (n,) bool: segments without hues have no white balance; all three channels have one gain. They are fitted
    in luminance, after the coloured ones, which they can also connect with each other.
    """
    count = len(grey)
    start = unchanged(overlaps, count)
    pairs = list(zip(overlaps, rows, strict=True))
    hued = [ratio_of(overlap, chosen, start, gradients) for overlap, chosen in pairs if not overlap.grey]
    found, sd, group = adjust([ratio for ratio in hued if ratio is not None], count, 3, gradients)
    gradient = found[:, 3:] if gradients else start.gradient
    first = Gains(found[:, :3], sd[:, :3], gradient, start.centre_mm, start.low_mm, start.high_mm, group)
    if not grey.any():
        return first
    shades = [ratio_of(overlap, chosen, first, gradients) for overlap, chosen in pairs if overlap.grey]
    between = [
        Ratio(int(group[ratio.a]), int(group[ratio.b]), ratio.log, ratio.weight)
        for ratio in shades
        if ratio is not None
    ]
    found, sd, regroup = adjust(between, int(group.max()) + 1, 1, gradients)
    log, log_sd = first.log + found[group][:, :1], np.hypot(first.sd, sd[group][:, :1])
    gradient = first.gradient + (found[group][:, 1:] if gradients else 0.0)
    regroup = regroup[group]
    for number in np.unique(regroup):
        log[regroup == number] -= log[regroup == number].mean(axis=0)
    return Gains(log, log_sd, gradient, start.centre_mm, start.low_mm, start.high_mm, regroup)

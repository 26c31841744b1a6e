"""Whether poses by surfaces scatter more than their covariance says when parts of the overlap are left out.

The model of errors knows noise and drift. Shapes that discs of points follow badly, such as thin edges and sharp
creases, err together over a region; only the region's absence shows it. So the overlap is divided into blocks, each is
left out once, and the scatter of the poses (the delete-a-group jackknife: B. Efron, "The Jackknife, the Bootstrap and
Other Resampling Plans", SIAM 1982) is compared with the covariance. Blocks of neighbours fix different directions, so
this widens on the careful side: independent errors by a factor of about two.
"""

import numpy as np

from nightbay.refine import overlap_adjustment
from nightbay.refine.overlap_adjustment import NormalEquations, Solution
from nightbay.refine.overlap_patches import Patches

HALVINGS = 3  # along the long, middle and short axis: eight blocks
LEAST_PATCHES = 24  # of an overlap: with fewer, a block holds too little to be left out


def widening(
    patches: Patches, targets: NormalEquations, free: np.ndarray, solution: Solution, covariance: np.ndarray
) -> np.ndarray:
    """Factor (s,), at least 1, by which the poses' variances are larger than the ``covariance`` (6 s, 6 s) about the
    patches' centre, for each segment that is ``free`` (s,) bool to move."""
    factor = np.ones(len(free))
    if len(patches.pair) < LEAST_PATCHES:
        return factor
    block = _blocks(patches.at_mm)
    motions = np.array([
        overlap_adjustment.solve(
            overlap_adjustment.overlap_equations(patches, len(free), block != left_out),
            targets,
            free,
            solution.overlap_weight,
        ).motions
        for left_out in np.unique(block)
    ])  # fmt: skip
    groups = len(motions)
    scatter = motions - motions.mean(axis=0)
    for segment in np.flatnonzero(free):
        own = slice(6 * segment, 6 * segment + 6)
        jackknife = (groups - 1) / groups * scatter[:, segment].T @ scatter[:, segment]
        scale = np.sqrt(np.diag(covariance[own, own]))
        if np.all(scale > 0):
            model = covariance[own, own] / scale[:, None] / scale[None]
            ratio = np.linalg.lstsq(model, jackknife / scale[:, None] / scale[None], rcond=1e-9)[0]
            factor[segment] = max(1.0, float(np.trace(ratio)) / 6)
    return factor


def _blocks(at_mm: np.ndarray) -> np.ndarray:
    """Number (k,) of the block of each patch: halves of equal counts along each principal axis in turn."""
    centred = at_mm - at_mm.mean(axis=0)
    axes = np.linalg.svd(centred, full_matrices=False)[2]
    block = np.zeros(len(at_mm), int)
    for axis in axes[:HALVINGS]:
        along = centred @ axis
        upper = np.zeros(len(at_mm), int)
        for each in np.unique(block):
            mine = np.flatnonzero(block == each)
            upper[mine[np.argsort(along[mine], kind="stable")[len(mine) // 2 :]]] = 1
        block = 2 * block + upper
    return block

"""Discrepancies between overlapping segments: distances along the normal, positive where the second lies outside."""

import numpy as np

from nightbay.refine import overlap_adjustment as adjust
from nightbay.refine import patches as patching
from nightbay.refine.result import Discrepancy, DistanceSummary


def table(names, pairs, patches, start, final, withheld):
    """One entry a pair, at poses ``start`` and ``final``; ``withheld`` (k, s, 6) motions by fits without each patch."""
    before, after = patches.mean_mm, adjust.mean_after(patches, withheld)
    rows = []
    for number, pair in enumerate(pairs):
        mine = patches.pair == number
        rows.append(
            Discrepancy(
                segments=[names[pair.a], names[pair.b]],
                overlap_share=pair.discs.share,
                patches=int(mine.sum()),
                before=summary(pair, start, int(mine.sum())),
                after=summary(pair, final, int(mine.sum())),
                withheld_rms_before_mm=float(np.sqrt(np.mean(before[mine] ** 2))),
                withheld_rms_after_mm=float(np.sqrt(np.mean(after[mine] ** 2))),
            )
        )
    return rows


def summary(pair, poses, patches):
    """Median with its standard error, robust standard deviation and rms of a pair's distances, mm, and their number.

    The error of the median counts patches and not points, whose errors are alike inside a patch. ``outlier_share`` is
    the share of distances beyond Tukey's bound, which the rms leaves out.
    """
    d_mm, _, _ = patching.distances(pair, poses)
    weights, sd_mm = patching.robust_weights(d_mm, float(np.median(pair.discs.sd_mm)))
    inside = weights > 0
    return DistanceSummary(
        count=len(d_mm),
        median_mm=float(np.median(d_mm)),
        median_se_mm=float(1.2533 * sd_mm / np.sqrt(max(patches, 1))),  # sqrt(pi / 2): a normal sample's median
        robust_sd_mm=sd_mm,
        rms_mm=float(np.sqrt(np.mean(d_mm[inside] ** 2))),
        outlier_share=float(1 - inside.mean()),
    )

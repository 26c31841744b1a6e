"""Discrepancies between overlapping segments: distances along the normal, positive where the second lies outside."""

from collections.abc import Sequence

import numpy as np

from nightbay.refine import overlap_adjustment, overlap_patches
from nightbay.refine.overlap import Pair
from nightbay.refine.part import Part
from nightbay.refine.pose_selection import Evidence, Selection
from nightbay.refine.result import Discrepancy, DistanceSummary

MEDIAN_TO_MEAN_SE = 1.2533  # standard error of a normal sample's median to that of its mean: sqrt(pi / 2)


def discrepancies(
    part: Part, pairs: Sequence[Pair], evidence: Evidence, selection: Selection, final: Sequence[np.ndarray]
) -> list[Discrepancy]:
    """One :class:`Discrepancy` for each pair, in the part's start poses and in the ``final`` ones, (4, 4) each."""
    names, patches = part.names, evidence.patches
    before, after = patches.mean_mm, overlap_adjustment.mean_after(patches, selection.withheld)
    rows = []
    for number, pair in enumerate(pairs):
        mine = patches.pair == number
        rows.append(
            Discrepancy(
                segments=[names[pair.a], names[pair.b]],
                overlap_share=pair.discs.share,
                patches=int(mine.sum()),
                before=summary(pair, part.start, int(mine.sum())),
                after=summary(pair, final, int(mine.sum())),
                withheld_rms_before_mm=float(np.sqrt(np.mean(before[mine] ** 2))),
                withheld_rms_after_mm=float(np.sqrt(np.mean(after[mine] ** 2))),
            )
        )
    return rows


def summary(pair: Pair, poses: Sequence[np.ndarray], patches: int) -> DistanceSummary:
    """Median with its standard error, robust standard deviation and rms of a pair's distances, mm, and their number.

    The error of the median counts patches and not points, whose errors are alike inside a patch. ``outlier_share`` is
    the share of distances beyond Tukey's bound, which the rms leaves out.
    """
    d_mm, _, _ = overlap_patches.distances(pair, poses)
    weights, sd_mm = overlap_patches.robust_weights(d_mm, float(np.median(pair.discs.sd_mm)))
    inside = weights > 0
    return DistanceSummary(
        count=len(d_mm),
        median_mm=float(np.median(d_mm)),
        median_se_mm=float(MEDIAN_TO_MEAN_SE * sd_mm / np.sqrt(max(patches, 1))),
        robust_sd_mm=sd_mm,
        rms_mm=float(np.sqrt(np.mean(d_mm[inside] ** 2))),
        outlier_share=float(1 - inside.mean()),
    )

"""Whether the poses of pairs close: three segments and more that overlap in a ring must lead back to where they began.

The poses of pairs are found independently of each other, so a wrong one seldom agrees with the others.
"""

from collections.abc import Mapping

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.coarse_match import SearchedSegment
from nightbay.refine.segment_size import cells_mm

CLOSES = (
    3.0  # coarse cells: rms distance of a segment's cells by which a ring may stay open, one for each of three pairs
)


def check(
    fits: Mapping[tuple[str, str], Fit], poses: Mapping[str, np.ndarray], segments: Mapping[str, SearchedSegment]
) -> None:
    """Compare each pair's own pose with what the chains of other pairs make of it.

    ``fits`` {(a, b): trusted fit, ``T_a_b``}; ``poses`` {segment: ``T_control_segment`` along the chains}. Raises
    ``Unplaced`` for the segment with most pairs that do not close, of several for the last by name.
    """
    reasons: dict[str, list[str]] = {}
    for (a, b), fit in fits.items():
        chained = rigid.invert(poses[a]) @ poses[b]
        coarse_mm, *_ = cells_mm(
            (segments[a].width_mm, segments[b].width_mm), max(segments[a].spacing_mm, segments[b].spacing_mm)
        )
        xyz_mm = segments[b].thinned(coarse_mm).xyz_mm
        apart = rigid.transform(chained, xyz_mm) - rigid.transform(fit.T_a_b, xyz_mm)
        open_mm = float(np.sqrt(np.mean(np.sum(apart**2, axis=1))))
        if open_mm > CLOSES * coarse_mm:
            sentence = (
                f"segments {a} and {b} fit each other {open_mm:.0f} mm from where the other segments put them, at most "
                f"{CLOSES * coarse_mm:.0f} mm is allowed: one of these poses is wrong; put targets or "
                "something unmistakable into their overlaps"
            )
            for name in (a, b):
                reasons.setdefault(name, []).append(sentence)
    if reasons:
        worst = max(reasons, key=lambda name: (len(reasons[name]), name))
        raise Unplaced({worst: reasons[worst][0]})

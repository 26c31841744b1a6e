"""Finds out whether a part of the map that a list was matched to recurs elsewhere in the map, and what that means.

Where a layout repeats itself (a grid, a left side like the right), targets missing from the map decide by accident
which of the positions explains more of a list, and the numbers of explained targets prove nothing. The map is therefore
matched to itself: the share of the neighbourhood that recurs elsewhere rates a target that fits here and not there.
"""

import numpy as np

from nightbay.core import rigid
from nightbay.matching import pairing, pose_search
from nightbay.matching.pairing import Candidate, Lists

TRIPLES = 200  # a position that shares 40 % of the neighbourhood escapes once in 400 000
WIDER = 1.5  # radius of the neighbourhood in units of that of the matched targets, and
FEWEST = 12  # at least so many targets
FALSE_MAX = 0.05  # expected false matches: above, what recurs is no structure of the layout
LOG_ODDS_MIN = np.log(1e6)  # log odds that one position needs over the other
# Probabilities are kept off 0 and 1, which one spurious entry would make certain (common practice, no source).
HIT_MAX = 0.95
SHARE_RANGE = (0.02, 0.98)


def rival_support(lists: Lists, best: Candidate) -> int:
    """Support of the most dangerous other position, or 0 when none is plausible beside the pose ``best``."""
    a, rows = lists.a, _neighbourhood(lists.a, best.partner[best.partner >= 0])
    centroid = a.xyz[rows].mean(axis=0)
    normal = a.normal[rows] if len(a.normal) else None
    itself = Lists(a, lists.tree, a.xyz[rows] - centroid, normal, lists.tolerance)
    poses, congruent = pairing.search(itself, pose_search.triples(itself.b, TRIPLES)[0])
    found: list[Candidate] = []
    largest = 0
    for number in np.argsort(-poses.support, kind="stable"):
        candidate = pairing.refine(itself, poses.R[number], poses.t[number])
        if candidate is None or candidate.count < pairing.LEAST or not pairing.is_new(candidate, found, itself.b):
            continue
        found.append(candidate)
        apart = np.linalg.norm(rigid.transform(candidate.T_a_b, itself.b) - a.xyz[rows], axis=1)
        if apart.max() < pairing.DISTINCT_MM:
            continue  # the neighbourhood itself
        if pairing.expected_false_matches(candidate.count, itself, congruent) > FALSE_MAX:
            continue
        elsewhere = candidate.T_a_b @ rigid.pose(translation_mm=-centroid) @ best.T_a_b
        largest = max(largest, _support_against(lists, best, elsewhere, candidate.count / len(rows)))
    return largest


def _neighbourhood(a: pose_search.Index, matched: np.ndarray) -> np.ndarray:
    """Rows of the map around the matched ones."""
    centroid = a.xyz[matched].mean(axis=0)
    distance = np.linalg.norm(a.xyz - centroid, axis=1)
    radius = max(WIDER * distance[matched].max(), np.sort(distance)[min(FEWEST, len(distance)) - 1])
    return np.flatnonzero(distance <= radius)


def _support_against(lists: Lists, best: Candidate, T_elsewhere: np.ndarray, share: float) -> int:
    """Support of the pose ``T_elsewhere`` when the odds for ``best`` are not overwhelming, else 0.

    A target of the list meets one of the map with the probability q at the right position, with the probability
    ``share`` at the other. Each that fits at one position only changes the odds by q (1 - share) / ((1 - q) share).
    """
    here = best.partner >= 0
    elsewhere = pairing.partners(lists, T_elsewhere, 1.0) >= 0
    q = min(here.mean(), HIT_MAX)
    share = min(max(share, SHARE_RANGE[0]), SHARE_RANGE[1])
    log_odds = np.log(q * (1 - share) / ((1 - q) * share))
    lead = int((here & ~elsewhere).sum()) - int((elsewhere & ~here).sum())
    return 0 if lead * log_odds > LOG_ODDS_MIN else max(int(elsewhere.sum()), 1)

"""Finds out whether the place where a list was matched looks like another place of the map, and what that means.

Where a layout repeats itself (a grid, a left side like the right), targets missing from the map decide by accident
which of the places explains more of a list, so that counting proves nothing. The map is therefore matched to itself:
how much of the neighbourhood recurs elsewhere says how much a target is worth that fits here and not there.
"""

import numpy as np

from nightbay.core import rigid
from nightbay.matching import pairing, pose_search

TRIPLES = 200  # a place that shares 40 % of the neighbourhood escapes once in 400 000
WIDER = 1.5  # neighbourhood: this times the reach of the matched targets, and
FEWEST = 12  # at least so many targets
CHANCE_MAX = 0.05  # more likely than this, what recurs is no structure of the layout
SURE = np.log(1e6)  # odds that one place has to have over the other


def doubt(lists, best):
    """Support of the most dangerous other place, or 0 when none speaks against the pose ``best``.

    ``lists``: :class:`Lists`; ``best``: the :class:`Candidate` to be judged.
    """
    a, rows = lists.a, _neighbourhood(lists.a, best.partner[best.partner >= 0])
    middle = a.xyz[rows].mean(axis=0)
    normal = a.normal[rows] if len(a.normal) else None
    itself = pairing.Lists(a, lists.tree, a.xyz[rows] - middle, normal, lists.tolerance)
    triples = pose_search.triples(itself.b, TRIPLES)[0]
    searched = pairing.search(itself, triples)
    found, worst = [], 0
    for at in np.argsort(-searched.count, kind="stable"):
        one = pairing.refine(itself, searched.R[at], searched.t[at])
        if one is None or one.count < pairing.LEAST or any(pairing.agree(one, other, itself.b) for other in found):
            continue
        found.append(one)
        stays = np.linalg.norm(rigid.transform(one.T, itself.b) - a.xyz[rows], axis=1).max() < pairing.DISTINCT_MM
        if stays or pairing.chance(one.count, itself, searched.congruent) > CHANCE_MAX:
            continue
        there = one.T @ rigid.pose(translation_mm=-middle) @ best.T
        worst = max(worst, _against(lists, best, there, one.count / len(rows)))
    return worst


def _neighbourhood(a, matched):
    """Rows of the map round the matched ones."""
    middle = a.xyz[matched].mean(axis=0)
    distance = np.linalg.norm(a.xyz - middle, axis=1)
    reach = max(WIDER * distance[matched].max(), np.sort(distance)[min(FEWEST, len(distance)) - 1])
    return np.flatnonzero(distance <= reach)


def _against(lists, best, there, share):
    """Support of the place ``there`` when the odds for ``best`` are not overwhelming, else 0.

    A target of the list meets one of the map with the chance q at the right place, with the chance ``share`` at the
    other; each that fits in one place only changes the odds by q (1 - share) / ((1 - q) share).
    """
    here = best.partner >= 0
    elsewhere = pairing.partners(lists, there, 1.0) >= 0
    q = min(here.mean(), 0.95)
    share = min(max(share, 0.02), 0.98)
    odds = np.log(q * (1 - share) / ((1 - q) * share))
    lead = int((here & ~elsewhere).sum()) - int((elsewhere & ~here).sum())
    return 0 if lead * odds > SURE else max(int(elsewhere.sum()), 1)

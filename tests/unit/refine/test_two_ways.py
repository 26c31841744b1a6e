"""Pairs that fit in several ways: what they say of the poses that other pairs gave."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine import coarse_fit, loop_closure, two_ways
from nightbay.refine.coarse_match import ThinnedSegment
from nightbay.refine.two_ways import Ways
from searched_segments import SPACING_MM, WIDTH_MM, Cells

RNG = np.random.default_rng(11)
COARSE_MM = max(WIDTH_MM / 50, 3 * SPACING_MM)
ALLOWED_MM = loop_closure.CLOSES * COARSE_MM
POSES = {name: rigid.pose(Rotation.random(rng=RNG).as_matrix(), RNG.uniform(-2000, 2000, 3)) for name in "abcde"}
CELLS = ThinnedSegment(RNG.uniform(-WIDTH_MM / 2, WIDTH_MM / 2, (200, 3)), np.tile([0.0, 0, 1], (200, 1)), COARSE_MM)
SEGMENTS = {name: Cells(CELLS) for name in POSES}
CHAIN = {"b": ("a", "b"), "c": ("b", "c"), "d": ("c", "d"), "e": ("d", "e")}  # what placed each segment


def relative(a, b, off_mm=0.0):
    return rigid.pose(translation_mm=[off_mm, 0, 0]) @ rigid.invert(POSES[a]) @ POSES[b]


def check(ways, distinctive=None, confirmed=()):
    """Check the chain a-b-c-d-e; ``distinctive`` {link: cells}, 500 where not given."""
    fits = {
        pair: coarse_fit.Fit(relative(*pair), 1000, (distinctive or {}).get(pair, 500), 0) for pair in CHAIN.values()
    }
    two_ways.check(ways, fits, CHAIN, POSES, set(confirmed), SEGMENTS)


def test_a_way_near_the_poses_is_enough():
    check({("a", "d"): Ways([relative("a", "d", 9e3), relative("a", "d", 0.99 * ALLOWED_MM)], 900)})


def test_none_near_doubts_the_weakest_link_and_leaves_the_smaller_side_out():
    weak = {("c", "d"): 200}
    with pytest.raises(Unplaced) as raised:
        check({("a", "e"): Ways([relative("a", "e", 9e3), relative("a", "e", 1.01 * ALLOWED_MM)], 300)}, weak)
    assert set(raised.value.reasons) == {"d", "e"}
    sentence = raised.value.reasons["d"]
    assert "segments a and e fit each other in 2 ways" in sentence
    assert "the pose of c and d may be wrong; put targets or something unmistakable into their overlap" in sentence


def test_the_side_of_the_first_segment_may_be_the_smaller_one():
    with pytest.raises(Unplaced) as raised:
        check({("a", "c"): Ways([relative("a", "c", 9e3)], 300)}, {("a", "b"): 200})
    assert set(raised.value.reasons) == {"a"}


def test_a_pair_that_agrees_over_less_than_the_links_says_nothing():
    check({("a", "e"): Ways([relative("a", "e", 9e3)], 199)}, {("c", "d"): 200})


def test_links_of_closed_rings_are_not_doubted():
    ways = {("c", "d"): Ways([relative("c", "d", 9e3)], 900)}
    check(ways, confirmed=[("c", "d")])
    with pytest.raises(Unplaced):
        check(ways)

"""Rings of pairs: what closes, which pair is doubted where one does not, and which segments are left out for it."""

from itertools import combinations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.refine import coarse_fit, loop_closure
from nightbay.refine.coarse_match import ThinnedSegment
from searched_segments import SPACING_MM, WIDTH_MM, Cells

RNG = np.random.default_rng(7)
COARSE_MM = max(WIDTH_MM / 50, 3 * SPACING_MM)
ALLOWED_MM = loop_closure.CLOSES * COARSE_MM
POSES = {name: rigid.pose(Rotation.random(rng=RNG).as_matrix(), RNG.uniform(-2000, 2000, 3)) for name in "abcdefgh"}
CELLS = ThinnedSegment(RNG.uniform(-WIDTH_MM / 2, WIDTH_MM / 2, (200, 3)), np.tile([0.0, 0, 1], (200, 1)), COARSE_MM)


def fits(pairs, wrong=None):
    """Fits of pairs as words of two letters, right but for ``wrong`` {pair: shift, mm}."""
    made = {}
    for a, b in pairs:
        T_a_b = rigid.invert(POSES[a]) @ POSES[b]
        T_a_b = rigid.pose(translation_mm=[(wrong or {}).get(a + b, 0.0), 0, 0]) @ T_a_b
        made[a, b] = coarse_fit.Fit(T_a_b, 100, 0)
    return made


def segments(names, larger=""):
    """Equal segments but for ``larger`` ones."""
    found = {name: Cells(CELLS) for name in names}
    for name in larger:
        found[name].width_mm = 2 * WIDTH_MM
    return found


def left_out(pairs, wrong, larger="", known=""):
    """Segments that are left out, as a word, with their reasons."""
    names = sorted({name for pair in pairs for name in pair} | set(known))
    with pytest.raises(Unplaced) as raised:
        loop_closure.check(fits(pairs, wrong), {name: POSES[name] for name in known}, segments(names, larger))
    return "".join(sorted(raised.value.reasons)), raised.value.reasons


RING = ["ab", "bc", "cd", "de", "ef", "fg", "gh", "ah"]
ALL_FOUR = ["".join(pair) for pair in combinations("abcd", 2)]


@pytest.mark.parametrize("pairs", [["ab"], ["ab", "bc"], ["ab", "bc", "ac"], RING, ALL_FOUR])
def test_right_pairs_close(pairs):
    loop_closure.check(fits(pairs), {"a": POSES["a"]}, segments("abcdefgh"))


def test_a_ring_may_stay_open_by_as_much_as_its_pairs_are_uncertain():
    triangle = ["ab", "bc", "ac"]
    loop_closure.check(fits(triangle, {"bc": 0.99 * ALLOWED_MM}), {}, segments("abc"))
    names, reasons = left_out(triangle, {"bc": 1.01 * ALLOWED_MM}, known="a")
    assert names == "bc"
    assert reasons["b"] == (
        f"segments a and b fit each other {1.01 * ALLOWED_MM:.0f} mm from where the other segments put them, at most "
        f"{ALLOWED_MM:.0f} mm is allowed: one of these poses is wrong; put targets or something unmistakable into "
        "their overlaps"
    )


@pytest.mark.parametrize("wrong", ["ab", "bc", "ac"])
def test_of_a_single_ring_no_pair_is_left(wrong):
    """Whichever pair is wrong, nothing shows it, and any two of the segments may be the wrong pair."""
    assert left_out(["ab", "bc", "ac"], {wrong: 300.0}, larger="b")[0] == "ac"


def test_of_a_ring_of_eight_no_two_neighbours_are_left():
    names, _ = left_out(RING, {"de": 300.0})
    kept = set("abcdefgh") - set(names)
    assert kept and not any(set(pair) <= kept for pair in RING)


@pytest.mark.parametrize(("larger", "left"), [("", "d"), ("d", "c")])
def test_the_pair_that_the_others_contradict_is_the_wrong_one(larger, left):
    names, reasons = left_out(ALL_FOUR, {"cd": 300.0}, larger)
    assert names == left and reasons[left].startswith("segments c and d fit each other 300 mm")


def test_the_segment_of_an_open_ring_that_no_closed_ring_holds_is_left_out():
    # b, c and d close; a hangs on c and d, one of which it does not fit
    assert left_out(["ac", "ad", "bc", "bd", "cd"], {"ac": 300.0}, larger="a")[0] == "a"


def test_a_segment_in_a_wrong_place_by_several_pairs_is_left_out_alone():
    wrong = {"ab": 300.0, "ac": 700.0, "ad": -400.0}
    assert left_out(ALL_FOUR, wrong, larger="a")[0] == "a"
    # the frame is no evidence for the segment that makes it
    assert left_out(ALL_FOUR, wrong, larger="a", known="a")[0] == "a"


def test_a_pair_that_closes_a_long_ring_only_is_right():
    # ab is on the open ring a-b-c by the wrong ac, and on the closed one a-b-d-e
    assert left_out(["ab", "bc", "ac", "bd", "de", "ae"], {"ac": 300.0}, larger="c")[0] == "c"


def test_known_poses_are_ties_and_stay():
    # no pair of a and b was searched: their targets tell how they lie to each other
    assert left_out(["ac", "bc"], {"bc": 300.0}, larger="c", known="ab")[0] == "c"
    loop_closure.check(fits(["ac", "bc"]), {name: POSES[name] for name in "ab"}, segments("abc"))

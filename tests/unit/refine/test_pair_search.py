"""Which poses by surfaces are trusted, and every sentence with which a pair is refused."""

from dataclasses import replace

import numpy as np
import pytest
import yaml

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.pipeline.settings import settings
from nightbay.refine import (
    coarse_fit,
    coarse_match,
    contradiction,
    fine_fit,
    pair_decision,
    pair_search,
    square_match,
)
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.coarse_match import SearchedSegment, ThinnedSegment
from nightbay.refine.fine_fit import Expected, FineFit
from nightbay.refine.point_pairs import PointPairs
from searched_segments import WIDTH_MM, Cells

OWN = settings({"refine": yaml.safe_load(overlap_scenes.CONFIG.read_text(encoding="utf-8"))["refine"]}).refine
NAMES = ["left", "right"]
COUNT, CELL_MM = 1000, 30.0
RNG = np.random.default_rng(1)
BODY = ThinnedSegment(RNG.uniform(0, 500, (COUNT, 3)), np.tile([0.0, 0.0, 1.0], (COUNT, 1)), CELL_MM)
SURE = Cells(BODY)
DRIFT_MM = OWN.untargeted_drift_mm_per_m * np.hypot(WIDTH_MM, WIDTH_MM) / 2000
EXPECTED_MM = fine_fit.expected([SURE.halves(CELL_MM)] * 2, DRIFT_MM).offset_mm
ASIDE = rigid.pose(translation_mm=[350.0, 0.0, 0.0])


def posed(agreeing, contradicting, distance=1.0, T_a_b=None):
    """A pose with its counts of cells, all distinctive, and its distance in units of what is expected."""
    fit = Fit(np.eye(4) if T_a_b is None else T_a_b, agreeing, agreeing, contradicting)
    return FineFit(fit, CELL_MM, 0.9, distance * EXPECTED_MM)


def enough(share):
    """Cells that agree in both segments where they overlap by a share of one."""
    return int(2 * share * COUNT)


def fewest(bound, agreeing=COUNT):
    """The fewest cells that contradict by which the bound of the rate exceeds one."""
    return next(count for count in range(COUNT) if Fit(np.eye(4), agreeing, agreeing, count).rate_bound > bound)


def fewest_least(rate, agreeing=COUNT):
    """The fewest cells that contradict by which the rate is certain to reach one."""
    return next(count for count in range(COUNT) if Fit(np.eye(4), agreeing, agreeing, count).rate_least >= rate)


@pytest.fixture
def search(monkeypatch):
    """The search where features lead to some poses, and motions of the body onto itself to others."""

    def make(by_features, by_motions=(), a=SURE, b=SURE):
        def rough(a, b, poses, gates, clear_mm):
            return [pose.fit for pose in (by_motions if gates is coarse_fit.WIDE_GATES else by_features)]

        def judge(a, b, rough, clear_mm, expected):
            known = [*by_features, *by_motions]
            return [pose for pose in known if any(pose.fit is fit for fit in rough)]

        monkeypatch.setattr(coarse_match, "candidate_poses", lambda a, b: [])
        monkeypatch.setattr(square_match, "candidate_poses", lambda a, b: [])
        monkeypatch.setattr(coarse_match, "own_motions", lambda body: [])
        monkeypatch.setattr(pair_search, "_recounted", lambda a, b, poses, settings: poses)
        monkeypatch.setattr(coarse_fit, "distinct_fits", rough)
        monkeypatch.setattr(fine_fit, "judge", judge)
        return pair_search.search_pair(*NAMES, a, b, OWN)

    return make


def rejected_by(found):
    return [pose.rejected_by for pose in found.record.alternatives]


def test_a_pose_with_both_kinds_of_evidence_low_is_trusted(search):
    pose = posed(COUNT, 4)
    found = search([pose])
    assert found.fit is pose.fit and found.doubt == ""
    assert found.record.expected_offset_mm == EXPECTED_MM
    assert found.agreeing_share == 0.5 and rejected_by(found) == [None]


def test_nothing_found(search):
    found = search([])
    assert found.fit is None and found.record.alternatives == [] and found.agreeing_share == 0.0
    assert found.doubt.startswith("segments left and right share no targets and their surfaces agree over 0% of")


def test_too_little_overlap(search):
    just = posed(enough(OWN.overlap_least), 0)
    assert search([just]).fit is just.fit
    found = search([posed(enough(OWN.overlap_least - 0.06), 0)])
    assert found.fit is None
    assert found.doubt == (
        "segments left and right share no targets and their surfaces agree over 19% of the smaller one at best, 25% "
        "are needed, floors and walls alone do not count; scan more overlap or put targets into it"
    )


def test_contradiction_in_every_pose(search):
    over = fewest(OWN.trusted_contradiction_most)
    assert not search([posed(COUNT, over - 1)]).doubt
    found = search([posed(COUNT, over), posed(COUNT, 2 * over, T_a_b=ASIDE)])
    bound = Fit(np.eye(4), COUNT, COUNT, over).rate_bound
    assert found.fit is None
    assert found.doubt == (
        "segments left and right share no targets and their surfaces contradict each other in every pose that was "
        f"found: {bound:.1%} of what agrees in the best one, at most {OWN.trusted_contradiction_most:.1%} is allowed "
        "(refine.trusted_contradiction_most); scan "
        "more overlap or put targets into it"
    )


def test_surfaces_that_do_not_lie_on_each_other(search):
    far, bound = 1.05 * OWN.distance_most, Fit(np.eye(4), 2 * COUNT, 2 * COUNT, 0).rate_bound
    assert bound * far**2 < OWN.trusted_contradiction_most  # the distance alone is too much
    assert not search([posed(2 * COUNT, 0, 0.95 * OWN.distance_most)]).doubt
    found = search([posed(2 * COUNT, 0, far)])
    assert found.fit is None
    assert found.doubt == (
        "segments left and right share no targets and their surfaces do not lie on each other in any pose that was "
        f"found: they lie {far * EXPECTED_MM:.2f} mm apart in the best one, {far:.1f} times as far as two scans of one "
        f"surface, while {bound:.1%} of what agrees may contradict; at most 3 times is allowed (refine.distance_most), "
        "less where surfaces contradict; scan more overlap or put targets into it"
    )


@pytest.mark.parametrize("expected_mm", [0.0, float("inf")])
def test_without_a_distance_to_expect_no_pose_is_trusted(search, monkeypatch, expected_mm):
    monkeypatch.setattr(fine_fit, "expected", lambda *_: Expected(expected_mm, np.inf))
    found = search([posed(COUNT, 0)])
    assert found.fit is None and "do not lie on each other" in found.doubt


def test_some_of_both_kinds_is_too_much_together(search):
    """Each alone would be allowed: twice the distance counts four times."""
    count = fewest(OWN.trusted_contradiction_most / 4)
    assert not search([posed(COUNT, count)]).doubt and not search([posed(COUNT, 0, 2.0)]).doubt
    assert "do not lie on each other" in search([posed(COUNT, count, 2.0)]).doubt


def test_two_ways_to_fit(search):
    found = search([posed(COUNT, 4), posed(COUNT + 500, 20, T_a_b=ASIDE)])
    assert found.fit is None and rejected_by(found) == [None, None]
    assert found.doubt == (
        "segments left and right share no targets and fit each other in two ways, 350 mm and 0° apart; put targets or "
        "something unmistakable into the overlap"
    )


def test_another_pose_is_out_of_the_question_by_contradiction(search):
    best = posed(COUNT, 4)
    over = fewest_least(best.fit.rate_bound * OWN.ambiguity)
    found = search([best, posed(COUNT, over, T_a_b=ASIDE)])
    assert found.fit is best.fit and rejected_by(found) == [None, "contradiction"]
    assert "two ways" in search([best, posed(COUNT, over - 1, T_a_b=ASIDE)]).doubt


def test_another_pose_is_out_of_the_question_by_distance(search):
    best = posed(COUNT, 4, 0.5)  # below the expected, a distance says nothing
    found = search([best, posed(COUNT, 4, OWN.distance_ratio + 0.01, T_a_b=ASIDE)])
    assert found.fit is best.fit and rejected_by(found) == [None, "distance"]
    assert "two ways" in search([best, posed(COUNT, 4, OWN.distance_ratio - 0.01, T_a_b=ASIDE)]).doubt


def test_another_pose_counts_with_less_overlap(search):
    best = posed(COUNT, 4)
    least = pair_decision.OTHER_SHARE * COUNT
    assert "two ways" in search([best, posed(int(1.1 * least), 0, T_a_b=ASIDE)]).doubt
    assert search([best, posed(int(0.9 * least), 0, T_a_b=ASIDE)]).fit is best.fit


def test_the_result_names_another_pose_that_explains_too_little(search):
    """Over half of the surface, but a few cells off walls, and what contradicts could be as much as half of them."""
    best, other = posed(COUNT, 4), posed(COUNT, 2, T_a_b=ASIDE)
    few = replace(other, fit=replace(other.fit, distinctive=contradiction.LEAST_AGREEING))
    assert few.fit.rate_bound > OWN.trusted_contradiction_most
    found = search([best, few])
    assert found.fit is best.fit and rejected_by(found) == [None, "agreement"]


def test_another_pose_counts_if_it_would_be_trusted_alone(search):
    """Walls that agree over half of a room and a few posts, where the best pose has many posts."""
    best, other = posed(2 * COUNT, 0), posed(enough(2 * OWN.overlap_least), 0, T_a_b=ASIDE)
    few = int(0.5 * pair_decision.OTHER_SHARE * 2 * COUNT)
    alone = replace(other, fit=replace(other.fit, distinctive=few))
    assert few >= contradiction.LEAST_AGREEING and alone.fit.rate_bound < OWN.trusted_contradiction_most
    assert "two ways" in search([best, alone]).doubt
    narrow = posed(enough(0.9 * OWN.overlap_least), 0, T_a_b=ASIDE)
    assert search([best, replace(narrow, fit=replace(narrow.fit, distinctive=few))]).fit is best.fit
    walls = replace(other.fit, distinctive=contradiction.LEAST_AGREEING - 1)
    assert search([best, replace(other, fit=walls)]).fit is best.fit


def test_floors_and_walls_alone_are_no_overlap(search):
    pose = posed(COUNT, 0)
    few, enough = (
        replace(pose, fit=replace(pose.fit, distinctive=contradiction.LEAST_AGREEING + more)) for more in (-1, 0)
    )
    assert search([enough]).fit is enough.fit
    doubt = search([few]).doubt
    assert "hardly anywhere off large planes, and floors and walls alone do not count; scan more" in doubt
    assert "are needed" not in doubt  # enough agrees


def test_without_sides_more_must_overlap(search):
    blind = Cells(BODY, sure=False).without_sides()
    least = pair_decision.UNSIDED_OVERLAP * OWN.overlap_least
    more, less = (posed(enough(times * least), 0) for times in (1.1, 0.9))
    assert search([less]).fit is less.fit
    assert search([more], a=blind, b=blind).fit is more.fit
    found = search([less], a=blind, b=blind)
    assert found.fit is None and f"{least:.0%} are needed" in found.doubt


def test_a_motion_of_the_body_onto_itself_gives_another_pose(search):
    """Features lead to one pose alone."""
    best, other = posed(COUNT, 4), posed(COUNT, 4, T_a_b=ASIDE)
    assert search([best]).fit is best.fit
    assert "two ways" in search([best], [other]).doubt
    assert search([best], [posed(COUNT, 200, T_a_b=ASIDE)]).fit is best.fit


def test_without_sides_less_may_be_held_against_a_pose(search):
    blind = Cells(BODY, sure=False)
    count = fewest(pair_decision.UNSIDED * OWN.trusted_contradiction_most, 2 * COUNT)
    over, under = posed(2 * COUNT, count), posed(2 * COUNT, count - 1)
    unsided = blind.without_sides()
    assert search([over]).fit is over.fit
    doubt = search([over], a=unsided, b=unsided).doubt
    assert "contradict each other" in doubt
    assert "at most 5.0% is allowed (refine.trusted_contradiction_most, half of it without sides of normals)" in doubt
    assert search([under], a=unsided, b=unsided).fit is under.fit


def test_where_sides_are_only_likely_another_pose_must_contradict_more(search):
    best, likely = posed(2 * COUNT, 2), Cells(BODY, sure=False)
    assert best.fit.rate_bound < pair_decision.UNSIDED * OWN.trusted_contradiction_most  # trusted without sides, too
    enough, more = (best.fit.rate_bound * OWN.ambiguity * times for times in (1.0, pair_decision.UNSURE))
    between = posed(2 * COUNT, fewest_least(more, 2 * COUNT) - 1, T_a_b=ASIDE)
    assert enough < between.fit.rate_least < more
    assert search([best, between]).fit is best.fit
    assert "two ways" in search([best, between], a=likely).doubt
    beyond = posed(2 * COUNT, fewest_least(more, 2 * COUNT), T_a_b=ASIDE)
    assert search([best, beyond], a=likely).fit is best.fit


def plate(height_mm, sided):
    """A plate that faces up."""
    at = CELL_MM * np.stack(np.meshgrid(np.arange(20.0), np.arange(20.0)), axis=-1).reshape(-1, 2)
    return ThinnedSegment(
        np.column_stack([at, np.full(400, height_mm)]), np.tile([0.0, 0.0, 1.0], (400, 1)), CELL_MM, sided
    )


@pytest.mark.parametrize("sided", [True, False])
def test_what_a_scanner_looked_through_is_known_by_sides_alone(sided):
    below, above = plate(0.0, sided), plate(5 * CELL_MM, sided)
    clear_mm = 10 * CELL_MM
    occluded = coarse_fit.self_occluded(below, clear_mm), coarse_fit.self_occluded(above, clear_mm)
    fit = coarse_fit.compare(below, above, np.eye(4), occluded, clear_mm)
    assert (fit.agreeing, fit.contradicting) == (0, 400 if sided else 0)  # those below, which were seen


def test_point_pairs_take_the_place_of_the_search(monkeypatch):
    def of_points(b):
        points = PointPairs(("left", "right"), np.stack([BODY.xyz_mm[:4], BODY.xyz_mm[:4] + b], axis=1), 1.0)
        searches = pair_search.Searches({("left", "right"): points}, segments={"left": SURE, "right": SURE})
        return searches.of("left", "right", {}, OWN)

    monkeypatch.setattr(pair_search, "search_pair", None)
    found = of_points([0.0, 0.0, 0.0])
    assert found.fit.agreeing == 2 * COUNT and found.agreeing_share == 1.0 and not found.doubt
    assert found.record.expected_offset_mm is None and len(found.record.alternatives) == 1
    found = of_points([9000.0, 0.0, 0.0])
    assert found.fit is None
    assert found.doubt == (
        f"the surfaces of segments left and right hardly meet where their point pairs put them (0 cells agree, "
        f"{contradiction.LEAST_AGREEING} are needed); correct the points"
    )


@pytest.fixture(scope="module")
def eggs(tmp_path_factory):
    """Two scans of all of an egg, by its kind: segments and the true pose of the second in the first."""

    def make(dents):
        rng, folder = np.random.default_rng(7), tmp_path_factory.mktemp("eggs")
        segments, true = [], []
        for name in NAMES:
            points, normals = overlap_scenes.egg(12_000, rng, dents=dents)
            points = points + normals * rng.normal(0, 0.1, (len(points), 1))
            true.append(overlap_scenes.random_pose(rng))
            written = overlap_scenes.write_segment(folder / name, name, points, normals, true[-1])
            segments.append(SearchedSegment(CloudFile(written.folder)))
        return *segments, rigid.invert(true[0]) @ true[1]

    return make


@pytest.mark.parametrize("dents", [True, False])
def test_a_symmetric_body_is_refused_though_features_find_one_pose(eggs, monkeypatch, dents):
    """Without dents the egg is the same after half a turn; the dents show which way is the true one."""
    a, b, T_a_b = eggs(dents)
    monkeypatch.setattr(coarse_match, "candidate_poses", lambda *_: [T_a_b])
    monkeypatch.setattr(square_match, "candidate_poses", lambda *_: [])
    found = pair_search.search_pair(*NAMES, a, b, OWN)
    if dents:
        assert found.doubt == ""
        assert not coarse_fit.distinct(b.thinned(found.record.cell_mm), found.fit.T_a_b, T_a_b)
    else:
        assert found.fit is None and "fit each other in two ways" in found.doubt
        assert "180° apart" in found.doubt

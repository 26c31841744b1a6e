"""Sets of connected segments, each searched as one: what their surfaces decide together, and what they do not."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import yaml

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.pipeline.settings import settings
from nightbay.refine import coarse_fit, merged_cloud, pair_search, segment_sets, surface_registration
from nightbay.refine.coarse_match import SearchedSegment
from nightbay.refine.merged_cloud import MergedCloud
from nightbay.refine.pair_search import PairSearch, Searches
from nightbay.refine.result import CandidatePose, CoarseRegistration

OWN = settings({"refine": yaml.safe_load(overlap_scenes.CONFIG.read_text(encoding="utf-8"))["refine"]}).refine
DOUBT = "they fit in two ways"
# Shares of the length of an egg: a and b overlap, c sees both its ends but not its middle.
SEEN = {"a": (0.0, 0.6), "b": (0.4, 1.0), "c": (0.7, 0.3)}


def candidate(T):
    return CandidatePose(T, 1000, 500, 3, 0.9, 0.2, None)


def pair_found(a, b, T_a_b, trusted):
    """A search of two segments that trusted a pose, or doubted it."""
    record = CoarseRegistration([a, b], [[a], [b]], 30.0, 0.2, [candidate(T_a_b)])
    fit = coarse_fit.Fit(T_a_b, 1000, 500, 3) if trusted else None
    return PairSearch(record, 0.5, fit, "" if trusted else DOUBT, likely=[T_a_b])


@pytest.fixture(scope="module")
def egg(tmp_path_factory):
    """Clouds, poses and searches of three segments of an egg, of which only a and b have a trusted pose."""

    def make(dents):
        rng, folder = np.random.default_rng(7), tmp_path_factory.mktemp("egg")
        clouds, poses = {}, {}
        for name, (low, high) in SEEN.items():
            points, normals = overlap_scenes.egg(20_000, rng, dents=dents)
            along = (points[:, 0] - points[:, 0].min()) / np.ptp(points[:, 0])
            seen = (along > low) & (along < high) if low < high else (along > low) | (along < high)
            points = points[seen] + normals[seen] * rng.normal(0, 0.1, (int(seen.sum()), 1))
            poses[name] = overlap_scenes.random_pose(rng)
            written = overlap_scenes.write_segment(folder / name, name, points, normals[seen], poses[name])
            clouds[name] = CloudFile(written.folder)
        in_a = {name: rigid.invert(poses["a"]) @ T for name, T in poses.items()}
        searches = Searches()
        searches.segments |= {name: SearchedSegment(cloud) for name, cloud in clouds.items()}
        searches.found |= {
            ("a", "b"): pair_found("a", "b", in_a["b"], True),
            ("a", "c"): pair_found("a", "c", np.eye(4), False),
            ("b", "c"): pair_found("b", "c", np.eye(4), False),
        }
        return clouds, in_a, searches

    return make


def search(clouds, in_a, searches, tried):
    in_set = {"a": np.eye(4), "b": in_a["b"], "c": np.eye(4)}
    return segment_sets.search([["a", "b"], ["c"]], in_set, searches, clouds, OWN, tried)


@pytest.mark.parametrize("dents", [True, False])
def test_a_set_decides_only_where_its_shape_does(egg, dents, monkeypatch):
    """Without dents the egg is the same after half a turn, for both of its segments together too."""
    clouds, in_a, searches = egg(dents)
    tried = set()
    found = search(clouds, in_a, searches, tried)
    if dents:
        (a, b), joined = found
        assert b == "c" and a in "ab" and not tried
        T_a_b = rigid.invert(in_a[a]) @ in_a[b]
        c = searches.segments["c"].thinned(joined.record.cell_mm)
        assert not coarse_fit.distinct(c, joined.fit.T_a_b, T_a_b)
        assert (joined.record.segments, joined.record.sets) == ([a, b], [["a", "b"], ["c"]])
        np.testing.assert_array_equal(joined.record.alternatives[0].T_a_b, joined.fit.T_a_b)
    else:
        assert found is None and tried == {(("a", "b"), ("c",))}
        monkeypatch.setattr(pair_search, "search_pair", lambda *_: pytest.fail("searched again"))
        assert search(clouds, in_a, searches, tried) is None


def test_poses_that_pairs_may_have_are_tried_in_the_frames_of_the_sets(egg, monkeypatch):
    clouds, in_a, searches = egg(True)
    away = overlap_scenes.random_pose(np.random.default_rng(3))
    # a and b are named the other way round, as a segment of the second set may come first by name
    searches.found["c", "b"] = pair_found("c", "b", rigid.invert(in_a["c"]) @ in_a["b"], False)
    del searches.found["b", "c"]
    searches.found["a", "c"] = pair_found("a", "c", away, False)
    tried = []

    def search_pair(name_a, name_b, a, b, own, starts):
        tried.extend(starts)
        return pair_found(name_a, name_b, np.eye(4), False)

    monkeypatch.setattr(pair_search, "search_pair", search_pair)
    assert search(clouds, in_a, searches, set()) is None
    np.testing.assert_allclose(tried, [away, in_a["c"]], atol=1e-9)


def test_the_pair_is_the_one_that_meets(egg, monkeypatch):
    """c overlaps the end of b more than that of a, and the pose that the sets have is told as that of c in b."""
    clouds, in_a, searches = egg(True)
    monkeypatch.setattr(
        pair_search, "search_pair", lambda a, b, *_: replace(pair_found(a, b, in_a["c"], True), likely=[])
    )
    meeting = {("a", "c"): 100, ("b", "c"): 101}
    monkeypatch.setattr(
        pair_search,
        "coarse_comparison",
        lambda a, b, T: coarse_fit.Fit(T, meeting["a" if a is searches.segments["a"] else "b", "c"], 0, 0),
    )
    pair, joined = search(clouds, in_a, searches, set())
    assert pair == ("b", "c")
    np.testing.assert_allclose(joined.fit.T_a_b, rigid.invert(in_a["b"]) @ in_a["c"], atol=1e-9)
    assert joined.fit.distinctive == 500  # what both sets show


def test_two_single_segments_are_not_searched_again(egg, monkeypatch):
    clouds, _, searches = egg(True)
    monkeypatch.setattr(pair_search, "search_pair", lambda *_: pytest.fail("searched again"))
    poses = dict.fromkeys("abc", np.eye(4))
    assert segment_sets.search([["a"], ["b"], ["c"]], poses, searches, clouds, OWN, set()) is None


def test_what_sets_decide_places_the_segments(monkeypatch):
    """Pairs ab and cd are trusted, and the sets are joined by b and d: c hangs on d then."""
    step = rigid.pose(translation_mm=[100.0, 0, 0])
    trusted = {"ab": step, "cd": step}

    def of(self, a, b, clouds, settings):
        self.found[a, b] = pair_found(a, b, trusted.get(a + b, np.eye(4)), a + b in trusted)
        return self.found[a, b]

    seen = []

    def of_sets(sets, poses, *_):
        seen.append((sets, poses))
        return ("b", "d"), pair_found("b", "d", step, True)

    monkeypatch.setattr(Searches, "of", of)
    monkeypatch.setattr(segment_sets, "contradicted", lambda *_: {})
    monkeypatch.setattr(segment_sets, "search", of_sets)
    monkeypatch.setattr(surface_registration.loop_closure, "check", lambda *_: None)
    searches = Searches()
    clouds = {name: range(10) for name in "abcd"}
    poses = surface_registration.connect(clouds, {"a": np.eye(4)}, None, searches)
    assert [T[0, 3] for T in poses] == [0.0, 100.0, 100.0, 200.0]
    assert searches.used == {"b": ("a", "b"), "d": ("b", "d"), "c": ("c", "d")}
    assert searches.placing(("b", "d")).fit is not None and searches.found["b", "d"].fit is None
    assert len(searches.records) == 7
    ((sets, in_set),) = seen
    assert sets == [["a", "b"], ["c", "d"]]
    assert [in_set[name][0, 3] for name in "abcd"] == [0.0, 100.0, 0.0, 100.0]
    # nothing of it is left where the next attempt decides otherwise
    monkeypatch.setattr(segment_sets, "search", lambda *_: None)
    with pytest.raises(Unplaced) as raised:
        surface_registration.connect(clouds, {"a": np.eye(4)}, None, searches)
    assert set(raised.value.reasons) == {"c", "d"} and not searches.by_sets


def of_chain(monkeypatch, rates, pairs, points=()):
    """The pairs of a chain whose sets contradict; ``rates`` {(first set, second set): bound of the rate}, else 0.01."""
    monkeypatch.setattr(segment_sets, "_merged", lambda names, *_: "".join(sorted(names)))
    monkeypatch.setattr(
        pair_search,
        "judged_pose",
        lambda a, b, T, own: SimpleNamespace(fit=SimpleNamespace(rate_bound=rates.get((a, b), 0.01))),
    )
    fits = {(a, b): coarse_fit.Fit(np.eye(4), 100, 100, 0) for a, b in pairs}
    return segment_sets.contradicted("abcd", fits, {}, Searches(points=dict.fromkeys(points)), {}, OWN)


def test_a_pair_by_which_sets_contradict_goes_and_the_others_are_seen_without_it(monkeypatch):
    # the wrong bc puts c and d in wrong places for a, too
    found = of_chain(monkeypatch, {("ab", "cd"): 0.9, ("a", "bcd"): 0.5}, ["ab", "bc", "cd"])
    assert list(found) == [("b", "c")]
    assert found["b", "c"] == (
        "segments b and c fit each other, but then the segments beside them contradict each other: 90.0% of what "
        "agrees, at most 10.0% is allowed (refine.trusted_contradiction_most); scan more overlap or put targets into it"
    )


def test_pairs_of_rings_and_of_point_pairs_are_not_doubted_by_sets(monkeypatch):
    ring = ["ab", "bc", "cd", "ad"]
    assert of_chain(monkeypatch, {("ab", "cd"): 0.9}, ring) == {}
    assert of_chain(monkeypatch, {("ab", "cd"): 0.9}, ["ab", "bc", "cd"], [("b", "c")]) == {}


def test_sets_that_contradict_are_seen_by_their_surfaces(egg):
    """The true pose of c in the set of a and b, and one that is half a turn off."""
    clouds, in_a, searches = egg(True)
    fits = {("a", "b"): coarse_fit.Fit(in_a["b"], 1000, 500, 3), ("b", "c"): None}
    turned = rigid.pose(np.diag([1.0, -1.0, -1.0]))
    for wrong in (False, True):
        T = rigid.invert(in_a["b"]) @ in_a["c"]
        if wrong:
            middle = searches.segments["c"].thinned(30.0).xyz_mm.mean(axis=0)
            T = T @ rigid.pose(None, middle) @ turned @ rigid.pose(None, -middle)
        fits["b", "c"] = coarse_fit.Fit(T, 1000, 500, 3)
        assert list(segment_sets.contradicted("abc", fits, {}, searches, clouds, OWN)) == [("b", "c")] * wrong


def test_merged_clouds_lie_in_one_frame_and_hold_no_more_than_one(tmp_path, monkeypatch):
    rng = np.random.default_rng(5)
    points, normals = overlap_scenes.egg(3000, rng)
    clouds, poses = [], [overlap_scenes.random_pose(rng) for _ in range(2)]
    for name, T in zip("ab", poses, strict=True):
        clouds.append(CloudFile(overlap_scenes.write_segment(tmp_path / name, name, points, normals, T).folder))
    monkeypatch.setattr(merged_cloud, "SAMPLE", 2000)
    merged = MergedCloud(clouds, poses, 5.0)
    assert 1000 < len(merged) <= 2000 and len(merged.sample(100)) <= 100
    sample = merged.sample(2000)
    at = sample.xyz_mm.astype(float) + merged.origin_mm
    apart = np.linalg.norm(at[:, None] - points[None], axis=2)
    assert apart.min(axis=1).max() < 0.01  # float32 about the middle
    np.testing.assert_allclose(sample.normal, normals[apart.argmin(axis=1)], atol=1e-5)

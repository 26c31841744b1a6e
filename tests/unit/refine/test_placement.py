"""Segments that can't be placed: named and refused, or left out without a trace in the model of the others."""

import numpy as np
import pytest

import overlap_scenes
from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.network.result import NetworkResult
from nightbay.pipeline import stage, typed
from nightbay.refine import coarse_fit, pair_search, placement, pose_certainty, surface_registration
from nightbay.refine.result import Alternative, CandidatePose, CoarseRegistration
from unit.refine.test_hopeless_pairs import degenerate
from unit.refine.test_refine import bay_part, run


def named(names):
    return [stage.Upstream("clean", "j", "interior", name, "ok", [], [], {}, None) for name in names]


@pytest.fixture(scope="module")
def part(tmp_path_factory):
    """Two runs through a bay that overlap, and a flat sheet that lies nowhere in it."""
    folder = tmp_path_factory.mktemp("part")
    cleaned, _ = bay_part(folder, 21, {"back": (650, 2001), "front": (-1, 1350)})
    odd = degenerate("plane", np.random.default_rng(11))
    return [*cleaned, overlap_scenes.write_segment(folder / "odd", "odd", *odd, np.eye(4))]


@pytest.fixture(scope="module")
def found():
    """What a search found in this module's part, by the names of the two segments, which stand for the same clouds."""
    return {}


@pytest.fixture
def searched_once(found, monkeypatch):
    """A pair that a test of this module has searched is not searched again: it finds the same each time."""
    search = pair_search.search_pair

    def once(a, b, *rest):
        if (a, b) not in found:
            found[a, b] = search(a, b, *rest)
        return found[a, b]

    monkeypatch.setattr(pair_search, "search_pair", once)


@pytest.mark.usefixtures("searched_once")
def test_a_hopeless_segment_is_named_and_refuses_the_part(part, tmp_path):
    record = run(part, overlap_scenes.no_targets(), tmp_path)
    assert record["status"] == "rejected"
    (reason,) = record["reasons"]
    assert reason["sentence"].startswith("segment odd can't be placed: segments ")
    assert reason["sentence"].endswith(
        "; unplaced: leave_out in the job sheet makes the model from the other 2 segments"
    )


@pytest.mark.usefixtures("searched_once")
def test_a_hopeless_segment_that_is_left_out_changes_nothing_of_the_others(part, tmp_path, monkeypatch):
    left_out = run(part, overlap_scenes.no_targets(), tmp_path, {"unplaced": "leave_out"})
    assert left_out["status"] == "ok", left_out["reasons"]
    result = left_out["result"]
    (missing,) = result["unplaced"]
    assert missing["segment"] == "odd" and "and odd share no targets" in missing["reason"]
    assert list(result["poses"]) == ["back", "front"]
    monkeypatch.undo()  # the search of the two alone is a new one
    alone = run(part[:2], overlap_scenes.no_targets(), tmp_path)["result"]
    assert len(alone["coarse_registration"]) == 1 and len(result["coarse_registration"]) == 3
    same = {key: value for key, value in result.items() if key not in ("unplaced", "coarse_registration")}
    assert same == {key: alone[key] for key in same}
    (known,) = result["by_surfaces"]
    assert (known["segment"], known["relative_to"], known["pair"]) == ("front", "back", ["back", "front"])
    assert known["patches"] > 8 and 0 < known["position_sd_mm"] < 1.0


@pytest.mark.usefixtures("searched_once")
def test_the_segment_that_comes_first_can_be_left_out(part, tmp_path):
    first = [stage.Upstream(*_fields(part[2], segment="a-sheet")), *part[:2]]
    record = run(first, overlap_scenes.no_targets(), tmp_path, {"unplaced": "leave_out"})
    assert [missing["segment"] for missing in record["result"]["unplaced"]] == ["a-sheet"]
    assert record["result"]["frame_of"] == "back"


def _fields(upstream, **changed):
    return list({**vars(upstream), **changed}.values())


@pytest.mark.usefixtures("searched_once")
def test_targets_that_were_set_aside_leave_the_segment_to_its_surfaces(part, tmp_path):
    none = typed.read(NetworkResult, overlap_scenes.no_targets().result)
    aside = typed.write(none) | {"set_aside": {"front": "Segment front shares no more than three targets."}}
    network = stage.Upstream("network", "j", "exterior", None, "ok", [], [], aside, tmp_path)
    record = run(part[:2], network, tmp_path, {"unplaced": "leave_out"})
    assert record["result"]["poses"]["front"]["pose_from"] == "surfaces"


@pytest.mark.usefixtures("searched_once")
def test_of_two_segments_that_do_not_fit_the_one_with_more_points_is_the_model(part, tmp_path):
    both = part[1:]
    refused = run(both, overlap_scenes.no_targets(), tmp_path)
    assert refused["reasons"][0]["sentence"].startswith("segments front and odd share no targets")
    record = run(both, overlap_scenes.no_targets(), tmp_path, {"unplaced": "leave_out"})
    assert list(record["result"]["poses"]) == ["front"]
    assert record["result"]["by_surfaces"] == []


def attempts(reasons):
    """An attempt that fails for each of the ``reasons`` {segment: sentence} in turn, while the segment is there."""

    def attempt(cleaned):
        names = [segment.segment for segment in cleaned]
        for name, reason in reasons.items():
            if name in names:
                raise Unplaced({name: reason})
        return names

    return attempt


def test_segments_are_left_out_until_the_others_are_placed():
    placed, unplaced, loose = placement.place(named("abcd"), True, attempts({"c": "first", "a": "second"}))
    assert (placed, unplaced, loose) == (["b", "d"], {"a": "second", "c": "first"}, [])


def test_a_refusal_names_all_segments_with_each_reason_once():
    def attempt(cleaned):
        raise Unplaced({"c": "they slide", "d": "they slide", "a": "it is flat"})

    with pytest.raises(Unplaced) as raised:
        placement.place(named("abcd"), False, attempt)
    assert str(raised.value) == (
        "segments a, c and d can't be placed: they slide; it is flat; unplaced: leave_out in the job sheet makes the "
        "model from the other segment"
    )


def search(fits):
    """A search by the names of pairs: {pair: agreeing cells}; other pairs are doubted, those of a the least."""

    def of(self, a, b, clouds, settings):
        fit = coarse_fit.Fit(np.eye(4), fits[a + b], fits[a + b], 0) if a + b in fits else None
        return pair_search.PairSearch(None, 0.1 * (a == "a"), fit, f"{a} and {b} do not fit")

    return of


def connected(fits, known, points, monkeypatch):
    """The pair that placed each segment; ``points`` {segment: points}, which is all that is asked of a cloud here."""
    monkeypatch.setattr(pair_search.Searches, "of", search(fits))
    monkeypatch.setattr(surface_registration.loop_closure, "check", lambda *_: None)
    monkeypatch.setattr(surface_registration.segment_sets, "contradicted", lambda *_: {})
    monkeypatch.setattr(surface_registration.segment_sets, "search", lambda *_: None)  # no sets fit either
    searches = pair_search.Searches()
    clouds = {name: range(count) for name, count in points.items()}
    surface_registration.connect(clouds, dict.fromkeys(known, np.eye(4)), None, searches)
    return searches.used


def test_the_largest_connected_set_is_placed(monkeypatch):
    even = dict.fromkeys("abcde", 100)
    with pytest.raises(Unplaced) as raised:
        connected({"ab": 50, "cd": 50, "de": 50}, "a", even, monkeypatch)
    assert raised.value.reasons == {"a": "a and c do not fit", "b": "a and c do not fit"}
    # targets connect too
    with pytest.raises(Unplaced) as raised:
        connected({"cd": 50}, "abe", even, monkeypatch)
    assert list(raised.value.reasons) == ["c", "d"]
    # of equals that with more points
    with pytest.raises(Unplaced) as raised:
        connected({"ab": 50, "cd": 50}, "a", even | {"d": 101}, monkeypatch)
    assert list(raised.value.reasons) == ["a", "b", "e"]


def test_each_segment_is_placed_by_the_pair_that_agrees_most(monkeypatch):
    used = connected(
        {"ab": 50, "bc": 60, "ac": 40, "cd": 50, "de": 70, "ae": 10}, "a", dict.fromkeys("abcde", 1), monkeypatch
    )
    assert used == {"b": ("a", "b"), "c": ("b", "c"), "d": ("c", "d"), "e": ("d", "e")}


def test_the_closest_other_pose_is_that_with_the_weakest_evidence_against_it():
    poses = [rigid.pose(translation_mm=[100.0 * at, 0, 0]) for at in range(4)]
    trusted = coarse_fit.Fit(poses[0], 1000, 1000, 4)  # at most 4 + 4 + 3 of 1000 cells contradict
    alternatives = [
        CandidatePose(poses[0], 1000, 1000, 4, 0.9, 0.2, None),
        CandidatePose(poses[1], 1000, 1000, 55, 0.9, 0.3, "contradiction"),
        CandidatePose(poses[2], 1000, 1000, 5, 0.5, 0.6, "distance"),
        CandidatePose(poses[3], 1000, 1000, 500, 0.5, 0.3, "contradiction"),
        CandidatePose(poses[3], 1000, 400, 0, 0.5, 0.2, "agreement"),
    ]

    def found(count):
        record = CoarseRegistration(["a", "b"], [["a"], ["b"]], 30.0, 0.2, alternatives[:count])
        return pose_certainty.alternative(pair_search.PairSearch(record, 0.5, trusted, ""))

    assert found(1) is None
    assert found(2) == Alternative("contradiction", pytest.approx((55 - 2 * np.sqrt(55)) / 11))
    assert found(4) == Alternative("distance", pytest.approx(0.6 / 0.2))
    assert found(5) == Alternative("agreement", 1000 / 400)

"""Networks that hang together in roundabout ways: where joining begins, what names change, what is refused."""

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

import networks
from network_sheets import NOISE, SETTINGS, day, off_mm, run, sheet
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.matching import initial_poses, matching, pairing, pose_search, target_list
from nightbay.network import network, target_identity

TOLERANCE = pairing.Tolerance(SETTINGS.scan.target_noise_mm, SETTINGS.scan.target_drift_mm_per_m)


@pytest.fixture(autouse=True)
def in_the_day(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # paths are relative to the day's folder


def sharing(seed, shared, alone=5, count=100, **more):
    """Lists that share so many targets ``shared`` {(name, name): count} and have ``alone`` of their own, by name, with
    their true poses."""
    rng = np.random.default_rng(seed)
    truth = networks.body(rng, count)
    free = iter(rng.permutation(count).tolist())
    numbers = {name: [] for pair in shared for name in pair}
    for pair, common in shared.items():
        for _ in range(common):
            target = next(free)
            for name in pair:
                numbers[name].append(target)
    made = {}
    for name, rows in numbers.items():
        own = [] if name == target_list.SURVEY else [next(free) for _ in range(alone)]
        made[name] = networks.record(truth, np.sort(rows + own), rng, name=name, **(NOISE | more))[:2]
    return made


FREE = {
    ("left", "roof"): 13,
    ("right", "roof"): 13,
    ("rear", "roof"): 6,
    ("rear", "left"): 5,
    ("front", "left"): 3,
    ("front", "right"): 3,
}
ROUNDABOUT = {
    ("control survey", "a"): 12,
    ("control survey", "b"): 2,
    ("a", "b"): 8,
    ("control survey", "c"): 2,
    ("b", "c"): 3,
    ("a", "c"): 2,
}


def test_a_free_network_begins_with_what_is_tied_best_and_not_with_the_first_name(tmp_path):
    made = sharing(1, FREE)
    result = run(sheet(tmp_path, None, [one for one, _ in made.values()]))
    assert result["mode"] == "free" and result["frame_of"] == "front"
    assert result["poses"]["front"]["matched_by"] == "holds the frame"
    for name, (one, T) in made.items():
        assert off_mm(result, name, one, rigid.invert(made["front"][1]) @ T) < 1.0
        assert result["poses"][name]["common"] == sum(common for pair, common in FREE.items() if name in pair)


@pytest.mark.parametrize("shared", [FREE, ROUNDABOUT], ids=["free", "with a survey"])
def test_names_change_no_pose(shared):
    """Each order of names gives the same poses of the lists to each other."""
    made = sharing(2, shared, alone=2, normals=False)
    segments = [name for name in made if name != target_list.SURVEY]
    first = None
    for names in permutations(segments):
        renamed = {new: made[old][0] for new, old in zip(sorted(segments), names, strict=True)}
        lists = [replace(one, name=new) for new, one in sorted(renamed.items())]
        if target_list.SURVEY in made:
            lists.insert(0, made[target_list.SURVEY][0])
        placed = initial_poses.find(lists, TOLERANCE, SETTINGS.network)
        T = dict(zip([one.file for one in lists], placed.T_control_list, strict=True))
        T = {file: rigid.invert(T[made[segments[0]][0].file]) @ pose for file, pose in T.items()}
        first = first or T
        for file, pose in T.items():
            # a rounding error of a rotation, some 1e-15, at the four metres of the body
            assert pose == pytest.approx(first[file], abs=1e-11), names
        assert len(placed.matches) == len(lists) - 1 and lists[0].name not in placed.matches
        assert sorted(placed.order) == list(range(len(lists)))


def test_names_change_no_adjusted_pose():
    made = sharing(3, FREE)
    found = {}
    for names in (list(made), list(made)[::-1]):
        lists = [replace(made[old][0], name=new) for new, old in zip("abcde", names, strict=True)]
        adjusted = network.adjust_lists(lists, False, False, SETTINGS).snooped.adjusted
        T = dict(zip(names, adjusted.T_control_list, strict=True))
        found[names[0]] = {name: rigid.invert(T["roof"]) @ pose for name, pose in T.items()}
    one, other = found.values()
    for name, pose in one.items():
        # the adjustment ends when a step is that small, wherever it comes from
        assert pose == pytest.approx(other[name], abs=1e-5)


def test_a_segment_that_the_survey_hardly_knows_is_placed_by_another(tmp_path):
    made = sharing(4, ROUNDABOUT)
    survey, T_survey = made.pop(target_list.SURVEY)
    result = run(sheet(tmp_path, survey, [one for one, _ in made.values()]))
    assert result["mode"] == "control"
    for name, (one, T) in made.items():
        assert off_mm(result, name, one, rigid.invert(T_survey) @ T) < 1.0


def test_two_groups_are_joined_by_what_no_pair_of_their_lists_shares():
    # two lists on either side, and two targets common to each pair across: eight in all
    shared = {("a", "b"): 9, ("c", "d"): 9, ("a", "c"): 2, ("a", "d"): 2, ("b", "c"): 2, ("b", "d"): 2}
    made = sharing(5, shared)
    lists = [one for _, (one, _) in sorted(made.items())]
    placed = initial_poses.find(lists, TOLERANCE, SETTINGS.network)
    for one, T in zip(lists, placed.T_control_list, strict=True):
        true = rigid.invert(made["a"][1]) @ made[one.name][1]
        assert np.linalg.norm(rigid.transform(T, one.xyz_mm) - rigid.transform(true, one.xyz_mm), axis=1).max() < 1.0


def test_targets_are_tied_in_the_order_in_which_lists_were_joined():
    made = sharing(6, FREE)
    lists = [one for _, (one, _) in sorted(made.items())]
    placed = initial_poses.find(lists, TOLERANCE, SETTINGS.network)
    names = [lists[at].name for at in placed.order]
    assert "roof" in names[:2] and names[-1] == "front"
    tied = target_identity.identify(lists, placed.T_control_list, TOLERANCE, SETTINGS.network, placed.order)
    assert tied.T_control_list[0] == pytest.approx(np.eye(4), abs=1e-12)
    assert tied.moved == []
    assert tied.count == sum(FREE.values()) + 5 * len(lists)


def test_what_neighbours_share_at_an_edge_is_found():
    """A sixth of long lists: of 400 triples of the whole list, two hit three common targets on average."""
    found = 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        truth = networks.body(rng, 150)
        along = np.argsort(truth.xyz_mm[:, 0], kind="stable")
        one, T_one, _ = networks.record(truth, along[:60], rng, name="one", **NOISE)
        other, T_other, _ = networks.record(truth, along[50:110], rng, name="other", **NOISE)
        match = matching.match(pose_search.index(one.xyz_mm), other.xyz_mm, TOLERANCE)
        true = rigid.invert(T_one) @ T_other
        off = rigid.transform(match.T_a_b, other.xyz_mm) - rigid.transform(true, other.xyz_mm)
        found += len(match.rows_a) == 10 and np.linalg.norm(off, axis=1).max() < 2.0
    assert found == 10


def test_near_triples_hold_each_target_with_its_neighbours():
    xyz = np.column_stack([np.arange(20.0) * 100, np.zeros((20, 2))])
    triples = pose_search.near_triples(xyz, 1000)
    assert np.ptp(triples, axis=1).max() == pose_search.NEAR  # the end of the row has all of them on one side
    assert len(np.unique(triples, axis=0)) == len(triples)
    assert set(triples.ravel()) == set(range(20))
    assert len(pose_search.near_triples(xyz[:5], 1000)) == 10  # all of a short list
    some = pose_search.near_triples(xyz, 100)
    assert 50 < len(some) <= 100 and set(some.ravel()) == set(range(20))


def alike(seed, of_right):
    """Left and right sides that a half turn carries onto each other below, and a roof that shares 13 targets with the
    left one and so many with the right one; the sides share nothing."""
    rng = np.random.default_rng(seed)
    side = networks.body(rng, 20).xyz_mm * [1, 0.2, 0.5] + [0, 900, -300]
    roof = rng.uniform([-1800, -700, 650], [1800, 700, 750], (13 + of_right, 3))
    xyz = np.vstack([side, side * [-1, -1, 1], roof])
    truth = networks.Truth(xyz, np.tile([0.0, 0, 1], (len(xyz), 1)))
    rows = np.arange(len(xyz))
    seen = {"left": np.r_[rows[:20], rows[40:53]], "right": np.r_[rows[20:40], rows[53:]], "roof": rows[40:]}
    made = [networks.record(truth, seen[name], rng, name=name, normals=False, **NOISE) for name in seen]
    return [one for one, _, _ in made], [T for _, T, _ in made]


@pytest.mark.parametrize("of_right", [6, 13])
def test_sides_that_look_alike_are_refused_where_a_third_list_contradicts(of_right):
    lists, _ = alike(7, of_right)
    with pytest.raises(Rejected, match="regular or symmetric"):
        initial_poses.find(lists, TOLERANCE, SETTINGS.network)


def test_a_survey_of_another_vehicle_is_told_as_that(tmp_path):
    other, _, _ = networks.record(networks.body(np.random.default_rng(90), 60), np.arange(60),
                                  np.random.default_rng(91), name="control survey", **NOISE)  # fmt: skip
    made = sharing(8, FREE)
    with pytest.raises(Rejected) as refused:
        run(sheet(tmp_path, other, [one for one, _ in made.values()]))
    sentence = str(refused.value)
    assert sentence.startswith(
        "The control survey (control survey.csv) shares no more than three of its 60 targets with segments front, "
        "left, rear, right and roof, which fit each other ("
    )
    assert "13, 13, " in sentence and sentence.endswith(
        "common targets): it may belong to another vehicle or to another arrangement of the targets: correct "
        "control_survey in the job sheet if so, or remove it to adjust the segments among themselves."
    )
    result = run(sheet(tmp_path, None, [one for one, _ in made.values()]))  # the cure works
    assert result["mode"] == "free"


def test_a_survey_that_fits_one_segment_of_many_is_told_with_it(tmp_path):
    rng = np.random.default_rng(92)
    elsewhere = networks.body(rng, 60)
    survey, _, _ = networks.record(elsewhere, np.arange(60), rng, name="control survey", **NOISE)
    lost, _, _ = networks.record(elsewhere, np.arange(20), rng, name="door", **NOISE)
    made = sharing(9, FREE)
    with pytest.raises(Rejected) as refused:
        run(sheet(tmp_path, survey, [lost, *(one for one, _ in made.values())]))
    assert str(refused.value).startswith(
        "The control survey (control survey.csv) and segment door (door.csv) fit each other (20 common targets), but "
        "share no more than three of their 60 targets with segments front, left, rear, right and roof, which fit each "
        "other ("
    )


def test_a_survey_in_another_unit_is_told_as_that(tmp_path):
    _, survey, segments, _ = day(93, seen=40)
    small = replace(survey, xyz_mm=survey.xyz_mm / 25.4)
    with pytest.raises(Rejected, match="^The control survey .* only when its coordinates are multiplied by 25.4"):
        run(sheet(tmp_path, small, segments))


def test_a_segment_of_another_vehicle_may_be_one(tmp_path):
    made = sharing(10, FREE)
    rng = np.random.default_rng(94)
    lost, _, _ = networks.record(networks.body(rng, 30), np.arange(30), rng, name="bonnet", **NOISE)
    with pytest.raises(Rejected) as refused:
        run(sheet(tmp_path, None, [lost, *(one for one, _ in made.values())]))
    assert str(refused.value).startswith(
        "Segment bonnet (bonnet.csv) shares no more than three of its 30 targets with segments front, left, rear, "
        "right and roof"
    )
    assert "correct the job sheet if it belongs to another vehicle or to another arrangement of the targets" in str(
        refused.value
    )


def test_every_refused_segment_is_named(tmp_path):
    _, survey, segments, _ = day(11)
    rng = np.random.default_rng(95)
    lost = [networks.record(networks.body(rng, 20), np.arange(20), rng, name=name, **NOISE)[0] for name in ("x1", "x2")]
    mirrored = replace(segments[1], xyz_mm=segments[1].xyz_mm * [1, -1, 1], normal=None)
    segments = [replace(one, normal=None) for one in [segments[0], mirrored, *segments[2:], *lost]]
    with pytest.raises(Rejected) as refused:
        run(sheet(tmp_path, replace(survey, normal=None), segments))
    told = str(refused.value)
    assert "Segment s1 (s1.csv) fits the other lists only as a mirror image" in told
    for name in ("x1", "x2"):
        assert (
            f"Segment {name} ({name}.csv) shares no more than three of its 20 targets with the control survey" in told
        )
    assert told.count("Segment ") == 3


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_lists_too_short_to_match_are_refused_by_name(count):
    made = sharing(12, FREE)
    lists = [one.rows(np.arange(count)) if name == "front" else one for name, (one, _) in sorted(made.items())]
    words = rf"^Segment front .front.csv. shares at most {count} targets? with segments"
    with pytest.raises(Rejected, match=words):
        initial_poses.find(lists, TOLERANCE, SETTINGS.network)


def test_a_list_whose_common_targets_are_mostly_blunders_is_refused():
    made = sharing(13, {("control survey", "a"): 14, ("control survey", "b"): 14})
    lists = [made[name][0] for name in ("control survey", "a", "b")]
    # what lies near without being the same: half a millimetre to two off, each its own way
    rng = np.random.default_rng(96)
    true = made["control survey"][0]
    T = rigid.invert(made["b"][1]) @ made["control survey"][1]
    at_b = rigid.transform(T, true.xyz_mm)
    distance = np.linalg.norm(at_b[:, None] - lists[2].xyz_mm[None], axis=2)
    common = np.flatnonzero(distance.min(axis=0) < 5.0)
    away = rng.normal(size=(9, 3))
    away *= rng.uniform(1.5, 3.0, (9, 1)) / np.linalg.norm(away, axis=1, keepdims=True)
    xyz = lists[2].xyz_mm.copy()
    xyz[common[:9]] += away
    lists[2] = replace(lists[2], xyz_mm=xyz)
    with pytest.raises(Rejected, match=r"^Segment b .b.csv.: \d+ of its 14 common targets fail the tests for blunders"):
        network.adjust_lists(lists, True, False, SETTINGS)

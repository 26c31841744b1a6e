"""Unlabelled matching: what it finds, what it refuses, and what labels and claims may settle."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import networks
from nightbay.core import rigid
from nightbay.matching import matching, pairing, pose_search

TOLERANCE = pairing.Tolerance(noise_mm=0.05, drift_mm_per_m=0.1)
NOISE = {"noise_mm": 0.05, "warp": 0.1, "missing": 0.2, "spurious": 0.25}  # a fifth of what is listed is spurious


def match(xyz_a, xyz_b, tolerance=TOLERANCE, *, normal_a=None, **more):
    """Match two lists, the first of which is prepared for the search."""
    return matching.match(pose_search.index(xyz_a, normal_a), xyz_b, tolerance, **more)


def lists(seed, count=80, seen=30, **more):
    rng = np.random.default_rng(seed)
    truth = networks.body(rng, count)
    a = networks.record(truth, np.arange(count), rng, name="a", **(NOISE | more))
    b = networks.record(truth, networks.patch(truth, rng, seen), rng, name="b", **(NOISE | more))
    return a, b


def off_mm(match, a, b):
    """Greatest distance between where the match puts the targets of b and where they are."""
    true = rigid.invert(a[1]) @ b[1]
    return np.linalg.norm(rigid.transform(match.T_a_b, b[0].xyz_mm) - rigid.transform(true, b[0].xyz_mm), axis=1).max()


@pytest.mark.parametrize(("seed", "count", "seen"), [(1, 80, 30), (2, 300, 100), (3, 100, 10)])
def test_finds_the_pose_with_a_fifth_missing_and_a_fifth_spurious(seed, count, seen):
    a, b = lists(seed, count, seen)
    found = match(a[0].xyz_mm, b[0].xyz_mm, TOLERANCE)
    assert off_mm(found, a, b) < 1.0  # drift of 0.1 mm/m in both lists over up to 4 m
    assert np.array_equal(a[2][found.rows_a], b[2][found.rows_b])
    assert found.by == "geometry" and found.runner_up <= len(found.rows_a) / 2


def test_normals_help_and_need_not_be_there():
    a, b = lists(4, 60, 8, missing=0.0)
    for normals in ({}, {"normal_a": a[0].normal, "normal_b": b[0].normal}):
        assert off_mm(match(a[0].xyz_mm, b[0].xyz_mm, TOLERANCE, **normals), a, b) < 1.0


def test_normals_that_contradict_prevent_a_match():
    a, b = lists(4, 60, 20)
    assert isinstance(
        match(a[0].xyz_mm, b[0].xyz_mm, TOLERANCE, normal_a=a[0].normal, normal_b=-b[0].normal), matching.NoMatch
    )


@pytest.mark.parametrize("seed", range(5))
def test_a_mirror_image_never_matches(seed):
    a, b = lists(seed, 60, 40)
    refused = match(a[0].xyz_mm, b[0].xyz_mm * [1, 1, -1], TOLERANCE)
    assert refused.reason in ("few", "by chance", "flat")


def flat_lists(count):
    rng = np.random.default_rng(12)
    a = np.column_stack([rng.uniform(0, 2000, 20), rng.uniform(0, 1500, 20), np.zeros(20)])
    T = rigid.pose(Rotation.random(rng=rng).as_matrix(), [10.0, 20, 30])
    return a, rigid.transform(rigid.invert(T), a[:count]), T


def test_a_few_targets_in_one_plane_are_refused_without_normals():
    a, b, T = flat_lists(6)
    refused = match(a, b, TOLERANCE)
    assert refused.reason == "flat"
    up = np.tile([0.0, 0, 1], (20, 1))
    found = match(a, b, TOLERANCE, normal_a=up, normal_b=rigid.rotate(rigid.invert(T), up[:6]))
    assert found.T_a_b == pytest.approx(T, abs=1e-6)


def test_a_flat_panel_is_matched_and_said_to_be_flat():
    a, b, T = flat_lists(12)
    found = match(a, b, TOLERANCE)
    assert found.flat and found.T_a_b == pytest.approx(T, abs=1e-6)


def test_refuses_a_regular_grid_even_where_one_place_explains_more():
    x, y = np.meshgrid(np.arange(10) * 120.0, np.arange(7) * 120.0)
    grid = np.column_stack([x.ravel(), y.ravel(), np.zeros(70)])
    rng = np.random.default_rng(5)
    a = grid[rng.random(70) >= 0.2]
    b = grid[(x.ravel() < 500) & (y.ravel() < 500)]
    refused = match(a, b, TOLERANCE)
    assert refused.reason == "ambiguous"


def half_turned():
    """A layout that a half turn carries onto itself, with a list of ten of its thirty targets."""
    rng = np.random.default_rng(6)
    half = rng.uniform([100, -900, 0], [2000, 900, 900], (15, 3))
    both = np.vstack([half, half * [-1, -1, 1]])
    T = rigid.pose(Rotation.random(rng=rng).as_matrix(), [100.0, 50, 20])
    rows = np.arange(3, 13)
    return both, rigid.transform(rigid.invert(T), both[rows]), T, rows


def test_refuses_a_symmetric_layout():
    a, b, _, _ = half_turned()
    refused = match(a, b, TOLERANCE)
    assert refused.reason == "ambiguous"


def test_labels_settle_a_symmetric_layout():
    a, b, T, rows = half_turned()
    labelled = np.column_stack([rows, np.arange(10)])
    found = match(a, b, TOLERANCE, claims=matching.Claims(labelled))
    assert found.by == "labels"
    assert found.T_a_b == pytest.approx(T, abs=1e-6)


def test_a_claimed_pose_settles_a_symmetric_layout():
    a, b, T, _ = half_turned()
    found = match(a, b, TOLERANCE, claims=matching.Claims(T_a_b=T))
    assert found.by == "placed"
    assert found.T_a_b == pytest.approx(T, abs=1e-6)


def test_labels_are_not_trusted():
    a, b = lists(7, 80, 40)
    rng = np.random.default_rng(7)
    labelled = np.column_stack([rng.permutation(30), np.arange(30)])
    found = match(a[0].xyz_mm, b[0].xyz_mm, TOLERANCE, claims=matching.Claims(labelled))
    assert off_mm(found, a, b) < 1.0


def test_a_wrong_claim_is_not_followed():
    a, b = lists(8, 80, 40)
    found = match(
        a[0].xyz_mm, b[0].xyz_mm, TOLERANCE, claims=matching.Claims(T_a_b=rigid.pose(translation_mm=[10.0, 0, 0]))
    )
    assert found.by == "geometry" and off_mm(found, a, b) < 1.0


@pytest.mark.parametrize(("a", "why"), [(np.eye(3), "few"), (np.outer(np.arange(9.0) ** 2, [100.0, 0, 0]), "line")])
def test_too_few_targets_and_targets_in_line_are_refused_before_anything_is_tried(a, why):
    refused = match(np.random.default_rng(9).uniform(0, 1000, (20, 3)), a, TOLERANCE)
    assert refused.reason == why


def test_common_targets_in_line_are_refused_though_the_list_is_wide():
    rng = np.random.default_rng(10)
    line = np.column_stack([np.cumsum(rng.uniform(50, 250, 12)), np.zeros((12, 2))])
    a = np.vstack([line, rng.uniform([0, 3000, 0], [2000, 5000, 900], (12, 3))])
    b = np.vstack([line, rng.uniform([0, -5000, 0], [2000, -3000, 900], (6, 3))])
    refused = match(a, b, TOLERANCE)
    assert refused.reason in ("line", "few")


def test_what_unrelated_targets_may_do_by_chance_is_no_match():
    rng = np.random.default_rng(11)
    a = networks.body(rng, 200).xyz_mm
    b = a[networks.patch(networks.Truth(a, a), rng, 4)]
    assert match(a, b, TOLERANCE).expected_false < 1e-3
    refused = match(a, b, pairing.Tolerance(0.5, 0.1))
    assert refused.reason == "by chance" and refused.count == 4
    found = match(
        a, b, pairing.Tolerance(0.5, 0.1), claims=matching.Claims(np.column_stack([copied_rows(a, b), range(4)]))
    )
    assert found.by == "labels"


def copied_rows(a, b):
    """Rows of a that the rows of b are copies of."""
    return np.linalg.norm(a[:, None] - b[None], axis=2).argmin(axis=0)


def test_labels_of_which_few_agree_settle_nothing():
    a, b, _, rows = half_turned()
    labelled = np.column_stack([rows, np.arange(10)])
    labelled[4:, 0] = np.roll(labelled[4:, 0], 1)  # four of ten agree, as numbers of two lists may by accident
    refused = match(a, b, TOLERANCE, claims=matching.Claims(labelled))
    assert refused.reason == "ambiguous"

"""Poses without a start: what agrees, what contradicts, and the same answer each time."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import coarse_fit, coarse_match, segment_size

CELL_MM = 40.0
CLEAR_MM = segment_size.CLEAR_MM  # the bay is wide enough for it


@pytest.fixture(scope="module")
def halves(tmp_path_factory):
    """The two ends of a bay, thinned, and the true pose of the second in the first."""
    rng = np.random.default_rng(51)
    folder = tmp_path_factory.mktemp("bay")
    thinned, true = [], []
    for name, (low, high) in {"aft": (650, 2001), "fore": (-1, 1350)}.items():
        points, normals = overlap_scenes.bay(90_000, rng)
        seen = (points[:, 0] >= low) & (points[:, 0] <= high)
        T = overlap_scenes.random_pose(rng)
        part = overlap_scenes.write_segment(folder / name, name, points[seen], normals[seen], T)
        thinned.append(coarse_match.thin(CloudFile(part.folder), CELL_MM))
        true.append(T)
    return *thinned, rigid.invert(true[0]) @ true[1], true[1]


def judged(a, b, T_a_b):
    narrow = [coarse_fit.self_occluded(segment, CLEAR_MM) for segment in (a, b)]
    return coarse_fit.compare(a, b, T_a_b, narrow, CLEAR_MM)


def test_a_shift_by_a_rib_agrees_more_and_contradicts_more(halves):
    a, b, T_a_b, T_bay_fore = halves
    true = judged(a, b, T_a_b)
    rib = rigid.invert(T_bay_fore) @ rigid.pose(None, (350.0, 0.0, 0.0)) @ T_bay_fore
    shifted = judged(a, b, T_a_b @ rib)
    assert true.contradicting < 0.002 * true.agreeing
    assert shifted.agreeing > 1.2 * true.agreeing  # more overlap, and the ribs fall on ribs
    assert 0 < true.distinctive < 0.5 * true.agreeing  # mostly walls, floor and roof
    assert shifted.rate_least > 2 * true.rate_bound


def test_polishing_finds_the_pose_from_nearby(halves):
    a, b, T_a_b, _ = halves
    off = T_a_b @ rigid.pose(None, (25.0, -20.0, 30.0))
    found = coarse_fit.align(a, cKDTree(a.xyz_mm), b, off)
    middle = b.xyz_mm.mean(axis=0)[None]
    assert np.linalg.norm(rigid.transform(found, middle) - rigid.transform(T_a_b, middle)) < 0.25 * a.cell_mm


def test_the_best_of_all_basins_is_the_true_one_each_time(halves):
    a, b, T_a_b, _ = halves
    poses = coarse_match.candidate_poses(a, b)
    best = coarse_fit.distinct_fits(a, b, poses, coarse_fit.GATES, CLEAR_MM)[0]
    middle = b.xyz_mm.mean(axis=0)[None]
    assert np.linalg.norm(rigid.transform(best.T_a_b, middle) - rigid.transform(T_a_b, middle)) < a.cell_mm
    assert rigid.angle_deg(rigid.invert(best.T_a_b) @ T_a_b) < 1.0
    again = coarse_match.candidate_poses(a, b)
    assert len(again) == len(poses)
    for one, other in zip(poses, again, strict=True):
        np.testing.assert_array_equal(one, other)


def test_starts_that_lie_near_each_other_may_lead_to_different_poses(halves):
    """The first slides on among the ribs; the second, three and a half cells away, leads to the true pose."""
    a, b, T_a_b, T_bay_fore = halves
    shifts = [rigid.pose(None, (mm, 0.0, 0.0)) for mm in (60.0 + 3.5 * CELL_MM, 60.0)]
    starts = [T_a_b @ rigid.invert(T_bay_fore) @ shift @ T_bay_fore for shift in shifts]

    def true_among(starts):
        found = coarse_fit.distinct_fits(a, b, starts, coarse_fit.GATES, CLEAR_MM)
        return any(not coarse_fit.distinct(b, fit.T_a_b, T_a_b) for fit in found)

    assert not true_among(starts[:1])
    assert true_among(starts)

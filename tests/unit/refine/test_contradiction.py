"""Segments in their final poses: which contradict the others, which meet none, and what the page says of it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import contradiction
from nightbay.refine.coarse_fit import Fit
from nightbay.refine.part import Sizes
from nightbay.refine.result import Contradictions
from nightbay.report import job_warnings
from overlap_scenes import egg, random_pose, write_segment

CELL_MM, MOST = 60.0, 0.03
SIZES = Sizes(
    spacing_mm=10.0, disc_radius_mm=20.0, patch_mm=400.0, cell_mm=CELL_MM, clear_mm=300.0, registration_sd_most_mm=2.0
)
ENDS = {"front": (0, -1), "left": (1, -1), "rear": (0, 1), "right": (1, 1)}


def scene(folder, seed, count=150_000):
    """Four segments of the egg, each two thirds of it seen from one side: names, clouds, true poses."""
    rng = np.random.default_rng(seed)
    points, normals = egg(count, rng)
    clouds, poses = [], []
    for name, (axis, sign) in ENDS.items():
        seen = sign * points[:, axis] > -0.33 * np.abs(points[:, axis]).max()
        noisy = points[seen] + rng.normal(0, 0.1, (int(seen.sum()), 3))
        poses.append(random_pose(rng))
        cleaned = write_segment(folder / name, name, noisy, normals[seen], poses[-1])
        clouds.append(CloudFile(cleaned.folder))
    return list(ENDS), clouds, poses


def moved(pose, clouds, mm, deg, rng):
    """The pose turned about its segment's middle and shifted."""
    middle = rigid.transform(pose, clouds.sample(10_000).xyz_mm.mean(axis=0)[None] + clouds.origin_mm)[0]
    turn = Rotation.from_rotvec(np.radians(deg) * _way(rng)).as_matrix()
    return rigid.pose(turn, middle - turn @ middle + mm * _way(rng)) @ pose


def _way(rng):
    way = rng.normal(size=3)
    return way / np.linalg.norm(way)


@pytest.mark.parametrize("seed", [1, 2])
def test_segments_in_their_place_agree(tmp_path, seed):
    names, clouds, poses = scene(tmp_path, seed)
    found = contradiction.find(names, clouds, poses, SIZES, MOST)
    assert found.doubted == {} and found.isolated == []
    # thirds of the egg overlap: some 20 m2 at 3.6e-3 m2 a cell, a tenth of them at the least in each of five pairs
    assert sum(fit.agreeing for fit in found.pairs.values()) > 5 * 500


@pytest.mark.parametrize(("mm", "deg"), [(150.0, 1.0), (400.0, 10.0)])
def test_a_segment_in_a_wrong_place_is_named_and_no_other(tmp_path, mm, deg):
    names, clouds, poses = scene(tmp_path, 3)
    rng = np.random.default_rng(4)
    poses[2] = moved(poses[2], clouds[2], mm, deg, rng)
    assert list(contradiction.find(names, clouds, poses, SIZES, MOST).doubted) == ["rear"]


def test_a_segment_far_from_all_others_is_alone(tmp_path):
    names, clouds, poses = scene(tmp_path, 5)
    poses[0] = rigid.pose(np.eye(3), [20_000.0, 0, 0]) @ poses[0]
    found = contradiction.find(names, clouds, poses, SIZES, MOST)
    assert found.isolated == ["front"] and found.doubted == {}


def test_a_single_segment_has_nothing_to_contradict(tmp_path):
    names, clouds, poses = scene(tmp_path, 6)
    found = contradiction.find(names[:1], clouds[:1], poses[:1], SIZES, MOST)
    assert found.record() == Contradictions(CELL_MM, [], [], [])


def fits(**pairs):
    """Fits by pair: ``a_b=(agree, conflict)``."""
    return {tuple(pair.split("_")): Fit(np.eye(4), counts[0], *counts) for pair, counts in pairs.items()}


def test_the_wrong_one_takes_its_contradictions_along():
    pairs = fits(a_b=(2000, 3), a_c=(500, 300), b_c=(400, 250))
    assert list(contradiction.doubted(pairs, "abc", MOST)) == ["c"]


def test_of_two_that_contradict_only_each_other_both_are_named():
    pairs = fits(a_b=(1000, 200), a_c=(900, 0), b_c=(900, 0))
    assert sorted(contradiction.doubted(pairs, "abc", MOST)) == ["a", "b"]


def test_few_cells_may_be_chance():
    """12 cells of 200: 3 % would be 6, and two standard deviations of 12 are 7."""
    assert contradiction.doubted(fits(a_b=(200, 12)), "ab", MOST) == {}
    assert sorted(contradiction.doubted(fits(a_b=(200, 40)), "ab", MOST)) == ["a", "b"]


def test_what_the_page_says():
    found = contradiction.Agreement({}, {"roof": Fit(np.eye(4), 100, 100, 500)}, ["front"], 30.0)
    found = found.record()
    doubted, isolated = job_warnings.contradictions(found)
    assert doubted.startswith(
        "Segment roof contradicts the other segments: about 4\u202f500.0\u202fcm² of surface, its own and"
    )
    assert "900.0\u202fcm² agrees" in doubted
    assert isolated.startswith("Segment front overlaps no surface of another segment")
    assert job_warnings.contradictions(replace(found, doubted=[], isolated=[])) == []

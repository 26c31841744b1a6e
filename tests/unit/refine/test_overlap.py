"""Correspondences of two working clouds against planes, thin panels and curvature that are known."""

import numpy as np
import pytest

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import overlap


def plate(folder, name, rng, height_mm, pose, up=1.0, noise_mm=0.1, count=40_000, size_mm=600.0):
    """A working cloud of a square plate at a height, facing up or down."""
    points = rng.uniform(0, size_mm, (count, 3))
    points[:, 2] = height_mm + rng.normal(0, noise_mm, count)
    normals = np.tile([0.0, 0.0, up], (count, 1))
    return CloudFile(overlap_scenes.write_segment(folder / name, name, points, normals, pose).folder)


def test_distance_of_two_plates_and_its_standard_deviation(tmp_path):
    rng = np.random.default_rng(1)
    T_a, T_b = overlap_scenes.random_pose(rng), overlap_scenes.random_pose(rng)
    a, b = plate(tmp_path, "a", rng, 0.0, T_a), plate(tmp_path, "b", rng, 0.25, T_b)
    discs = overlap.match(a, b, rigid.invert(T_b) @ T_a, overlap.Search(9.0, 4.0, 2000))
    d = (rigid.transform(T_b, discs.at_b) - rigid.transform(T_a, discs.at_a))[:, 2]
    assert d.mean() == pytest.approx(0.25, abs=4 * 0.1 * np.sqrt(2 / len(a)))
    # the spread of d is what each disc says of its own error
    assert d.std() == pytest.approx(np.sqrt(np.mean(discs.sd_mm**2)), rel=0.1)
    assert discs.share == pytest.approx(1.0, abs=0.02)
    assert 1000 < len(discs) <= 2000


def test_the_two_skins_of_a_panel_never_meet(tmp_path):
    rng = np.random.default_rng(2)
    T = overlap_scenes.random_pose(rng)
    a, b = plate(tmp_path, "a", rng, 0.0, T), plate(tmp_path, "b", rng, -3.0, T, up=-1.0)
    assert len(overlap.match(a, b, np.eye(4), overlap.Search(9.0, 6.0, 2000))) == 0


def test_curvature_cancels_where_one_run_is_denser(tmp_path):
    # a ball of 300 mm radius; discs of 15 mm radius sag by 15**2 / (4 * 300) = 0.19 mm in either cloud alike
    rng = np.random.default_rng(3)
    T = np.eye(4)
    clouds = []
    for name, count in (("a", 60_000), ("b", 15_000)):
        normals = rng.normal(size=(count, 3))
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        clouds.append(CloudFile(overlap_scenes.write_segment(tmp_path / name, name, 300 * normals, normals, T).folder))
    discs = overlap.match(*clouds, np.eye(4), overlap.Search(15.0, 5.0, 3000))
    normal = discs.normal_a + discs.normal_b
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    d = np.sum((discs.at_b - discs.at_a) * normal, axis=1)
    assert abs(d.mean()) < 4 * d.std() / np.sqrt(len(d))
    assert abs(d.mean()) < 0.01


def test_rare_directions_are_sampled_whole(tmp_path):
    rng = np.random.default_rng(4)
    T = np.eye(4)
    flat = np.column_stack([rng.uniform(0, 1000, (50_000, 2)), np.zeros(50_000)])
    edge = np.column_stack([np.zeros(500), rng.uniform(0, 1000, 500), rng.uniform(0, 10, 500)])
    points = np.concatenate([flat, edge])
    normals = np.repeat([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]], [50_000, 500], axis=0)
    cloud = CloudFile(overlap_scenes.write_segment(tmp_path / "a", "a", points, normals, T).folder)
    discs = overlap.match(cloud, cloud, np.eye(4), overlap.Search(12.0, 3.0, 1500))
    sideways = np.abs(discs.normal_a[:, 0]) > 0.9
    assert sideways.sum() > 60  # fifteen if all directions were thinned alike: a hundredth of 1500
    assert discs.share == pytest.approx(1.0, abs=0.05)


def test_segments_apart_have_no_correspondences(tmp_path):
    rng = np.random.default_rng(5)
    a, b = plate(tmp_path, "a", rng, 0.0, np.eye(4)), plate(tmp_path, "b", rng, 0.0, np.eye(4))
    away = rigid.pose(None, (5000.0, 0.0, 0.0))
    assert len(overlap.match(a, b, rigid.invert(away), overlap.Search(9.0, 4.0, 2000))) == 0
    assert overlap.pairs([a, b], [np.eye(4), away], overlap.Search(9.0, 4.0, 2000)) == []


def test_spacing_of_a_square_grid(tmp_path):
    grid = np.stack(np.meshgrid(np.arange(0, 400, 5.0), np.arange(0, 400, 5.0), [0.0]), axis=-1).reshape(-1, 3)
    normals = np.tile([0.0, 0.0, 1.0], (len(grid), 1))
    cloud = CloudFile(overlap_scenes.write_segment(tmp_path / "a", "a", grid, normals, np.eye(4)).folder)
    # the sixth neighbour of a grid lies at sqrt(2) steps: 7.07 * sqrt(pi / 6) = 5.1
    assert overlap.spacing_mm(cloud) == pytest.approx(5.0, rel=0.05)

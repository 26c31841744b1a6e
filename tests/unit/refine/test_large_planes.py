"""What of a segment lies off its large planes."""

import numpy as np

import overlap_scenes
from nightbay.core import rigid
from nightbay.refine import large_planes

CELL_MM = 50.0


def floor_and_post(rng, noise_mm):
    """Cells of a floor of 40 by 40, and of a round post on it, in a pose at random; and which are the post's."""
    at = CELL_MM * np.stack(np.meshgrid(np.arange(40.0), np.arange(40.0)), axis=-1).reshape(-1, 2)
    turn, height = np.meshgrid(np.linspace(0, 2 * np.pi, 12, endpoint=False), CELL_MM * np.arange(1.0, 13.0))
    out = np.column_stack([np.cos(turn.ravel()), np.sin(turn.ravel()), np.zeros(turn.size)])
    post = 100.0 * out + np.column_stack([np.full((turn.size, 2), 1000.0), height.ravel()])
    xyz_mm = np.concatenate([np.column_stack([at, np.zeros(len(at))]), post])
    normal = np.concatenate([np.tile([0.0, 0.0, 1.0], (len(at), 1)), out])
    xyz_mm = xyz_mm + noise_mm * rng.normal(size=(len(xyz_mm), 1)) * normal
    normal = normal + rng.normal(0, np.radians(3), normal.shape)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    T = overlap_scenes.random_pose(rng)
    return rigid.transform(T, xyz_mm), rigid.rotate(T, normal), np.arange(len(xyz_mm)) >= len(at)


def test_a_post_is_distinctive_and_the_floor_is_not():
    rng = np.random.default_rng(1)
    xyz_mm, normal, post = floor_and_post(rng, 0.1 * CELL_MM)
    off = large_planes.off_large_planes(xyz_mm, normal, CELL_MM)
    assert off[post].all()  # its sides hold a twelfth of 144 cells each, less than a twenty-fifth of all
    # a cell is off by the half thickness, five standard deviations, or where its normal is by 20 deg of 3 each way
    assert not off[~post].any()
    flipped = large_planes.off_large_planes(xyz_mm, normal * rng.choice([-1, 1], (len(normal), 1)), CELL_MM)
    np.testing.assert_array_equal(off, flipped)  # sides don't matter


def test_a_round_body_is_distinctive_all_over():
    points, normals = overlap_scenes.egg(3000, np.random.default_rng(2))
    off = large_planes.off_large_planes(points, normals, 40.0)
    assert off.mean() > 0.95


def test_few_cells_have_no_planes():
    assert large_planes.off_large_planes(np.zeros((0, 3)), np.zeros((0, 3)), CELL_MM).shape == (0,)
    assert large_planes.off_large_planes(np.eye(3)[:2], np.eye(3)[:2], CELL_MM).all()

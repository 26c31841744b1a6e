"""Poses of segments with faces at right angles: the axes of their faces, and what votes of shifts find."""

import numpy as np
from scipy.spatial.transform import Rotation

import overlap_scenes
from nightbay.core import rigid
from nightbay.refine import coarse_fit, square_match
from nightbay.refine.coarse_match import ThinnedSegment

CELL_MM = 100.0


def room(rng):
    """Cells of a room, its walls facing in, with eight boxes at places of their own on the floor: points, normals."""
    size, step = np.array([4000.0, 1800.0, 1900.0]), CELL_MM
    points, normals = [], []
    for axis in range(3):
        across = [other for other in range(3) if other != axis]
        grid = np.stack(np.meshgrid(*(np.arange(step / 2, size[other], step) for other in across)), -1).reshape(-1, 2)
        for end, sign in ((0.0, 1.0), (size[axis], -1.0)):
            face = np.zeros((len(grid), 3))
            face[:, across], face[:, axis] = grid, end
            points.append(face)
            normals.append(np.tile(sign * np.eye(3)[axis], (len(grid), 1)))
    for _ in range(8):
        edge = rng.uniform(200, 500, 3)
        low = np.append(rng.uniform(0, size[:2] - edge[:2]), 0.0)
        for axis in range(3):
            across = [other for other in range(3) if other != axis]
            ways = (np.arange(step / 4, edge[other], step / 2) for other in across)
            grid = np.stack(np.meshgrid(*ways), -1).reshape(-1, 2)
            for end, sign in ((0.0, -1.0), (edge[axis], 1.0)):
                face = np.zeros((len(grid), 3))
                face[:, across], face[:, axis] = grid, end
                points.append(low + face)
                normals.append(np.tile(sign * np.eye(3)[axis], (len(grid), 1)))
    return np.concatenate(points), np.concatenate(normals)


def posed(points, normals, T):
    back = rigid.invert(T)
    return ThinnedSegment(rigid.transform(back, points), rigid.rotate(back, normals), CELL_MM)


def test_votes_find_the_pose_of_two_ends_of_a_room():
    rng = np.random.default_rng(6)
    points, normals = room(rng)
    normals = normals + rng.normal(0, np.radians(4), normals.shape)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    true = [overlap_scenes.random_pose(rng) for _ in "ab"]
    ends = points[:, 0] < 2800, points[:, 0] > 1200
    a, b = (posed(points[seen], normals[seen], T) for seen, T in zip(ends, true, strict=True))
    T_a_b = rigid.invert(true[0]) @ true[1]
    poses = square_match.candidate_poses(a, b)
    assert 0 < len(poses) <= square_match.MOST
    off_mm = [np.abs(rigid.transform(T, b.xyz_mm) - rigid.transform(T_a_b, b.xyz_mm)).max() for T in poses]
    assert min(off_mm[:8]) < coarse_fit.GATES[0] * CELL_MM  # where the alignment can start from
    assert all(np.linalg.det(T[:3, :3]) > 0 for T in poses)  # rotations, no reflections


def test_plain_walls_have_no_votes():
    points, normals = room(np.random.default_rng(7))
    wall = np.flatnonzero(points[:, 2] == 0.0)[:1800]
    alone = ThinnedSegment(points[wall], np.tile([0.0, 0.0, 1.0], (len(wall), 1)), CELL_MM)
    assert square_match.candidate_poses(alone, alone) == []


def test_square_axes_follow_the_faces_and_not_single_normals():
    rng = np.random.default_rng(8)
    turn = Rotation.random(rng=rng).as_matrix()
    faces = np.tile(np.eye(3), (300, 1)) * rng.choice([-1, 1], (900, 1))
    noise_deg = 4.0
    normals = (faces + rng.normal(0, np.radians(noise_deg), faces.shape)) @ turn.T
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    axes = square_match.square_axes(normals)
    np.testing.assert_allclose(axes.T @ axes, np.eye(3), atol=1e-12)
    assert np.linalg.det(axes) > 0
    along = np.abs(turn.T @ axes).max(axis=0)
    # means of 300 normals; two angles of each of three axes, four standard deviations
    assert np.degrees(np.arccos(along.min())) < 4 * np.sqrt(2) * noise_deg / np.sqrt(300)


def test_faces_of_one_direction_leave_the_others_free_but_square():
    axes = square_match.square_axes(np.tile([0.0, 0.0, 1.0], (50, 1)))
    np.testing.assert_allclose(axes.T @ axes, np.eye(3), atol=1e-12)
    assert np.abs(axes[2]).max() > 1 - 1e-12


def test_a_box_is_turned_about_its_axes_of_inertia_and_about_those_of_its_sides():
    rng = np.random.default_rng(4)
    turn = Rotation.random(rng=rng)
    corner = rng.uniform(-1, 1, (500, 3)) * [900.0, 500.0, 300.0]
    points = np.concatenate([corner, -corner])
    points[:, 0] += 0.8 * points[:, 1]  # sheared: the axes of inertia are others than those of the sides
    normal = np.tile(np.eye(3)[np.arange(500) % 3], (2, 1))
    shift = np.array([300.0, -40.0, 10.0])
    segment = ThinnedSegment(turn.apply(points + shift), turn.apply(normal), CELL_MM)
    motions = square_match.cube_turns(segment)
    assert len(motions) == 2 * 23  # rotations of a cube but the one that changes nothing
    inertia = np.linalg.eigh(np.cov(points.T))[1]
    middle = turn.apply(shift)
    for axes, mine in ((inertia, motions[:23]), (np.eye(3), motions[23:])):
        turned_axes = turn.as_matrix() @ axes
        for motion in mine:
            np.testing.assert_allclose(rigid.transform(motion, middle[None])[0], middle, atol=1e-6)
            along = np.abs(turned_axes.T @ motion[:3, :3] @ turned_axes)  # a permutation of the axes
            np.testing.assert_allclose(along, np.round(along), atol=1e-9)

"""The planes of a room against other libraries on the same points."""

import numpy as np
import open3d
import pytest
import scipy.optimize
import trimesh

import blockcar
from nightbay.core import plane_fit
from nightbay.frame import room_planes

NOISE_MM = 0.1


def floor_with_ridges(seed):
    """A floor of 3 x 1.7 m that leans, a tenth of it ridges 7 mm high: noisy points (n, 3), true normal."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform([-1500, -850], [1500, 850], (20_000, 2))
    z = rng.normal(0, NOISE_MM, len(xy)) + 7.0 * (np.abs(xy[:, 1] % 500 - 250) < 25)
    turn = blockcar.rotation(rng)
    return np.column_stack([xy, z]) @ turn.T, turn[:, 2]


@pytest.mark.parametrize("seed", range(3))
def test_a_plane_agrees_with_scipys_robust_least_squares(seed):
    """``scipy.optimize.least_squares`` with a Cauchy loss, same model. Both find the bare floor: its direction is
    known to noise / (root of the count x rms lever), 0.1 / (134 x 480) rad = 0.0001 degrees along the shorter side.
    The Cauchy loss leaves a pull of the ridges, the share of them times scale squared over their height: 0.1 x
    0.1^2 / 7 mm, below a micrometre. Ten times the noise's share is allowed."""
    points, true = floor_with_ridges(seed)
    normal, offset_mm, sd_mm, tilt = plane_fit.fit(points, true, points.mean(axis=0), (20.0, 10.0))
    first, second = plane_fit.across(true)
    design = np.column_stack([np.ones(len(points)), points @ first, points @ second])
    found = scipy.optimize.least_squares(
        lambda at: design @ at - points @ true, np.zeros(3), jac=lambda at: design, loss="cauchy", f_scale=NOISE_MM,
        x_scale=[1.0, 1e-3, 1e-3],
    )  # fmt: skip
    other = true - found.x[1] * first - found.x[2] * second
    other /= np.linalg.norm(other)
    assert np.degrees(np.arccos(min(normal @ other, 1.0))) < 0.001
    assert np.degrees(np.arccos(min(normal @ true, 1.0))) < 0.001
    assert abs(offset_mm) < 10 * NOISE_MM / np.sqrt(len(points))
    assert 0.0 < sd_mm < 10 * NOISE_MM / np.sqrt(len(points)) and tilt < np.radians(0.001)


def test_the_planes_of_a_box_agree_with_open3ds_segmentation():
    """``open3d.geometry.PointCloud.segment_plane`` (RANSAC, then least squares on the points within 0.4 mm), plane
    after plane, on the points of a box of known size: each of its six sides is found by both, and they agree within
    what four standard deviations of noise, cut off at 0.4 mm, leave in a mean of some thousand points (0.1 / 50 =
    0.002 mm), with the tilt over half the box at most ten times that."""
    mesh = trimesh.creation.box(bounds=[[0, -850, 0], [3000, 850, 1800]])
    xyz, outward = blockcar.scan(mesh, 30_000, 1, NOISE_MM)
    turn = blockcar.rotation(np.random.default_rng(4))
    xyz, normals = xyz @ turn.T, -outward @ turn.T  # a room is seen from inside
    ours = room_planes.find(xyz, normals, 20.0)
    assert len(ours) == 6
    open3d.utility.random.seed(1)
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(xyz))
    for _ in range(6):
        (a, b, c, _), rows = cloud.segment_plane(4 * NOISE_MM, 3, 3000)
        points = np.asarray(cloud.points)[rows]
        other = np.array([a, b, c])
        plane = min(ours, key=lambda plane: abs(plane.distance_mm(points).mean()))
        away = plane.distance_mm(points)
        assert abs(away.mean()) < 0.02
        assert np.degrees(np.arccos(min(abs(plane.normal @ other), 1.0))) < 0.02
        cloud = cloud.select_by_index(rows, invert=True)
    # opposite sides are as far apart as the box is large: the noise of two planes of some thousand points
    spans = sorted(
        -(one.offset_mm + other.offset_mm) for at, one in enumerate(ours) for other in ours[at + 1 :]
        if one.normal @ other.normal < -0.99
    )  # fmt: skip
    assert spans == pytest.approx([1700.0, 1800.0, 3000.0], abs=0.02)

"""Registration of points to a surface: the pose is found, and what changed does not pull it."""

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from nightbay.comparison import surface_fit
from nightbay.core import rigid


def body():
    """A box with a sloping cabin, about 1.2 m long."""
    lower = trimesh.creation.box(bounds=[[0, -250, 0], [1200, 250, 300]])
    upper = trimesh.creation.box(bounds=[[300, -230, 300], [900, 230, 520]])
    top = upper.vertices[:, 2] > 400
    upper.vertices[top, 0] += np.where(upper.vertices[top, 0] > 600, -90.0, 120.0)
    return trimesh.util.concatenate([lower, upper])


def sample(seed, noise_mm=0.0, count=20_000):
    points, face = trimesh.sample.sample_surface(body(), count, seed=seed)
    normals = body().face_normals[face]
    off = np.random.default_rng(seed).normal(0.0, noise_mm, (count, 1)) if noise_mm else 0.0
    return surface_fit.Sheet(points + off * normals, normals, 10.0)


def moved(sheet, T):
    return surface_fit.Sheet(rigid.transform(T, sheet.points_mm), rigid.rotate(T, sheet.normals), sheet.spacing_mm)


AWAY = rigid.pose(Rotation.from_rotvec([0.004, -0.006, 0.008]).as_matrix(), [6.0, -4.0, 5.0])


def test_a_pose_is_found():
    fit = surface_fit.fit(moved(sample(1), AWAY), sample(2), (40.0, 10.0, 3.0))
    error = fit.T_target_points @ AWAY
    assert np.abs(error[:3, 3]).max() < 0.02
    assert rigid.angle_deg(error) < 0.003
    assert fit.share > 0.8  # lid and floor of the cabin face each other and have no partner


def test_a_panel_that_moved_does_not_pull():
    target = sample(2, noise_mm=0.05)
    changed = sample(1, noise_mm=0.05)
    panel = (changed.normals[:, 1] > 0.9) & (changed.points_mm[:, 0] > 500) & (changed.points_mm[:, 2] < 300)
    assert 0.05 < panel.mean() < 0.15
    changed.points_mm[panel, 1] += 2.0
    fit = surface_fit.fit(moved(changed, AWAY), target, (40.0, 10.0, 3.0))
    # a plain least-squares fit shifts by the panel's share of the sides, a third of 2 mm
    assert np.abs((fit.T_target_points @ AWAY)[:3, 3]).max() < 0.1


def test_only_free_directions_are_fitted():
    shifted = moved(sample(1), rigid.pose(None, [1.0, 0.0, 2.0]))
    fit = surface_fit.fit(shifted, sample(2), (10.0, 5.0), free=(False, False, False, False, False, True))
    assert fit.T_target_points[:3, 3] == pytest.approx([0.0, 0.0, -2.0], abs=0.02)
    assert np.count_nonzero(fit.covariance) == 1


def test_a_shape_that_slides_is_no_fit():
    points = np.column_stack([*np.random.default_rng(1).uniform(0, 500, (2, 2000)), np.zeros(2000)])
    plane = surface_fit.Sheet(points, np.tile([0.0, 0.0, 1.0], (2000, 1)), 10.0)
    assert surface_fit.fit(plane, plane, (20.0, 5.0)) is None
    far = surface_fit.Sheet(points + [0, 0, 900.0], plane.normals, 10.0)
    assert surface_fit.fit(far, sample(1), (20.0, 5.0)) is None

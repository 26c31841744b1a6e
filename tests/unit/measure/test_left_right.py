"""Left against right: on bodies whose sides are known to differ, or not to."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import part_results
from nightbay.comparison.changes import Options
from nightbay.measure import left_right, measured_shape
from nightbay.meshes import surface, vertices

OPTIONS = Options(patch_mm=60.0, level=0.05, least_mm2=1000.0, least_mm=0.3)
NOISE_MM = 0.1


def hull():
    """An egg of about 1 m: no turn leaves it as it is."""
    ball = trimesh.creation.icosphere(subdivisions=6, radius=500.0)
    x, y, z = ball.vertices.T
    return np.column_stack([x * 1.4 + 40 * np.sin(z / 200), y * (1 + x / 3000), z * 0.8]), ball.faces


def compare(points, faces, left=1.0, limit_mm=25.0, covariance=None, filled=None):
    face = {} if filled is None else {"filled": filled.astype(np.uint8)}
    model = surface.Surface(points.astype(np.float32), faces.astype(np.int32), {}, face)
    body = SimpleNamespace(
        surface=model,
        areas=vertices.areas(model),
        frame=part_results.frame(points.min(axis=0), points.max(axis=0)),
        poses={"all": part_results.pose(covariance=covariance)},
        scan=SimpleNamespace(noise_mm=NOISE_MM, target_drift_mm_per_m=0.03),
        options=SimpleNamespace(comparison_spacing_mm=15.0),
    )
    return left_right.compare(measured_shape.of(body, []), left, limit_mm, OPTIONS)


def test_equal_sides_do_not_differ():
    found = compare(*hull())
    numbers = left_right.summary(found, OPTIONS)
    # both sides are cut into faces alike but for the seam: less than the sagitta of a face, 20^2 / (8 * 400)
    assert numbers.abs_95_mm < 20.0**2 / 3200
    assert numbers.without_partner < 0.01
    assert numbers.areas == []


@pytest.mark.parametrize(("left", "sign"), [(1.0, 1.0), (-1.0, -1.0)])
def test_a_bulge_is_found_with_its_sign_place_and_size(left, sign):
    points, faces = hull()
    out = trimesh.Trimesh(points, faces, process=False).vertex_normals
    away = np.linalg.norm(points - [300.0, 520.0, 0.0], axis=1)
    assert away.min() < 40.0
    bulge = np.where(away < 120.0, 1.5, 0.0)
    found = left_right.summary(compare(points + out * bulge[:, None], faces, left), OPTIONS)
    (area,) = found.areas
    assert area.largest_mm == pytest.approx(sign * 1.5, abs=0.1)
    there = area.at_mm * [1.0, 1.0 if left > 0 else -1.0, 1.0]  # the areas lie on the left side
    assert np.linalg.norm(there - [300.0, 520.0, 0.0]) < 120.0
    assert area.area_cm2 == pytest.approx(np.pi * 12.0**2, rel=0.4)
    assert area.uncertainty_mm < 0.3


def test_a_dent_does_not_tilt_the_mirror_plane():
    points, faces = hull()
    dent = (points[:, 1] > 0) & (points[:, 0] > 100) & (points[:, 0] < 500)
    found = compare(points - np.outer(dent, [0.0, 3.0, 0.0]), faces)
    numbers = left_right.summary(found, OPTIONS)
    # a quarter of the points moved by 3 mm along Y: their mean would move the plane by 0.4 mm
    assert numbers.refitted_mm < 0.15
    assert abs(numbers.median_mm) < 0.1
    assert min(area.largest_mm for area in numbers.areas) == pytest.approx(-3.0, abs=0.3)


def test_a_body_beside_its_plane_is_compared_about_its_own():
    points, faces = hull()
    found = left_right.summary(compare(points + [0.0, 0.8, 0.0], faces), OPTIONS)
    assert found.refitted_mm == pytest.approx(0.8, abs=0.05)
    assert found.areas == []


def test_unsure_poses_hide_what_they_explain():
    points, faces = hull()
    away = np.linalg.norm(points - [300.0, 520.0, 0.0], axis=1)
    bulged = points + np.outer(away < 120.0, [0.0, 0.6, 0.0])
    assert left_right.summary(compare(bulged, faces), OPTIONS).areas
    # one segment saw both sides: its shift moves them together along X, and apart along Y
    along = np.diag([0, 0, 0, 1.0, 0, 0])
    assert left_right.summary(compare(bulged, faces, covariance=along), OPTIONS).areas
    across = np.diag([0, 0, 0, 0, 1.0, 0])
    assert left_right.summary(compare(bulged, faces, covariance=across), OPTIONS).areas == []


def test_what_only_one_side_shows_has_no_partner():
    points, faces = hull()
    middle = points[faces].mean(axis=1)
    shown = (middle[:, 1] > 0) | (middle[:, 0] < 0)
    numbers = left_right.summary(compare(points, faces[shown]), OPTIONS)
    assert numbers.without_partner == pytest.approx(0.5, abs=0.05)
    filled = left_right.summary(compare(points, faces, filled=~shown), OPTIONS)
    assert filled.without_partner == pytest.approx(0.5, abs=0.05)


def test_sides_that_share_nothing_give_no_numbers():
    points, faces = hull()
    left = points[faces][:, :, 1].min(axis=1) > 50.0
    assert left_right.summary(compare(points, faces[left]), OPTIONS) is None

"""The uncertainty of a surface's points by cause, against closed forms."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import part_results
from nightbay.frame.result import Bounds
from nightbay.uncertainty import registration, surface_map

SCAN = SimpleNamespace(noise_mm=0.1, target_drift_mm_per_m=0.03)
POINTS = np.array([[0.0, 0.0, 0.0], [4000.0, 0.0, 0.0], [2000.0, 900.0, 1000.0], [2000.0, -900.0, -1000.0]])
NORMALS = np.array([[-1.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
ALL = [("all", -9e3, 9e3)]


def of(*, segments=ALL, covariance=None, count=None, spread_mm=None, areas=(1.0,) * 4, frame=None, overlap_sd_mm=0.0):
    frame = frame or part_results.frame([0, 0, 0], [1, 1, 1], found_by=("wheels",) * 3)
    frame.segments.clear()
    frame.segments.update({name: Bounds(np.full(3, low), np.full(3, high)) for name, low, high in segments})
    poses = registration.of(frame, {name: part_results.pose(covariance=covariance) for name, *_ in segments})
    poses = replace(poses, overlap_sd_mm=np.full(len(segments), overlap_sd_mm))
    points = surface_map.SurfacePoints(
        POINTS,
        NORMALS,
        np.array(areas),
        None if count is None else np.array(count, np.float32),
        None if spread_mm is None else np.array(spread_mm, np.float32),
    )
    return surface_map.of(points, poses, frame, SCAN)


def test_noise_averages_over_the_points_of_a_vertex():
    found = of(count=[4, 1, 0, 25], spread_mm=[0.1, 0.3, np.nan, 0.01])
    # a spread below the scanner's noise, or none, counts as that noise
    assert found.noise == pytest.approx([0.05, 0.3, 0.1, 0.02])
    assert of().noise == pytest.approx(np.full(4, 0.1))


def test_drift_grows_with_the_distance_from_the_middle():
    reach = np.linalg.norm(POINTS - [2000.0, 0.0, 0.0], axis=1)
    assert of().drift == pytest.approx(0.03 * reach / 1000.0)


def test_poses_count_along_the_normal_and_no_less_than_overlaps_show():
    covariance = np.diag([0, 0, 0, 0.09, 0.04, 0.01])
    assert of(covariance=covariance).registration == pytest.approx([0.3, 0.3, 0.2, 0.1])
    assert of(covariance=covariance, overlap_sd_mm=0.25).registration == pytest.approx([0.3, 0.3, 0.25, 0.25])


def test_the_frame_is_apart_and_moves_nothing_of_the_shape():
    frame = part_results.frame([0, 0, 0], [1, 1, 1], found_by=("wheels",) * 3, turn=0.01)
    sure = of(frame=part_results.frame([0, 0, 0], [1, 1, 1], found_by=("wheels",) * 3))
    found = of(frame=frame)
    assert found.shape == pytest.approx(sure.shape)
    # the last point, 2000 mm from Z and 900 mm from X with its normal along Z, turns about X and Y
    lever = np.hypot(2000.0, 900.0)
    assert found.frame[3] == pytest.approx(np.hypot(0.1, np.radians(0.01) * lever))
    assert found.in_vehicle == pytest.approx(np.hypot(found.shape, found.frame))


def test_a_frame_kept_as_scanned_has_no_uncertainty():
    frame = part_results.frame([0, 0, 0], [1, 1, 1])
    frame.zero_planes["y"] = replace(frame.zero_planes["y"], sd_mm=None)
    found = of(frame=frame)
    assert np.isnan(found.frame).all() and np.isnan(found.in_vehicle).all()
    assert np.isfinite(found.shape).all()


def test_what_was_filled_or_seen_by_no_segment_is_not_known():
    found = of(areas=(0.0, 1.0, 1.0, 1.0))
    assert np.isnan(found.shape).tolist() == [True, False, False, False]
    found = of(segments=[("near", -100.0, 100.0)])
    assert np.isnan(found.shape).tolist() == [False, True, True, True]

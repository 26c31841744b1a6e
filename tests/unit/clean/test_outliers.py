"""Outliers: told from the surfaces they hover over; what is thin, folded or sampled thinly is no outlier."""

import numpy as np
import pytest

from nightbay.clean import neighbours, outliers
from nightbay.clouds import cloud

NOISE_MM = 0.05
SPACING_MM = 2.0


def plate(rng, low, high, height_mm=0.0, spacing_mm=SPACING_MM):
    count = int((high[0] - low[0]) * (high[1] - low[1]) / spacing_mm**2)
    points = np.column_stack([rng.uniform(low, high, (count, 2)), height_mm + rng.normal(0, NOISE_MM, count)])
    return points, np.tile([0.0, 0.0, 1.0], (count, 1))


def states(*pieces):
    """State of the points of each piece."""
    xyz, normal = (np.concatenate(one).astype(np.float32) for one in zip(*pieces, strict=True))
    cells = neighbours.sort_into_cells(cloud.Cloud(xyz, normal), 3 * SPACING_MM)
    state, _ = outliers.judge(cells, NOISE_MM)
    ends = np.cumsum([len(points) for points, _ in pieces])[:-1]
    return np.split(state[np.argsort(cells.order)], ends)


@pytest.mark.parametrize("off_mm", [1.5, -1.5, 2.0, 4.0, 8.0, 30.0])
def test_a_point_off_a_plate_is_an_outlier(off_mm):
    rng = np.random.default_rng(1)
    at = np.column_stack([rng.uniform(20, 380, (40, 2)), np.full(40, off_mm)])  # three within 15 spacings
    surface, off = states(plate(rng, (0, 0), (400, 400)), (at, np.tile([0.0, 0.0, 1.0], (40, 1))))
    assert np.all(surface == outliers.SUPPORTED)
    assert np.mean(off == outliers.OUTLIER) >= 0.95


def test_a_surface_of_which_one_point_in_fifty_comes_back_stays():
    rng = np.random.default_rng(2)
    pane = plate(rng, (200, 0), (500, 300), spacing_mm=7 * SPACING_MM)
    _, glass = states(plate(rng, (0, 0), (196, 300)), pane)
    assert np.mean(glass != outliers.OUTLIER) >= 0.95


def test_the_bottom_of_a_door_gap_stays():
    rng = np.random.default_rng(3)
    gap = plate(rng, (100, 0), (104, 200), -5.0, spacing_mm=1.7 * SPACING_MM)
    left, right, bottom = states(plate(rng, (0, 0), (100, 200)), plate(rng, (104, 0), (200, 200)), gap)
    assert np.all(left == outliers.SUPPORTED) and np.all(right == outliers.SUPPORTED)
    assert np.mean(bottom != outliers.OUTLIER) >= 0.9


def test_normals_of_the_wrong_side_make_no_outliers():
    rng = np.random.default_rng(4)
    points, normals = plate(rng, (0, 0), (200, 200))
    normals[points[:, 0] > 100] *= -1
    (state,) = states((points, normals))
    assert np.all(state == outliers.SUPPORTED)


def test_a_point_seen_edge_on_is_told_from_a_crease():
    rng = np.random.default_rng(5)
    top = plate(rng, (0, 0), (200, 200))
    depth = rng.uniform(0, 50, 2500)
    wall = np.column_stack([np.full(2500, 200.0) + rng.normal(0, NOISE_MM, 2500), rng.uniform(0, 200, 2500), -depth])
    edge_on = np.column_stack([rng.uniform(20, 180, (30, 2)), np.zeros(30)])
    flat, upright, odd = states(
        top, (wall, np.tile([1.0, 0.0, 0.0], (2500, 1))), (edge_on, np.tile([0.0, 1.0, 0.0], (30, 1)))
    )
    assert np.mean(odd == outliers.EDGE_ON) >= 0.9
    assert not np.any(flat == outliers.EDGE_ON) and not np.any(upright == outliers.EDGE_ON)


def blob(rng, count=120, radius_mm=12.0):
    """A clump: dense within, thinner outwards, normals to one side and some twenty degrees off."""
    points = np.clip(rng.normal(0, 0.5, (count, 3)), -1.5, 1.5) * radius_mm + (0, 0, 100)
    normals = rng.normal((0, 0, 1), 0.3, (count, 3))
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def test_no_point_of_a_clump_passes_for_a_thinly_sampled_surface():
    """With so many about it, some always lie in one plane with a point at the clump's rim."""
    for seed in range(20):
        _, clump = states(plate(np.random.default_rng(6), (-40, -40), (40, 40)), blob(np.random.default_rng(seed)))
        assert not np.any(clump == outliers.THIN)


def test_glass_close_below_a_panel_stays():
    """4 mm below the panel round it, sampled thinly: the panel's points don't agree, and that is no evidence."""
    rng = np.random.default_rng(7)
    pane = plate(rng, (-4, 0), (300, 300), height_mm=-4.0, spacing_mm=7 * SPACING_MM)
    _, glass = states(plate(rng, (-100, 0), (0, 300)), pane)
    assert np.mean(glass != outliers.OUTLIER) >= 0.95

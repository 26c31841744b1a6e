"""Cells of segments, and motions that map a body onto itself."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

import overlap_scenes
from nightbay.core import rigid
from nightbay.refine import coarse_fit, coarse_match
from nightbay.refine.coarse_match import ThinnedSegment
from searched_segments import HeldCloud

CELL_MM = 100.0


def eggs(shifts_mm, rng):
    """A dented egg at each of the places, thinned."""
    points, normals = overlap_scenes.egg(20_000, rng)
    xyz_mm = np.concatenate([points + shift for shift in shifts_mm])
    return coarse_match.thin(HeldCloud(xyz_mm, np.tile(normals, (len(shifts_mm), 1))), CELL_MM)


def test_a_shape_that_is_repeated_has_the_motion_between_its_copies():
    apart_mm = np.array([70.0, 2530.0, -40.0])
    body = eggs([np.zeros(3), apart_mm], np.random.default_rng(1))
    motions = coarse_match.own_motions(body)
    middle = body.xyz_mm[cKDTree(body.xyz_mm).query(overlap_scenes.HALF_AXES_MM * [0, 1, 0])[1]]
    off_mm = [
        np.linalg.norm(sign * (rigid.transform(motion, middle[None])[0] - middle) - apart_mm)
        for motion in motions
        for sign in (1.0, -1.0)
    ]
    # a motion from features alone errs by some cells, which the wide gates of the alignment allow for
    assert min(off_mm) < coarse_fit.WIDE_GATES[0] * CELL_MM
    assert all(coarse_fit.distinct(body, motion, np.eye(4)) for motion in motions)


def test_too_few_cells_have_no_motions():
    few = ThinnedSegment(np.eye(3), np.eye(3), CELL_MM)
    assert coarse_match.own_motions(few) == []


def plane(low, high, sided=True):
    """Cells of a plane that faces up, between two numbers along X."""
    at = np.stack(np.meshgrid(np.arange(low, high), np.arange(10)), axis=-1).reshape(-1, 2) + 0.5
    xyz_mm = CELL_MM * np.column_stack([at, np.full(len(at), 0.5)])
    return ThinnedSegment(xyz_mm, np.tile([0.0, 0.0, 1.0], (len(at), 1)), CELL_MM, sided)


@pytest.mark.parametrize("sided", [True, False])
def test_merged_segments_cover_what_both_do_once(sided):
    rng = np.random.default_rng(2)
    T_a_b = overlap_scenes.random_pose(rng)
    a, fore = plane(0, 20), plane(10, 30, sided)
    b = ThinnedSegment(
        rigid.transform(rigid.invert(T_a_b), fore.xyz_mm),
        rigid.rotate(rigid.invert(T_a_b), fore.normal),
        CELL_MM,
        sided,
    )
    both = coarse_match.merge(a, b, T_a_b)
    whole = plane(0, 30)
    assert len(both.xyz_mm) == len(whole.xyz_mm) == 300
    distance, _ = cKDTree(whole.xyz_mm).query(both.xyz_mm)
    np.testing.assert_allclose(distance, 0.0, atol=1e-6)
    np.testing.assert_allclose(both.normal, whole.normal, atol=1e-9)
    assert both.sided is sided and both.cell_mm == CELL_MM


def test_halves_share_no_points_and_no_cells():
    rng = np.random.default_rng(3)
    points = rng.uniform(0, 10 * CELL_MM, (20_000, 3)) * [1, 1, 0] + [0, 0, CELL_MM / 4]
    cloud = HeldCloud(points, np.tile([0.0, 0.0, 1.0], (len(points), 1)))
    first, second = coarse_match.halves(cloud, CELL_MM)
    alone = coarse_match.thin(HeldCloud(points[::2], np.tile([0.0, 0.0, 1.0], (10_000, 1))), CELL_MM)
    np.testing.assert_array_equal(first.xyz_mm, alone.xyz_mm)
    assert len(first.xyz_mm) == 100 and len(second.xyz_mm) == 121  # shifted by half a cell along both axes
    # means of 100 points, evenly in their cells: centres at halves of a cell, and at whole ones inside
    err_mm = 5 * CELL_MM / np.sqrt(12 * 100)
    inner = second.xyz_mm[np.all((second.xyz_mm > CELL_MM) & (second.xyz_mm < 9 * CELL_MM) | [[0, 0, 1]], axis=1)]
    np.testing.assert_allclose(first.xyz_mm[:, :2] / CELL_MM % 1, 0.5, atol=err_mm / CELL_MM)
    np.testing.assert_allclose((inner[:, :2] / CELL_MM + 0.5) % 1, 0.5, atol=err_mm / CELL_MM)
    np.testing.assert_allclose(second.xyz_mm[:, 2], CELL_MM / 4, rtol=1e-6)


def test_segments_that_do_not_meet_are_not_aligned():
    a, apart = plane(0, 20), plane(0, 20)
    tree = cKDTree(a.xyz_mm)
    far = rigid.pose(translation_mm=[0.0, 0.0, 1.1 * coarse_fit.GATES[0] * CELL_MM])
    assert coarse_fit.align(a, tree, apart, far) is None
    assert coarse_fit.align(a, tree, apart.turned, np.eye(4)) is None  # back to back
    # side by side: the first gate reaches rows enough of cells, the last one too few
    edge = rigid.pose(translation_mm=[20.5 * CELL_MM, 0.0, 0.0])
    assert coarse_fit.align(a, tree, apart, edge) is None
    assert coarse_fit.align(a, tree, apart, rigid.pose(translation_mm=[0.0, 0.0, CELL_MM])) is not None

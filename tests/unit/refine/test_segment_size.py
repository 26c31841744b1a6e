"""Width of segments, the cells and the clear view that follow from it, and which segments are of a room."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.refine import segment_size
from searched_segments import HeldCloud

POINTS = 100_000


def square(edge_mm, turn, rng, count=POINTS):
    """A square plane, turned: a working cloud."""
    points = np.column_stack([rng.uniform(0, edge_mm, (count, 2)), np.zeros(count)])
    return HeldCloud(turn.apply(points), turn.apply(np.tile([0.0, 0.0, 1.0], (count, 1))))


def box(edges_mm, turn, rng, inwards=False):
    """The six faces of a box, turned: a working cloud."""
    edges_mm = np.asarray(edges_mm, float)
    area = np.repeat(edges_mm.prod() / edges_mm, 2)
    face = rng.choice(6, POINTS, p=area / area.sum())
    points = rng.uniform(0, 1, (POINTS, 3))
    points[np.arange(POINTS), face // 2] = face % 2
    normal = np.eye(3)[face // 2] * (2.0 * (face % 2) - 1)[:, None]
    return HeldCloud(turn.apply(points * edges_mm), turn.apply(-normal if inwards else normal))


def crossed(turn):
    """Boxes that planes along the axes before a turn cross, for each of their areas of a box's side, (3,).

    A plane with unit normal n crosses |nx| + |ny| + |nz| of them.
    """
    return np.abs(turn.as_matrix()).sum(axis=0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_width_of_a_plane(seed):
    rng = np.random.default_rng(seed)
    turn = Rotation.random(rng=rng)
    expected_mm = 1000.0 * np.sqrt(crossed(turn)[2] / segment_size.CROSSED)
    found_mm = segment_size.width_mm(square(1000.0, turn, rng), 1000.0 / np.sqrt(POINTS))
    # The rim adds half a box on each side; a box is a fiftieth of a diagonal of at most 1.42 m. What is cut off at a
    # box's corner stays empty where it is smaller than a point's share: the number of such grows as the root of that.
    in_a_box = POINTS / segment_size.BOXES**2
    assert 1 - 1 / (2 * np.sqrt(in_a_box)) < found_mm / expected_mm < 1 + np.sqrt(3) / segment_size.BOXES


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_width_of_a_box(seed):
    rng = np.random.default_rng(seed)
    edges_mm = np.array([1500.0, 1000.0, 800.0])
    turn = Rotation.random(rng=rng)
    faces_mm2 = 2 * edges_mm.prod() / edges_mm
    expected_mm = np.sqrt(faces_mm2 @ crossed(turn) / segment_size.CROSSED)
    found_mm = segment_size.width_mm(box(edges_mm, turn, rng), np.sqrt(faces_mm2.sum() / POINTS))
    # along the twelve edges, 13.2 m, a box of a fiftieth of 2 m is counted for two faces: 0.53 of 7 m2
    assert expected_mm * (1 - 0.53 / 7) < found_mm < expected_mm * (1 + 0.53 / 7)


def test_width_does_not_depend_on_the_number_of_points():
    turn = Rotation.random(rng=np.random.default_rng(4))
    widths = [
        segment_size.width_mm(square(1000.0, turn, np.random.default_rng(5), count), 1000.0 / np.sqrt(count))
        for count in (500, segment_size.SAMPLE, 3 * segment_size.SAMPLE)
    ]
    # sparse points make boxes of two spacings with four points each: see the plane's lower bound
    assert np.ptp(widths) < np.mean(widths) / (2 * np.sqrt(4))


@pytest.mark.parametrize(("count", "spacing_mm"), [(0, 5.0), (1, 0.0), (2, 0.0)])
def test_a_single_place_has_no_width(count, spacing_mm):
    cloud = HeldCloud(np.full((count, 3), 7.0), np.tile([0.0, 0.0, 1.0], (count, 1)))
    assert segment_size.width_mm(cloud, spacing_mm) == 0.0


def test_cells_follow_from_the_smaller_segment_and_hold_enough_points():
    dense = 1e-3
    per_width = segment_size.CELLS, segment_size.FINE_CELLS, segment_size.FINE_CELLS
    spacings = segment_size.LEAST_SPACINGS, segment_size.FINE_SPACINGS, segment_size.FINEST_SPACINGS
    assert segment_size.cells_mm((1000.0, 1200.0), dense) == tuple(1000.0 / cells for cells in per_width)
    assert segment_size.cells_mm((1000.0, 1000.0), 100.0) == tuple(100.0 * spacing for spacing in spacings)
    assert segment_size.cells_mm((10.0, 5000.0), dense) == (5000.0 / segment_size.MOST_CELLS,) * 3
    rng = np.random.default_rng(6)
    for low, high, spacing in np.exp(rng.uniform(0, 9, (200, 3))):
        coarse, fine, finest = segment_size.cells_mm((low, high), spacing)
        assert (coarse, fine, finest) == segment_size.cells_mm((high, low), spacing)
        assert segment_size.FINEST_SPACINGS * spacing <= finest <= fine <= coarse
        assert segment_size.FINE_SPACINGS * spacing <= fine


def test_the_clear_view_grows_with_the_segment_up_to_the_stand_off():
    assert segment_size.clear_mm(80.0) == 80.0 * segment_size.CLEAR_OUTSIDE
    assert segment_size.clear_mm(80.0, inside=True) == 80.0 * segment_size.CLEAR_INSIDE
    assert segment_size.clear_mm(1e5) == segment_size.clear_mm(1e5, inside=True) == segment_size.CLEAR_MM


def test_a_room_is_known_from_a_body_by_its_normals():
    rng = np.random.default_rng(7)
    turn = Rotation.random(rng=rng)
    assert segment_size.is_inside(box([2000.0, 1500.0, 1200.0], turn, rng, inwards=True))
    assert not segment_size.is_inside(box([2000.0, 1500.0, 1200.0], turn, rng))

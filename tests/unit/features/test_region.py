import numpy as np
import pytest

from nightbay.clouds import cloud
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.features import region


def segment(folder, points, flag=None, T=None):
    origin = np.array([100.0, 0.0, 0.0])
    normals = np.tile(np.float32([0, 0, 1]), (len(points), 1))
    block = cloud.Cloud((points - origin).astype(np.float32), normals, flag=flag)
    opened = cloud.write(folder, [block], origin, 50.0)
    return PosedSegment(folder.name, opened, np.eye(4) if T is None else T)


@pytest.fixture
def points():
    return np.random.default_rng(1).uniform(-100, 300, (20_000, 3))


def test_all_points_of_a_region_are_read_and_no_others(tmp_path, points):
    T = rigid.pose(np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1.0]]), [10.0, 20.0, 30.0])
    both = [segment(tmp_path / "a", points), segment(tmp_path / "b", points, T=T)]
    where = region.around([40.0, 50.0, 60.0], 70.0)
    found = region.read(both, where)
    posed = rigid.transform(T, points)
    expected = [np.linalg.norm(each - where.middle_mm, axis=1) <= 70.0 for each in (points, posed)]
    assert [np.count_nonzero(found.segment == row) for row in (0, 1)] == [mask.sum() for mask in expected]
    mine = found.points_mm[found.segment == 1]
    assert np.allclose(np.sort(mine, axis=0), np.sort(posed[expected[1]], axis=0), atol=1e-4)


def test_a_box_is_read_along_the_frame(tmp_path, points):
    box = region.of({"low_mm": [0, 0, 0], "high_mm": [200, 100, 50]})
    found = region.read([segment(tmp_path / "a", points)], box)
    assert len(found) == np.all((points >= [0, 0, 0]) & (points <= [200, 100, 50]), axis=1).sum()


def test_points_that_the_model_is_made_without_are_not_read(tmp_path, points):
    opened = segment(tmp_path / "a", points)
    rows = rigid.transform(opened.T_frame_cloud, opened.cloud.block(0, len(points)).xyz_mm)[:, 0] < 40.0
    found = region.read([opened], region.around([40.0, 50.0, 60.0], 70.0), {"a": rows})
    assert len(found) and (found.points_mm[:, 0] >= 40.0).all()


def test_undecided_copies_are_not_read_and_said_where_nothing_else_is_left(tmp_path, points):
    where = region.around([40.0, 50.0, 60.0], 60.0)
    half = np.where(points[:, 0] < 40.0, region.UNDECIDED, 0).astype(np.uint8)
    assert (region.read([segment(tmp_path / "a", points, half)], where).points_mm[:, 0] >= 40.0).all()
    every = np.full(len(points), region.UNDECIDED, np.uint8)
    found = region.read([segment(tmp_path / "b", points, every)], where)
    assert isinstance(found, NotFound) and "two copies of the surface were scanned" in found.reason


def test_a_region_off_the_vehicle_is_refused_with_its_place(tmp_path, points):
    found = region.read([segment(tmp_path / "a", points)], region.around([5000.0, 0, 0], 50.0))
    assert isinstance(found, NotFound) and found.reason.startswith("0 points were scanned about X 5000, Y 0, Z 0 mm")

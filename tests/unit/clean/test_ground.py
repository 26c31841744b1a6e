"""The ground: found in any attitude, with normals of a known side and without; what is none is not taken for it."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.clean import ground

NOISE_MM, EDGE_MM = 0.1, 20.0


def patch(rng, origin, along, across, count=4000):
    origin, along, across = (np.asarray(one, float) for one in (origin, along, across))
    normal = np.cross(along, across)
    normal /= np.linalg.norm(normal)
    uv = rng.random((count, 2))
    points = origin + uv[:, :1] * along + uv[:, 1:] * across + rng.normal(0, NOISE_MM, (count, 1)) * normal
    return points, np.tile(normal, (count, 1))


def body(rng):
    """Side, front and roof of a box 3 x 1.5 x 1.2 m that stands 200 mm over the ground."""
    return [
        patch(rng, (0, 0, 200), (3000, 0, 0), (0, 0, 1200), 9000),
        patch(rng, (0, 1500, 200), (0, -1500, 0), (0, 0, 1200), 5000),
        patch(rng, (0, 0, 1400), (3000, 0, 0), (0, 1500, 0), 9000),
    ]


def floor(rng):
    return patch(rng, (-400, -500, 0), (3500, 0, 0), (0, 900, 0), 6000)


def gathered(pieces, pose=None):
    points, normals = (np.concatenate(one) for one in zip(*pieces, strict=True))
    turn, shift = (np.eye(3), np.zeros(3)) if pose is None else pose
    return points @ turn.T + shift, normals @ turn.T


POSE = Rotation.from_euler("xyz", (110, 35, -60), degrees=True).as_matrix(), np.array([500.0, -2000.0, 800.0])


@pytest.mark.parametrize("sided", [True, False])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_is_found_in_any_attitude(sided, seed):
    rng = np.random.default_rng(seed)
    points, normals = gathered([*body(rng), floor(rng)], POSE)
    if not sided:  # estimated: mostly right of the body, and the ground taken for an underbody
        normals[rng.random(len(normals)) < 0.15] *= -1
        normals[-6000:] *= -1
    found = ground.find(points, normals, EDGE_MM, NOISE_MM, sided)
    turn, shift = POSE
    # 6000 points on 900 mm: the direction is good to noise / (sqrt(6000) 260 mm) = 0.0003 degrees
    assert np.degrees(np.arccos(min(1.0, found.normal @ turn[:, 2]))) < 0.002
    assert found.offset_mm == pytest.approx(turn[:, 2] @ shift, abs=0.05)
    assert found.sd_mm == pytest.approx(NOISE_MM, rel=0.05)


@pytest.mark.parametrize("turned", [0.0, 0.15, 0.5, 1.0])
def test_estimated_normals_may_point_to_either_side(turned):
    """With few points the sides of most normals of a van were wrong: its ground was missed, its roof taken for it."""
    rng = np.random.default_rng(11)
    pieces = [*body(rng), floor(rng)]
    for some in (pieces, pieces[:-1]):
        points, normals = gathered(some, POSE)
        normals[rng.random(len(normals)) < turned] *= -1
        found = ground.find(points, normals, EDGE_MM, NOISE_MM, sided=False)
        assert (found is None) == (len(some) == 3)
        assert found is None or found.normal @ POSE[0][:, 2] > np.cos(np.radians(0.002))


def test_a_vehicle_alone_has_none():
    rng = np.random.default_rng(4)
    points, normals = gathered(body(rng), POSE)
    assert ground.find(points, normals, EDGE_MM, NOISE_MM) is None
    roof_and_rims = [body(rng)[2], patch(rng, (0, 0, 1300), (3000, 0, 0), (0, 0, 100), 2000)]
    assert ground.find(*gathered(roof_and_rims), EDGE_MM, NOISE_MM) is None


def test_the_inside_of_a_tailgate_is_none():
    """It faces forwards with the whole vehicle in front of it, but does not reach out beside."""
    rng = np.random.default_rng(5)
    gate = patch(rng, (3000, 0, 800), (0, 0, 500), (0, 1500, 0), 3000)
    assert gate[1][0] @ [-1, 0, 0] == 1
    assert ground.find(*gathered([*body(rng), gate]), EDGE_MM, NOISE_MM) is None


@pytest.mark.parametrize("sided", [True, False])
def test_a_bulkhead_that_is_seen_through_the_rear_is_none(sided):
    """It faces the whole bay, with nothing before it, and reaches out beside what is seen of the walls."""
    rng = np.random.default_rng(9)
    bulkhead = patch(rng, (0, 0, 0), (0, 1500, 0), (0, 0, 1400), 8000)
    walls = [
        patch(rng, (0, 0, 0), (2500, 0, 0), (0, 1500, 0), 9000),
        patch(rng, (2500, 0, 1400), (-2500, 0, 0), (0, 1500, 0), 9000),
    ]
    assert ground.find(*gathered([bulkhead, *walls]), EDGE_MM, NOISE_MM, sided) is None


@pytest.mark.parametrize("sided", [True, False])
@pytest.mark.parametrize("seed", [12, 13, 14])
def test_a_flat_side_before_a_smaller_floor_is_none(sided, seed):
    """The floor lies above it as a vehicle does above a floor, but the legs, 20 mm behind it, lie below it."""
    rng = np.random.default_rng(seed)
    side = patch(rng, (0, 0, 50), (1000, 0, 0), (0, 0, 290), 9000)
    before = patch(rng, (-100, -600, 0), (1200, 0, 0), (0, 520, 0), 6000)
    legs = [
        patch(rng, (x, y, 0), (30, 0, 0), (0, 0, 50), count)
        for x in (200, 670)
        for y, count in ((20, 200), (350, 60))  # those on the other side are seen under the body
    ]
    points, normals = gathered([side, before, *legs], POSE)
    found = ground.find(points, normals, 12.0, NOISE_MM, sided)
    assert found is not None and found.normal @ POSE[0][:, 2] > np.cos(np.radians(0.01))


@pytest.mark.parametrize("bow_mm", [0.0, 50.0])
@pytest.mark.parametrize("turned", [1, -1])
def test_two_panels_at_a_corner_have_none(turned, bow_mm):
    """Without sides they are like a floor with a wall that stands on it. Most of the bowed one fits into 60 mm."""
    rng = np.random.default_rng(10)
    points, normals = patch(rng, (0, 1500, 0), (0, -1500, 0), (0, 0, 1400), 8000)
    points[:, 0] += ((points[:, 1] - 750) / 750) ** 2 * bow_mm
    wall = patch(rng, (bow_mm, 0, 0), (2500, 0, 0), (0, 0, 1400), 8000)
    points, normals = gathered([(points, normals), wall])
    assert ground.find(points, turned * normals, EDGE_MM, NOISE_MM, sided=False) is None


def test_tyre_walls_stay_though_they_touch_it():
    rng = np.random.default_rng(6)
    found = ground.find(*gathered([*body(rng), floor(rng)]), EDGE_MM, NOISE_MM)
    tyre, sideways = patch(rng, (500, 0, 0), (300, 0, 0), (0, 0, 300))
    on = ground.is_ground(found, tyre, sideways, NOISE_MM)
    assert on.mean() <= 2 * NOISE_MM / 300  # what lies within the noise of the plane can't be told


def test_uneven_ground_is_as_thick_as_it_is_uneven():
    rng = np.random.default_rng(7)
    points, normals = floor(rng)
    points[:, 2] += 1.5 * np.sin(points[:, 0] / 200) * np.cos(points[:, 1] / 150)
    found = ground.find(*gathered([*body(rng), (points, normals)]), EDGE_MM, NOISE_MM)
    assert ground.is_ground(found, points, normals, NOISE_MM).mean() >= 0.999


def test_it_is_found_by_few_large_cells():
    """One in fifteen points, 60 mm apart: three to four in 100 mm squares."""
    rng = np.random.default_rng(8)
    points, normals = gathered([*body(rng), floor(rng)], POSE)
    some = rng.random(len(points)) < 1 / 15
    found = ground.find(points[some], normals[some], 60.0, NOISE_MM)
    turn, shift = POSE
    assert np.degrees(np.arccos(min(1.0, found.normal @ turn[:, 2]))) < 0.002 * np.sqrt(15)
    assert found.offset_mm == pytest.approx(turn[:, 2] @ shift, abs=0.05)

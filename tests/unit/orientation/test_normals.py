"""Estimated normals: planes through cells against closed forms, sides on shapes where the outside is known."""

import numpy as np
import pytest
from scipy.sparse import coo_matrix

from nightbay.orientation import normals, sign_voting, voxels

NOISE_MM = 0.1


def box(count, low, high, seed, faces=((0, -1), (0, 1), (1, -1), (1, 1), (2, -1), (2, 1))):
    """Points with noise on faces of a box and their outward normals, (n, 3) each; faces are (axis, side)."""
    rng = np.random.default_rng(seed)
    low, high = np.array(low, float), np.array(high, float)
    xyz, normal = [], []
    for axis, side in faces:
        points = rng.uniform(low, high, (count, 3))
        points[:, axis] = (high if side > 0 else low)[axis] + rng.normal(0, NOISE_MM, count)
        xyz.append(points)
        normal.append(np.tile(np.eye(3)[axis] * side, (count, 1)))
    return np.concatenate(xyz), np.concatenate(normal)


def same_side(xyz, normal, **options):
    found = normals.estimate(xyz.astype(np.float32), 15.0, 45.0, 600.0, **options)
    return np.mean(np.sum(found.normal * normal, axis=1) > 0), found.certainty


def test_moments_of_cells_are_sums_over_their_points():
    rng = np.random.default_rng(1)
    xyz = rng.uniform(0, 40, (2000, 3))
    cells = voxels.gather(xyz, 10.0, xyz.min(axis=0))
    assert cells.moments[:, 0].sum() == 2000
    row = int(cells.of_point[7])
    mine = xyz[cells.of_point == row] - (cells.middle_mm[row] + xyz.min(axis=0) - 10.0)
    assert cells.moments[row, 1:4] == pytest.approx(mine.sum(axis=0))
    want = [np.sum(mine[:, a] * mine[:, b]) for a, b in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))]
    assert cells.moments[row, 4:] == pytest.approx(want)


def test_planes_of_neighbourhoods_agree_with_a_plain_eigenproblem():
    rng = np.random.default_rng(2)
    xyz = rng.uniform(0, 60, (3000, 3)) * [1, 1, 0.2]
    cells = voxels.gather(xyz, 10.0, xyz.min(axis=0))
    mean, normal, flatness = voxels.planes(cells)
    for row in range(0, len(mean), 7):
        near = np.all(np.abs(cells.index[cells.of_point] - cells.index[row]) <= 1, axis=1)
        points = xyz[near]
        values, axes = np.linalg.eigh(np.cov(points.T, bias=True))
        assert mean[row] + xyz.min(axis=0) - 10.0 == pytest.approx(points.mean(axis=0))
        assert flatness[row] == pytest.approx(values[0] / values[1])
        assert abs(axes[:, 0] @ normal[row]) == pytest.approx(1, abs=1e-6)


def test_one_point_and_points_on_a_line_have_some_unit_normal():
    for xyz in (np.zeros((1, 3)), np.outer(np.arange(50.0), [1, 2, 3])):
        _, normal, flatness = voxels.planes(voxels.gather(xyz, 5.0, xyz.min(axis=0)))
        assert np.linalg.norm(normal, axis=1) == pytest.approx(1)
        assert np.all(flatness >= 0)


def test_the_direction_is_as_good_as_the_noise_allows():
    """Over n points of a square of half-width h a plane's slope has the sd noise / (h sqrt(n / 3))."""
    rng = np.random.default_rng(3)
    xyz = np.column_stack([rng.uniform(0, 1000, (100_000, 2)), rng.normal(0, NOISE_MM, 100_000)])
    found = normals.estimate(xyz, 12.0, 36.0, 600.0).normal
    inside = np.all((xyz[:, :2] > 40) & (xyz[:, :2] < 960), axis=1)
    slopes = found[inside, :2] / found[inside, 2:]
    count = 36.0**2 * 0.1
    assert np.std(slopes) == pytest.approx(NOISE_MM / (18.0 * np.sqrt(count / 3)), rel=0.1)


def test_a_closed_box_is_turned_outward_and_a_room_inward():
    xyz, normal = box(20_000, (0, 0, 0), (3000, 1500, 1400), 4)
    share, certainty = same_side(xyz, normal)
    assert share > 0.99 and certainty > 0.95
    share, _ = same_side(xyz, -normal, inward=True)
    assert share > 0.99


def test_a_side_with_the_ground_before_it_is_turned_to_the_ground_and_the_ground_up():
    """The ground reaches 1.2 m out to the left (-y) of a side, touching it or 200 mm short of it, as tyres leave it."""
    for gap_mm in (0, 200):
        side, side_normal = box(30_000, (0, 0, 200), (4000, 1200, 1500), 5, faces=((1, -1), (2, 1), (0, -1), (0, 1)))
        ground, up = box(30_000, (-500, -1200, -1), (4500, -gap_mm, 0), 6, faces=((2, 1),))
        share, _ = same_side(np.concatenate([side, ground]), np.concatenate([side_normal, up]))
        assert share > 0.99


def test_panels_that_stand_before_one_another_face_the_same_way():
    """A panel stands 20 mm before a box's front, so that steps lead from one to the other."""
    body, normal = box(20_000, (0, 0, 0), (2000, 1500, 1400), 7)
    panel, facing = box(20_000, (-20, 100, 100), (0, 1400, 1300), 8, faces=((0, -1),))
    share, _ = same_side(np.concatenate([body, panel]), np.concatenate([normal, facing]))
    assert share > 0.99


def test_the_order_of_the_points_changes_no_normal():
    xyz, _ = box(3000, (0, 0, 0), (800, 600, 500), 9)
    xyz = xyz.astype(np.float32)
    shuffled = np.random.default_rng(10).permutation(len(xyz))
    first = normals.estimate(xyz, 15.0, 45.0, 600.0).normal
    second = normals.estimate(xyz[shuffled], 15.0, 45.0, 600.0).normal
    # Sums of moments depend on their order in the last digits only.
    assert np.abs(second - first[shuffled]).max() < 1e-6


def test_a_flat_panel_says_that_its_side_is_open():
    xyz, normal = box(30_000, (0, 0, -1), (2000, 1000, 0), 11, faces=((2, 1),))
    assert same_side(xyz, normal)[1] < 0.2


def test_one_strong_vote_that_is_wrong_does_not_outweigh_many_that_are_right():
    """Two chains of patches; the strongest vote between them says that they differ, ten weaker ones that they agree."""
    votes = np.zeros((20, 20))
    for chain in (range(10), range(10, 20)):
        for one, other in zip(chain, chain[1:], strict=False):
            votes[one, other] = 5.0
    votes[3, 13] = -2.0
    for at in range(10):
        votes[at, 10 + at] += 0.4
    signs, piece = sign_voting._agree(coo_matrix(votes + votes.T).tocsr())
    assert len(set(piece)) == 1
    assert abs(signs.sum()) == 20


@pytest.mark.parametrize("count", [1, 2, 5])
def test_a_few_nodes_are_no_trouble(count):
    at = np.arange(count * 3.0).reshape(count, 3)
    signs, certainty = sign_voting.outward(at, np.tile([0, 0, 1.0], (count, 1)), 10.0, 600.0)
    assert set(np.abs(signs)) == {1.0} and 0 <= certainty <= 1

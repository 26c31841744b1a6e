"""The pairs of the bench "interior": same from the same seed, and what they state as true holds."""

import numpy as np
import pytest

import pair_scans
import pair_shapes
import pair_truth
from nightbay.core import rigid


def surfaces(pair):
    """How far the points of both segments lie from the shape's surface in their true poses, outliers left out, mm."""
    return [
        pair.caster.distance(rigid.transform(scan.T_control_segment, scan.points[~scan.outlier]))
        for scan in (pair.a, pair.b)
    ]


def test_same_pair_from_the_same_seed():
    first, second = (pair_scans.pair(3, 2) for _ in range(2))  # its normals are estimated
    np.testing.assert_array_equal(first.a.points, second.a.points)
    np.testing.assert_array_equal(first.b.normal, second.b.normal)
    np.testing.assert_array_equal(first.T_a_b, second.T_a_b)
    assert (first.shape, first.overlap) == (second.shape, second.overlap)
    assert first.T_a_b[0, 3] != pair_scans.pair(4, 2).T_a_b[0, 3]


@pytest.mark.parametrize("index, kind", [(7, "smooth"), (9, "repeating")])
def test_true_poses_bring_the_points_onto_the_surface(index, kind):
    pair = pair_scans.pair(5, index)
    assert pair.kind == kind
    for scan, off_mm in zip((pair.a, pair.b), surfaces(pair), strict=True):
        away_mm = np.linalg.norm(scan.true - scan.true.mean(axis=0), axis=1)
        # drift: a wave of 1 / sqrt(2) of its amplitude, which grows with the distance from the middle, on each axis
        most_drift_mm = np.sqrt(2 * 3) * pair_scans.DRIFT_MM_PER_M * away_mm.max() / 1000
        # noise acts along the beam, so that it moves no point further off the surface than itself
        assert np.sqrt(np.mean(off_mm**2)) < pair.noise_mm + most_drift_mm
        assert off_mm.max() < 5.5 * pair.noise_mm + most_drift_mm  # one normal value in 26 million is beyond
        assert np.sqrt(np.mean(off_mm**2)) > 0.3 * pair.noise_mm
    assert pair_scans.OVERLAPS[0] < pair.overlap < 1.0


def test_overlap_of_two_plates_is_what_it_looks_like():
    def plate(low):
        x, y = np.meshgrid(np.arange(low, low + 100.0), np.arange(20.0))
        points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
        up = np.tile([0.0, 0.0, 1.0], (len(points), 1))
        return pair_scans.Scan("", points, up, None, points, up, np.zeros(len(points), bool), np.eye(4), None)

    share, rows_a, rows_b = pair_scans.shared(plate(0), plate(60), 1.0)
    assert share == pytest.approx(0.4 + 0.01)  # x = 59 lies one spacing off, x = 58 two, which is the limit
    assert (rows_a.size, rows_b.size) == (820, 820)
    turned = rigid.pose(np.diag([1.0, -1.0, -1.0]), (0.0, 19.0, 0.0))  # the other face of the same plate
    assert pair_scans.shared(plate(0), plate(60), 1.0, turned)[0] == 0.0


def test_another_pose_of_a_symmetric_shape_is_an_alternative_and_wrong():
    pair = next(
        pair for pair in (pair_scans.pair(6, index, "symmetric") for index in range(50)) if pair.shape == "tube"
    )
    true = pair_truth.truth(pair)
    assert true.alternatives and not true.determined
    for T_a_b in true.alternatives:
        moved = rigid.transform(pair.a.T_control_segment @ T_a_b, pair.b.points[~pair.b.outlier])
        # as near to the surface as the true pose brings them, but for the flat sides of the tube's 48
        assert np.median(pair.caster.distance(moved)) < 1.5 * np.median(surfaces(pair)[1])
        assert pair_truth.error(pair, true, T_a_b).wrong


def test_a_room_that_repeats_itself_has_rivals_of_which_the_overlap_decides():
    pair = pair_scans.pair(3, 57)
    true = pair_truth.truth(pair)
    assert pair.shape.startswith("ribbed room") and true.determined
    assert min(true.rivals) >= pair_truth.RIVAL and max(true.rivals) < pair_truth.HALF_AS_GOOD


@pytest.mark.parametrize(
    "rivals, outdone", [([], False), ([1.9], False), ([2.1], True), ([4.3, 2.2], False), ([4.5, 2.2], True)]
)
def test_outdone_is_what_overlaps_less_than_half_of_a_single_other_pose(rivals, outdone):
    assert pair_truth.outdone(rivals) == outdone


def test_a_pose_is_judged_by_limits_and_by_what_it_states():
    pair = pair_scans.pair(7, 4)
    true = pair_truth.truth(pair)
    covariance = np.diag([1e-5**2] * 3 + [0.01**2] * 3)
    about_origin = rigid.covariance_at_origin(covariance, true.middle_mm)
    exact = pair_truth.error(pair, true, pair.T_a_b, about_origin)
    assert not exact.wrong and exact.inside == 6 and exact.middle_mm < 1e-6
    shifted = rigid.pose(None, (0.03, 0.0, 0.0)) @ pair.T_a_b  # three standard deviations
    error = pair_truth.error(pair, true, shifted, about_origin)
    assert error.distance_2 == pytest.approx(9.0, rel=1e-6) and not error.wrong and error.inside == 5
    assert pair_truth.error(pair, true, shifted, about_origin / 4).wrong  # six of half the size
    far = rigid.pose(None, (0.0, 1.01 * true.limit_mm, 0.0)) @ pair.T_a_b
    assert pair_truth.error(pair, true, far, 1e8 * about_origin).wrong


def test_best_fit_of_three_planes_has_the_textbook_accuracy():
    """Three faces of a cube, n points each: a shift along each axis is a mean of n distances, sd sqrt(2 / n) noise."""
    rng = np.random.default_rng(1)
    faces, count = [], 3000
    for axis in range(3):
        points = rng.uniform(0, 100, (count, 3))
        points[:, axis] = 100.0
        faces.append((points, np.tile(np.eye(3)[axis], (count, 1))))
    points, normal = (np.concatenate(column) for column in zip(*faces, strict=True))
    order = rng.permutation(len(points))
    points, normal = points[order] / 1e6, normal[order]  # so small that no drift counts
    scan = pair_scans.Scan("", points, normal, None, points, normal, None, np.eye(4), None)
    pair = pair_scans.Pair(0, "", "", 1e-3, 1.0, 0.1, scan, scan, [], False, 1.0, None)
    middle = np.full(3, 50.0 / 1e6)  # the faces' normals pass through it: shifts and turns don't depend on each other
    sd_mm, _ = pair_truth.best_sd(pair, points, normal, middle)
    # 400 points stand for the 9000; some 133 a face, good to sqrt(1 / (2 * 133)) = 6 %, the largest of three axes
    assert sd_mm == pytest.approx(0.1 * np.sqrt(2 / count), rel=0.15)


def test_every_shape_has_triangles_and_turns_that_are_rigid():
    rng = np.random.default_rng(8)
    drawn = [maker(rng) for makers in pair_shapes.KINDS.values() for maker in makers]
    for shape in [*drawn, pair_shapes.of_file("bone.ply")]:
        centred = pair_shapes.centred(shape)
        assert centred.faces.max() < len(centred.vertices) and centred.length > 0
        np.testing.assert_allclose(centred.vertices.max(axis=0), -centred.vertices.min(axis=0), atol=1e-9)
        for turn in centred.turns:
            np.testing.assert_allclose(turn[:3, :3] @ turn[:3, :3].T, np.eye(3), atol=1e-12)

"""The joint fit of overlaps and targets: honest covariance, sliding left to the targets, weight of the overlaps."""

import numpy as np
import pytest
from nightbay import overlap_adjustment as adjust
from nightbay import patches as patching
from scipy import stats

CENTRE = np.zeros(3)
DRIFT = patching.Drift(np.array([0.03, 0.03]), 1500.0, 400.0)
PLACE = patching.Place(np.array([[-1000.0, 0.0, 0.0], [1000.0, 0.0, 0.0]]))


def made_up(normal, at_mm, noise_mm=0.02, normal_variance=1e-4):
    """Patches of two segments at given places (k, 3) with normals (k, 3), distances still zero."""
    k = len(at_mm)
    ends = np.tile([0, 1], (k, 1))
    return patching.Patches(
        centre_mm=CENTRE,
        ends=ends,
        pair=np.zeros(k, np.int64),
        at_mm=at_mm,
        count=np.full(k, 20.0),
        mean_mm=np.zeros(k),
        J=np.hstack([np.cross(at_mm, normal), normal]),
        errors_mm2=patching._drift_errors(at_mm, ends, PLACE, DRIFT) + noise_mm**2 * np.eye(k),
        normal_variance=normal_variance,
    )


def round_overlap(rng, k=80):
    """Places and normals of an overlap like an oval tube, a metre long."""
    angle, along = rng.uniform(0, 2 * np.pi, k), rng.uniform(-500, 500, k)
    normal = np.column_stack([rng.uniform(-0.3, 0.3, k), np.cos(angle), 2 * np.sin(angle)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return normal, np.column_stack([along, 800 * np.cos(angle), 400 * np.sin(angle)])


def targets(sd_mm, sd_rad):
    """Normal equations of two segments' targets with these standard deviations."""
    return adjust.Equations(np.diag(np.tile([sd_rad**-2.0] * 3 + [sd_mm**-2.0] * 3, 2)), np.zeros(12))


def with_distances(patches, mean_mm):
    return patching.Patches(**{**patches.__dict__, "mean_mm": mean_mm})


def test_a_motion_is_found_again():
    normal, at = round_overlap(np.random.default_rng(1))
    patches = made_up(normal, at)
    motions = np.array([np.zeros(6), [2e-4, -1e-4, 3e-4, 0.3, -0.2, 0.1]])
    # a segment that stands off by -motion shows it as distances, which its motion takes away
    moved = with_distances(patches, adjust.design(patches, 2) @ motions.ravel())
    solution = adjust.solve(adjust.equations(moved, 2), adjust.Equations.none(2), np.array([False, True]))
    np.testing.assert_allclose(solution.motions, motions, atol=1e-9)
    np.testing.assert_allclose(adjust.mean_after(moved, solution.motions), 0, atol=1e-9)


def test_covariance_is_what_many_repetitions_show():
    rng = np.random.default_rng(2)
    normal, at = round_overlap(rng)
    patches = made_up(normal, at)
    prior = targets(0.05, 5e-5)
    free = np.array([True, True])
    factor = adjust.best_factor(adjust.equations(patches, 2), prior, free, 1.0, free)
    root = np.linalg.cholesky(patches.errors_mm2)
    found, runs = [], 2000
    for _ in range(runs):
        noisy = with_distances(patches, root @ rng.normal(size=len(at)))
        pull = np.linalg.cholesky(prior.matrix) @ rng.normal(size=12)
        said = adjust.Equations(prior.matrix, pull)
        found.append(adjust.solve(adjust.equations(noisy, 2), said, free, factor).motions.ravel())
    overlaps = adjust.equations(patches, 2)
    covariance = adjust.covariance(overlaps, prior, adjust.solve(overlaps, prior, free, factor), 1.0, free)
    # a variance from 2000 runs is good for sqrt(2 / 2000) = 3 %
    np.testing.assert_allclose(np.var(found, axis=0), np.diag(covariance), rtol=4 * np.sqrt(2 / runs))
    size = np.einsum("ni,ij,nj->n", found, np.linalg.inv(covariance), found)
    assert size.mean() == pytest.approx(12, abs=4 * np.sqrt(2 * 12 / runs))


def test_what_is_fitted_to_a_held_segment_shares_its_error():
    rng = np.random.default_rng(8)
    normal, at = round_overlap(rng)
    patches, prior = made_up(normal, at), targets(0.05, 5e-5)
    movable, free = np.array([True, True]), np.array([False, True])
    overlaps = adjust.equations(patches, 2)
    solution = adjust.solve(overlaps, prior, free, 1.0)
    covariance = adjust.covariance(overlaps, prior, solution, 1.0, movable)
    root, spread = np.linalg.cholesky(patches.errors_mm2), np.linalg.cholesky(np.linalg.inv(prior.matrix))
    found, runs = [], 2000
    for _ in range(runs):
        off = spread @ rng.normal(size=12)  # the poses of the targets stand off by that; the first one stays there
        noisy = with_distances(patches, adjust.design(patches, 2) @ off + root @ rng.normal(size=len(at)))
        motions = adjust.solve(adjust.equations(noisy, 2), prior, free, 1.0).motions.ravel()
        found.append(motions - off)
    np.testing.assert_allclose(np.var(found, axis=0), np.diag(covariance), rtol=4 * np.sqrt(2 / runs))
    np.testing.assert_allclose(np.diag(covariance)[:6], np.diag(np.linalg.inv(prior.matrix))[:6])


def test_more_points_do_not_make_the_pose_sure():
    normal, at = round_overlap(np.random.default_rng(3))
    free = np.array([False, True])
    sd = []
    for noise_mm in (0.02, 0.0002):  # ten thousand times as many points in each patch
        patches = made_up(normal, at, noise_mm)
        overlaps = adjust.equations(patches, 2)
        solution = adjust.solve(overlaps, adjust.Equations.none(2), free)
        sd.append(np.sqrt(np.diag(adjust.covariance(overlaps, adjust.Equations.none(2), solution, 1.0, free))[9:]))
    assert np.all(sd[1] > 0.8 * sd[0])
    # drift of 0.03 mm/m at a metre from the middles stays in the result
    assert np.all(sd[1] > 0.003)


def test_sliding_along_a_plane_is_left_to_the_targets():
    rng = np.random.default_rng(4)
    at = np.column_stack([rng.uniform(-500, 500, (60, 2)), np.zeros(60)])
    normal = np.tile([0.0, 0.0, 1.0], (60, 1)) + rng.normal(0, 0.01, (60, 3))  # normals good for half a degree
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    patches = made_up(normal, at, normal_variance=1e-4)
    off = with_distances(patches, normal @ [0.0, 0.0, 0.4] + rng.normal(0, 0.02, 60))
    prior = targets(0.5, 1e-3)
    solution = adjust.solve(adjust.equations(off, 2), prior, np.array([False, True]))
    assert np.trace(solution.told) == pytest.approx(3, abs=1e-6)  # height and two tilts of one segment
    # what is left of sliding is the lean of the plane that the normals average to: 0.01 / sqrt(60) rad of 0.4 mm
    np.testing.assert_allclose(solution.motions[1, [3, 4]], 0, atol=4 * 0.4 * 0.01 / np.sqrt(60))
    assert abs(solution.motions[1, 2]) < 1e-5
    assert solution.motions[1, 5] == pytest.approx(-0.4, abs=0.02)  # the second lies 0.4 mm outside: it moves in
    no_targets = adjust.solve(adjust.equations(off, 2), adjust.Equations.none(2), np.array([False, True]))
    np.testing.assert_allclose(no_targets.motions[1, [3, 4]], 0, atol=4 * 0.4 * 0.01 / np.sqrt(60))


def test_overlaps_never_make_good_targets_worse():
    normal, at = round_overlap(np.random.default_rng(5))
    patches = made_up(normal, at)
    free = np.array([True, True])
    for sd_mm in (0.002, 0.02, 0.2):
        prior = targets(sd_mm, sd_mm / 1000)
        overlaps = adjust.equations(patches, 2)
        factor = adjust.best_factor(overlaps, prior, free, 1.0, free)
        covariance = adjust.covariance(overlaps, prior, adjust.solve(overlaps, prior, free, factor), 1.0, free)
        in_mm = np.sum(np.diag(covariance) / overlaps.scale**2)
        alone = np.sum(np.diag(np.linalg.inv(prior.matrix)) / overlaps.scale**2)
        assert in_mm <= alone * 1.001
    assert adjust.best_factor(overlaps, targets(1.0, 1e-3), free, 1.0, free) > adjust.best_factor(
        overlaps, targets(0.001, 1e-6), free, 1.0, free
    )


def test_the_variance_factor_shows_drift_beyond_the_declared():
    rng = np.random.default_rng(6)
    normal, at = round_overlap(rng)
    patches = made_up(normal, at)
    root = np.linalg.cholesky(patches.errors_mm2)
    for times, low, high in ((1.0, 1.0, 1.6), (3.0, 5.0, 14.0)):
        noisy = with_distances(patches, times * root @ rng.normal(size=len(at)))
        solution = adjust.solve(adjust.equations(noisy, 2), adjust.Equations.none(2), np.array([False, True]))
        assert low <= adjust.variance_factor(noisy, solution) <= high
    freedom = len(at) - 6
    assert stats.chi2.ppf(0.9999, freedom) / freedom < 1.8  # so that the bounds above are no chance


def test_outliers_bear_no_weight():
    d = np.concatenate([np.random.default_rng(7).normal(0, 0.1, 1000), np.full(50, 3.0)])
    weights, sd_mm = patching.robust_weights(d, 0.0)
    assert np.all(weights[-50:] == 0)
    assert sd_mm == pytest.approx(0.1, rel=0.1)

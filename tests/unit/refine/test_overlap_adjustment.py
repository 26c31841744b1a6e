"""The joint fit of overlaps and targets: honest covariance, sliding left to the targets, weight of the overlaps."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.distance import cdist

from nightbay.core import rigid
from nightbay.refine import error_model, overlap_adjustment, overlap_patches, target_constraints

CENTRE = np.zeros(3)
CENTROIDS = np.array([[-1000.0, 0.0, 0.0], [1000.0, 0.0, 0.0]])
NO_POINTS = overlap_adjustment.NormalEquations.none(2)
DRIFT = overlap_patches.DriftModel(np.array([0.03, 0.03]), 1500.0, 400.0, CENTROIDS)


def made_up(normal, at_mm, noise_mm=0.02, normal_variance=1e-4):
    """Patches of two segments at given places (k, 3) with normals (k, 3), distances still zero."""
    k = len(at_mm)
    ends = np.tile([0, 1], (k, 1))
    drift_mm = overlap_patches.drift_sd_mm(at_mm, ends, DRIFT)
    errors = overlap_patches.drift_errors(at_mm, normal, ends, drift_mm, DRIFT.length_mm) + noise_mm**2 * np.eye(k)
    J = np.hstack([np.cross(at_mm, normal), normal])
    return overlap_patches.Patches(
        CENTRE, ends, np.zeros(k, np.int64), at_mm, np.full(k, 20.0), np.zeros(k), J, drift_mm, errors, normal_variance
    )


def stickers(rng, noise_mm=0.05, count=20):
    """Targets on both segments and in a control survey, in the network's poses; nothing is off yet."""
    x = rng.uniform([-1500, -800, -400], [1500, 800, 400], (count, 3))
    segment, target = np.repeat([-1, 0, 1], count), np.tile(np.arange(count), 3)
    J = np.concatenate([-rigid.cross_matrix(x[target]), np.tile(np.eye(3), (3 * count, 1, 1))], axis=2)
    J[segment < 0] = 0.0
    middles = np.vstack([CENTROIDS, CENTRE])  # the survey's own drift counts from the vehicle's middle
    drift_mm = np.linalg.norm(x[target] - middles[segment], axis=1) * 0.03 / 1000
    weight = 1 / (noise_mm**2 + drift_mm**2)
    return target_constraints.TargetObservations(
        segment, target, J, np.zeros((3 * count, 3)), weight, drift_mm, x[target], count
    )


def root_of_drift(patches, ties):
    """Square root of the covariance of the drift at all targets and at both sides of all patches."""
    segment = np.concatenate([ties.segment, patches.ends[:, 0], patches.ends[:, 1]])
    at = np.concatenate([ties.at_mm, patches.at_mm, patches.at_mm])
    sd = np.concatenate([ties.drift_mm, patches.drift_mm[:, 0], patches.drift_mm[:, 1]])
    same = segment[:, None] == segment[None]
    spread = same * np.exp(-cdist(at, at) / DRIFT.length_mm) * sd[:, None] * sd[None]
    return np.linalg.cholesky(spread + 1e-12 * np.eye(len(at)))


def drawn(patches, ties, root, rng, noise_mm):
    """Patches and targets with errors drawn from the drift of all segments and from their noise."""
    error = root @ rng.normal(size=(len(root), 3))
    n, k = len(ties.segment), len(patches.pair)
    distance = np.sum((error[n + k :] - error[n : n + k]) * patches.J[:, 3:], axis=1) + rng.normal(0, noise_mm[0], k)
    misclosure = error[:n] + rng.normal(0, noise_mm[1], (n, 3))
    return replace(patches, mean_mm=distance), replace(ties, misclosure_mm=misclosure)


def by_targets(ties):
    """Normal equations of the targets about the true poses, from which a network starts."""
    J = target_constraints.reduced_design(ties, 2)
    right = -np.einsum("n,nij,ni->j", ties.weight, J, ties.misclosure_mm)
    return overlap_adjustment.NormalEquations(np.einsum("n,nij,nik->jk", ties.weight, J, J), right)


def round_overlap(rng, k=80):
    """Places and normals of an overlap like an oval tube, a metre long."""
    angle, along = rng.uniform(0, 2 * np.pi, k), rng.uniform(-500, 500, k)
    normal = np.column_stack([rng.uniform(-0.3, 0.3, k), np.cos(angle), 2 * np.sin(angle)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return normal, np.column_stack([along, 800 * np.cos(angle), 400 * np.sin(angle)])


def targets(sd_mm, sd_rad):
    """Normal equations of two segments' targets with these standard deviations."""
    return overlap_adjustment.NormalEquations(np.diag(np.tile([sd_rad**-2.0] * 3 + [sd_mm**-2.0] * 3, 2)), np.zeros(12))


def with_distances(patches, mean_mm):
    return replace(patches, mean_mm=mean_mm)


def test_a_motion_is_found_again():
    normal, at = round_overlap(np.random.default_rng(1))
    patches = made_up(normal, at)
    motions = np.array([np.zeros(6), [2e-4, -1e-4, 3e-4, 0.3, -0.2, 0.1]])
    # a segment that stands off by -motion shows it as distances, which its motion takes away
    moved = with_distances(patches, overlap_adjustment.design_matrix(patches, 2) @ motions.ravel())
    solution = overlap_adjustment.solve(
        overlap_adjustment.overlap_equations(moved, 2),
        overlap_adjustment.NormalEquations.none(2),
        np.array([False, True]),
    )
    np.testing.assert_allclose(solution.motions, motions, atol=1e-9)
    np.testing.assert_allclose(overlap_adjustment.mean_after(moved, solution.motions), 0, atol=1e-9)


@pytest.mark.parametrize("free", [(True, True), (False, True)])
def test_covariance_is_what_many_repetitions_show(free):
    # (False, True): the first segment is held where its targets put it, and its error goes into the second's pose
    rng = np.random.default_rng(2)
    free, both = np.array(free), np.array([True, True])
    normal, at = round_overlap(rng, 40)
    patches, ties = made_up(normal, at), stickers(rng)
    given = error_model.error_covariances(patches, ties, NO_POINTS, both, DRIFT, 1.0)
    overlaps, targets = overlap_adjustment.overlap_equations(patches, 2), by_targets(ties)
    factor = error_model.best_overlap_weight(given, overlaps, targets, free)
    assert 0 < factor <= 1
    covariance = error_model.pose_covariance(
        given, overlaps, targets, overlap_adjustment.solve(overlaps, targets, free, factor)
    )
    root, found, runs = root_of_drift(patches, ties), [], 600
    for _ in range(runs):
        patches_off, ties_off = drawn(patches, ties, root, rng, (0.02, 0.05))
        said = by_targets(ties_off)
        network = np.linalg.solve(said.matrix, said.right)  # where the targets' poses stand; the truth is at zero
        patches_off = with_distances(
            patches_off, patches_off.mean_mm - overlap_adjustment.design_matrix(patches, 2) @ network
        )
        at_network = overlap_adjustment.NormalEquations(said.matrix, np.zeros(12))
        motions = overlap_adjustment.solve(
            overlap_adjustment.overlap_equations(patches_off, 2), at_network, free, factor
        ).motions.ravel()
        found.append(network + motions)
    # a variance from 600 runs is good for sqrt(2 / 600) = 6 %
    np.testing.assert_allclose(np.var(found, axis=0), np.diag(covariance), rtol=4.5 * np.sqrt(2 / runs))
    size = np.einsum("ni,ij,nj->n", found, np.linalg.inv(covariance), found)
    assert size.mean() == pytest.approx(12, abs=4 * np.sqrt(2 * 12 / runs))


def test_more_points_do_not_make_the_pose_sure():
    normal, at = round_overlap(np.random.default_rng(3))
    free = np.array([False, True])
    sd = []
    for noise_mm in (0.02, 0.0002):  # ten thousand times as many points in each patch
        patches = made_up(normal, at, noise_mm)
        overlaps, nothing = overlap_adjustment.overlap_equations(patches, 2), overlap_adjustment.NormalEquations.none(2)
        given = error_model.error_covariances(patches, target_constraints.none(), NO_POINTS, free, DRIFT, 1.0)
        errors = error_model.pose_covariance(
            given, overlaps, nothing, overlap_adjustment.solve(overlaps, nothing, free)
        )
        sd.append(np.sqrt(np.diag(errors)[9:]))
    assert np.all(sd[1] > 0.8 * sd[0])
    # drift of 0.03 mm/m a metre from both middles is 0.04 mm, alike over most of the overlap: most of it stays
    assert np.all(sd[1] > 0.01)


def test_sliding_along_a_plane_is_left_to_the_targets():
    rng = np.random.default_rng(4)
    at = np.column_stack([rng.uniform(-500, 500, (60, 2)), np.zeros(60)])
    normal = np.tile([0.0, 0.0, 1.0], (60, 1)) + rng.normal(0, 0.01, (60, 3))  # normals good for half a degree
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    patches = made_up(normal, at, normal_variance=1e-4)
    off = with_distances(patches, normal @ [0.0, 0.0, 0.4] + rng.normal(0, 0.02, 60))
    prior = targets(0.5, 1e-3)
    solution = overlap_adjustment.solve(overlap_adjustment.overlap_equations(off, 2), prior, np.array([False, True]))
    assert np.trace(solution.observable) == pytest.approx(3, abs=1e-6)  # height and two tilts of one segment
    # what is left of sliding is the lean of the plane that the normals average to: 0.01 / sqrt(60) rad of 0.4 mm
    np.testing.assert_allclose(solution.motions[1, [3, 4]], 0, atol=4 * 0.4 * 0.01 / np.sqrt(60))
    assert abs(solution.motions[1, 2]) < 1e-5
    assert solution.motions[1, 5] == pytest.approx(-0.4, abs=0.02)  # the second lies 0.4 mm outside: it moves in
    no_targets = overlap_adjustment.solve(
        overlap_adjustment.overlap_equations(off, 2),
        overlap_adjustment.NormalEquations.none(2),
        np.array([False, True]),
    )
    np.testing.assert_allclose(no_targets.motions[1, [3, 4]], 0, atol=4 * 0.4 * 0.01 / np.sqrt(60))


def test_overlaps_never_make_good_targets_worse():
    rng = np.random.default_rng(5)
    free = np.array([True, True])
    normal, at = round_overlap(rng)
    patches, weights = made_up(normal, at), []
    overlaps = overlap_adjustment.overlap_equations(patches, 2)
    for noise_mm in (0.005, 0.05, 0.5):
        ties = stickers(rng, noise_mm)
        given, targets = error_model.error_covariances(patches, ties, NO_POINTS, free, DRIFT, 1.0), by_targets(ties)
        weights.append(error_model.best_overlap_weight(given, overlaps, targets, free))
        solution = overlap_adjustment.solve(overlaps, targets, free, weights[-1])
        errors = error_model.pose_covariance(given, overlaps, targets, solution)
        in_mm = np.sum(np.diag(errors) / overlaps.scale**2)
        assert in_mm <= np.sum(np.diag(given.by_targets) / overlaps.scale**2) * 1.001
    assert weights[0] <= weights[1] <= weights[2]


def test_the_variance_factor_shows_drift_beyond_the_declared():
    rng = np.random.default_rng(6)
    normal, at = round_overlap(rng)
    patches = made_up(normal, at)
    root = np.linalg.cholesky(patches.errors_mm2)
    runs, freedom = 100, len(at) - 6  # six parameters: one of the two segments moves

    def factors(times):
        """Variance factors where errors are that many times as large as declared."""
        found = []
        for _ in range(runs):
            noisy = with_distances(patches, times * root @ rng.normal(size=len(at)))
            solution = overlap_adjustment.solve(
                overlap_adjustment.overlap_equations(noisy, 2),
                overlap_adjustment.NormalEquations.none(2),
                np.array([False, True]),
            )
            found.append(overlap_adjustment.variance_factor(noisy, solution))
        return np.array(found)

    # The weighted squares are chi squared: their mean over the degrees of freedom is 1, with sd sqrt(2 / freedom).
    assert factors(3.0).mean() == pytest.approx(9, abs=4 * 9 * np.sqrt(2 / (freedom * runs)))
    declared = factors(1.0)
    assert declared.min() == 1.0
    above = stats.chi2.sf(freedom, freedom)  # share of the runs whose factor lies above 1, where the rest is put
    assert np.mean(declared > 1) == pytest.approx(above, abs=4 * np.sqrt(above * (1 - above) / runs))
    assert declared.max() < stats.chi2.isf(1e-4 / runs, freedom) / freedom


def test_outliers_bear_no_weight():
    d = np.concatenate([np.random.default_rng(7).normal(0, 0.1, 1000), np.full(50, 3.0)])
    weights, sd_mm = overlap_patches.robust_weights(d, 0.0)
    assert np.all(weights[-50:] == 0)
    assert sd_mm == pytest.approx(0.1, rel=0.1)

"""The network's arithmetic against worked examples of textbooks and journals; the source stands beside each."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.network import adjustment, model


def two_lists(xyz_a, xyz_b, covariance_a, covariance_b):
    """The same targets in two lists, as the network takes them; list a holds the frame."""
    n = len(xyz_a)
    return model.Observations(
        np.vstack([xyz_a, xyz_b]),
        np.concatenate([covariance_a, covariance_b]),
        np.repeat([0, 1], n),
        np.tile(np.arange(n), 2),
        np.ones(2 * n, bool),
    )


def isotropic(sd, n):
    return np.tile(np.eye(3) * sd**2, (n, 1, 1))


class TestTransformations:
    # E. Grafarend, J. Awange, Journal of Geodesy 77 (2003) 66-76: seven stations, m. Coordinates read in a public
    # source that carries the example; the printed results from memory, recomputed by an independent script.
    STATIONS = np.array(
        [
            [4157222.543, 664789.307, 4774952.099, 4157870.237, 664818.678, 4775416.524],
            [4149043.336, 688836.443, 4778632.188, 4149691.049, 688865.785, 4779096.588],
            [4172803.511, 690340.078, 4758129.701, 4173451.354, 690369.375, 4758594.075],
            [4177148.376, 642997.635, 4760764.800, 4177796.064, 643026.700, 4761228.899],
            [4137012.190, 671808.029, 4791128.215, 4137659.549, 671837.337, 4791592.531],
            [4146292.729, 666952.887, 4783859.856, 4146940.228, 666982.151, 4784324.099],
            [4138759.902, 702670.738, 4785552.196, 4139407.506, 702700.227, 4786016.645],
        ]
    )
    RESIDUALS = np.array(
        [
            [0.0940, 0.1351, 0.1402],
            [0.0588, -0.0497, 0.0137],
            [-0.0399, -0.0879, -0.0081],
            [0.0202, -0.0220, -0.0874],
            [-0.0919, 0.0139, -0.0055],
            [-0.0118, 0.0065, -0.0546],
            [-0.0294, 0.0041, 0.0017],
        ]
    )

    def test_seven_stations_earth_centred(self):
        source, target = self.STATIONS[:, :3], self.STATIONS[:, 3:]
        # the source is as good as free of noise, so that all of it is the target's, as in the publication
        observations = two_lists(source, target, isotropic(1e-5, 7), isotropic(0.1, 7))
        start = np.array([np.eye(4), rigid.fit(source, target)])
        adjusted = model.adjust(observations, start, free_scale=True)
        T_target_source = np.linalg.inv(adjusted.T_control_list[1])
        scale = np.cbrt(np.linalg.det(T_target_source[:3, :3]))
        # float64 leaves 1e-9 m of coordinates this large, over 2e4 m
        assert scale == pytest.approx(1.00000558251985, abs=1e-13)
        assert T_target_source[:3, 3] == pytest.approx([641.8804, 68.6553, 416.3982], abs=5e-5)
        R = [
            [0.999999999979023, 4.81462518e-6, -4.33275933e-6],
            [-4.81464616e-6, 0.999999999976693, -4.84085331e-6],
            [4.33273603e-6, 4.84087418e-6, 0.999999999978897],
        ]
        assert T_target_source[:3, :3] / scale == pytest.approx(np.array(R), abs=5e-14)
        assert -adjusted.residual_mm[7:] == pytest.approx(self.RESIDUALS, abs=5e-5)
        assert np.linalg.norm(adjusted.residual_mm[7:]) == pytest.approx(0.2890, abs=5e-5)

    # OSGeoLab, Budapest University of Technology and Economics, "3D orthogonal transformation" (tutorial, CC0), read.
    TEN = np.array(
        [
            [30.5557, 48.3188, 3.5465, 133.101, 140.589, 83.295],
            [23.9325, 21.5202, 1.7207, 119.427, 121.613, 98.070],
            [25.9909, 21.6259, 27.6905, 104.153, 141.505, 105.158],
            [13.3294, 27.0915, 16.2552, 105.286, 131.409, 90.394],
            [19.9702, 40.3968, 23.8941, 109.961, 147.038, 86.747],
            [16.3791, 5.4036, 17.2654, 98.155, 121.064, 108.372],
            [6.4734, 46.0633, 9.8115, 112.310, 134.787, 70.718],
            [13.6336, 28.1767, 2.2597, 114.882, 121.867, 86.678],
            [26.7044, 40.0221, 16.5392, 118.986, 143.970, 89.747],
            [27.9647, 38.2493, 13.2022, 121.269, 141.009, 91.106],
        ]
    )

    def test_ten_points_rigid(self):
        source, target = self.TEN[:, :3], self.TEN[:, 3:]
        observations = two_lists(target, source, isotropic(0.01, 10), isotropic(0.01, 10))
        start = np.array([np.eye(4), rigid.fit(target, source)])
        adjusted = model.adjust(observations, start)
        T = adjusted.T_control_list[1]
        R = [[0.65980, 0.39121, -0.64158], [0.37871, 0.56432, 0.73357], [0.64903, -0.72698, 0.22418]]
        assert T[:3, :3] == pytest.approx(np.array(R), abs=5e-6)
        assert T[:3, 3] == pytest.approx([96.316, 99.146, 97.800], abs=5e-4)
        off = rigid.transform(T, source) - target
        # recomputed by an independent script
        assert np.sqrt((off**2).sum(axis=1).mean()) == pytest.approx(0.007440, abs=5e-7)
        assert np.abs(off).max() == pytest.approx(0.008678, abs=5e-7)
        # equal noise on both sides halves every residual
        assert adjusted.residual_mm[:10] == pytest.approx(off / 2, abs=1e-9)

    def test_ten_points_free_scale(self):
        source, target = self.TEN[:, :3], self.TEN[:, 3:]
        observations = two_lists(source, target, isotropic(1e-7, 10), isotropic(0.01, 10))
        start = np.array([np.eye(4), rigid.fit(source, target)])
        adjusted = model.adjust(observations, start, free_scale=True)
        assert 1 / adjusted.scale[1] == pytest.approx(1.000054649, abs=5e-10)  # recomputed by an independent script

    def test_both_sets_uncertain(self):
        # C. Ghilani, Adjustment Computations, example 18.4; data and scale read in a public copy of the example.
        small = np.array(
            [
                [1094.883, 820.085, 109.821],
                [503.891, 1598.698, 117.685],
                [2349.343, 207.658, 151.387],
                [1395.320, 1348.853, 215.261],
            ]
        )
        large = np.array(
            [
                [10037.81, 5262.09, 772.04],
                [10956.68, 5128.17, 783.00],
                [8780.08, 4840.29, 782.62],
                [10185.80, 4700.21, 851.32],
            ]
        )
        sd_small = np.array([[7, 8, 5], [11, 8, 9], [6, 5, 7], [5, 8, 9]]) * 1e-3
        sd_large = np.array([[5, 6, 5], [4, 6, 9], [2, 4, 2], [3, 5, 3]]) * 1e-2
        diagonal = [np.array([np.diag(row**2) for row in sd]) for sd in (sd_large, sd_small)]
        start = np.array([np.eye(4), rigid.fit(large, small)])
        adjusted = model.adjust(two_lists(large, small, *diagonal), start, free_scale=True)
        assert adjusted.scale[1] == pytest.approx(0.9499549354, abs=1e-10)  # as printed
        assert adjusted.scale[1] == pytest.approx(0.94995493547, abs=5e-12)  # recomputed by an independent script

    def test_reflection_trap(self):
        # S. Umeyama, IEEE PAMI 13(4), 1991, 376-380 (values from memory, recomputed): the plane similarity that fits a
        # mirrored triangle best is a turn. Unknowns a = c cos, b = c sin, t; y = (a x1 - b x2, b x1 + a x2) + t.
        x = np.array([[0.0, 0], [1, 0], [0, 2]])
        y = np.array([[0.0, 0], [-1, 0], [0, 2]])
        one, zero = np.ones(3), np.zeros(3)
        rows = np.stack(
            [np.column_stack([x[:, 0], -x[:, 1], one, zero]), np.column_stack([x[:, 1], x[:, 0], zero, one])], axis=1
        )
        found = adjustment.solve(adjustment.Equations(y, np.tile(np.eye(2), (3, 1, 1)), rows)).step_shared
        c = np.hypot(*found[:2])
        assert c == pytest.approx(0.7211102551, abs=5e-11)
        assert found[:2] / c == pytest.approx([0.832, -0.555], abs=5e-4)
        assert found[2:] == pytest.approx([-0.800, 0.400], abs=5e-4)


@pytest.mark.parametrize("seed", range(12))
def test_poses_of_random_sets_are_those_of_scipy(seed):
    """SciPy's Rotation.align_vectors (Kabsch, by singular values) solves the same problem another way: with equal noise
    on both sides the adjusted pose is its rotation, and each side takes half of the misfit."""
    rng = np.random.default_rng(seed)
    count, noise = int(rng.integers(4, 40)), 10.0 ** rng.uniform(-2, 1)
    here = rng.uniform(-1, 1, (count, 3)) * rng.uniform(50, 3000, 3) + rng.uniform(-5000, 5000, 3)
    true = rigid.pose(Rotation.random(rng=rng).as_matrix(), rng.uniform(-5000, 5000, 3))
    there = rigid.transform(rigid.invert(true), here) + rng.normal(0, noise, here.shape)
    rotation, _ = Rotation.align_vectors(here - here.mean(axis=0), there - there.mean(axis=0))
    misfit = here - here.mean(axis=0) - rotation.apply(there - there.mean(axis=0))
    observations = two_lists(here, there, isotropic(0.05, count), isotropic(0.05, count))
    # a start 3 degrees and 40 mm off: the answer must not lean on it
    off = rigid.pose(Rotation.from_rotvec(rng.normal(size=3) * 0.03).as_matrix(), rng.normal(size=3) * 25)
    adjusted = model.adjust(observations, np.array([np.eye(4), off @ true]))
    T = adjusted.T_control_list[1]
    # steps end below 1e-6 of 0.05 mm at the targets, whose spread across is some 50 mm or more
    assert T[:3, :3] == pytest.approx(rotation.as_matrix(), abs=1e-8)
    assert T[:3, 3] == pytest.approx(here.mean(axis=0) - rotation.as_matrix() @ there.mean(axis=0), abs=1e-4)
    assert np.linalg.norm(adjusted.residual_mm) == pytest.approx(np.linalg.norm(misfit) / np.sqrt(2), rel=1e-8)


class TestErrorLaws:
    """J. Fitzpatrick, J. West, C. Maurer, IEEE Trans. Medical Imaging 17(5), 1998, 694-702 (laws from memory)."""

    @staticmethod
    def law(targets, at, fle2):
        centred = targets - targets.mean(axis=0)
        axes = np.linalg.svd(centred, full_matrices=False)[2]

        def from_axes(points):  # squared distance from each principal axis
            along = points @ axes.T
            return (points**2).sum(axis=-1, keepdims=True) - along**2

        f2 = from_axes(centred).mean(axis=0)
        return fle2 / len(targets) * (1 + (from_axes(at - targets.mean(axis=0)) / f2).sum(axis=-1) / 3)

    @pytest.mark.parametrize("count", [4, 8, 20])
    def test_expected_residual_and_error_by_monte_carlo(self, count):
        rng = np.random.default_rng(count)
        targets, at = rng.uniform(-1000, 1000, (count, 3)), np.array([[1500.0, -400, 900]])
        sd, trials = 0.05, 3000
        fle2 = 3 * sd**2
        fre2, tre2 = np.empty(trials), np.empty(trials)
        for trial in range(trials):
            seen = targets + rng.normal(0, sd, targets.shape)
            T = rigid.fit(targets, seen)
            fre2[trial] = ((rigid.transform(T, seen) - targets) ** 2).sum(axis=1).mean()
            tre2[trial] = ((rigid.transform(T, at) - at) ** 2).sum()
        # tolerance: four standard errors of the mean of as many trials
        assert fre2.mean() == pytest.approx((1 - 2 / count) * fle2, abs=4 * fre2.std() / np.sqrt(trials))
        assert tre2.mean() == pytest.approx(self.law(targets, at, fle2)[0], abs=4 * tre2.std() / np.sqrt(trials))

    def test_residuals_of_two_noisy_lists_by_monte_carlo(self):
        # when both sets carry noise, a pair is off by 6 sd^2; four targets show (1 - 2/4) of it: 71 % of the noise
        rng = np.random.default_rng(41)
        targets, sd, trials = rng.uniform(-1000, 1000, (4, 3)), 0.05, 2000
        fre2, own2 = np.empty(trials), np.empty(trials)
        for trial in range(trials):
            one, other = (targets + rng.normal(0, sd, targets.shape) for _ in range(2))
            adjusted = model.adjust(
                two_lists(one, other, isotropic(sd, 4), isotropic(sd, 4)), np.array([np.eye(4), np.eye(4)])
            )
            T = adjusted.T_control_list[1]
            fre2[trial] = ((rigid.transform(T, other) - one) ** 2).sum(axis=1).mean()
            own2[trial] = adjusted.solution.vtpv
        assert fre2.mean() == pytest.approx(0.5 * 6 * sd**2, abs=4 * fre2.std() / np.sqrt(trials))
        assert np.sqrt(fre2.mean() / (6 * sd**2)) == pytest.approx(0.71, abs=0.02)
        # the adjustment knows: its weighted squares are chi squared with the 24 - 12 - 6 degrees that are left
        assert adjusted.solution.degrees_of_freedom == 6
        assert own2.mean() == pytest.approx(6, abs=4 * np.sqrt(2 * 6 / trials))

    def test_covariance_of_a_pose_follows_the_law(self):
        rng = np.random.default_rng(11)
        targets, at = rng.uniform(-1000, 1000, (9, 3)) + 5000, np.array([[6500.0, 4000, 5900]])
        sd = 0.05
        observations = two_lists(targets, targets, isotropic(1e-6, 9), isotropic(sd, 9))
        adjusted = model.adjust(observations, np.array([np.eye(4), np.eye(4)]))
        J = np.concatenate([-rigid.cross_matrix(at)[0], np.eye(3)], axis=1)
        tre2 = np.trace(J @ adjusted.pose_covariance[1] @ J.T)
        # to first order in sd / distance of the targets, 5e-5
        assert tre2 == pytest.approx(self.law(targets, at, 3 * sd**2)[0], rel=1e-6)

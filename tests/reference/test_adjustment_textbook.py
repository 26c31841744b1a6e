"""Adjustment and tests for blunders against worked examples of geodesy; the source stands beside each."""

import numpy as np
import pytest

from nightbay.network import adjustment, blunders

# F. Krumm, Geodetic Network Adjustment Examples, University of Stuttgart, rev. 3.5 (2020), after Ghilani ch. 17.6.
# Vectors between points, m, and the upper triangle of their covariance, m2.
VECTORS = """
A C  11644.2232  3601.2165  3399.2550  9.884e-4 -9.580e-6 9.520e-6 9.377e-4 -9.520e-6 9.827e-4
A E  -5321.7164  3634.0754  3173.6652  2.158e-4 -2.100e-6 2.160e-6 1.919e-4 -2.100e-6 2.005e-4
B C   3960.5442 -6681.2467 -7279.0148  2.305e-4 -2.230e-6 2.070e-6 2.546e-4 -2.230e-6 2.252e-4
B D -11167.6076  -394.5204  -907.9593  2.700e-4 -2.750e-6 2.850e-6 2.721e-4 -2.720e-6 2.670e-4
D C  15128.1647 -6286.7054 -6371.0583  1.461e-4 -1.430e-6 1.340e-6 1.614e-4 -1.440e-6 1.308e-4
D E  -1837.7459 -6253.8534 -6596.6697  1.231e-4 -1.190e-6 1.220e-6 1.277e-4 -1.210e-6 1.283e-4
F A  -1116.4523 -4596.1610 -4355.9062  7.475e-5 -7.900e-7 8.800e-7 6.593e-5 -8.100e-7 7.616e-5
F C  10527.7852  -994.9377  -956.6246  2.567e-4 -2.250e-6 2.400e-6 2.163e-4 -2.270e-6 2.397e-4
F E  -6438.1364  -962.0694 -1182.2305  9.442e-5 -9.200e-7 1.040e-6 9.959e-5 -8.900e-7 8.826e-5
F D  -4600.3787  5291.7785  5414.4311  9.330e-5 -9.900e-7 9.000e-7 9.875e-5 -9.900e-7 1.204e-4
F B   6567.2311  5686.2926  6322.3917  6.643e-5 -6.500e-7 6.900e-7 7.465e-5 -6.400e-7 6.048e-5
B F  -6567.2310 -5686.3033 -6322.3807  5.512e-5 -6.300e-7 6.100e-7 7.472e-5 -6.300e-7 6.629e-5
A F   1116.4577  4596.1553  4355.9141  6.619e-5 -8.000e-7 9.000e-7 8.108e-5 -8.200e-7 9.376e-5
"""
FIXED = {"A": (402.35087, -4652995.30109, 4349760.77753), "B": (8086.03178, -4642712.84739, 4360439.08326)}
PUBLISHED = {
    "C": ((12046.5808, -4649394.0826, 4353160.0644), (0.608, 0.612, 0.597)),
    "D": ((-3081.5831, -4643107.3692, 4359531.1233), (0.494, 0.506, 0.514)),
    "E": ((-4919.3391, -4649361.2199, 4352934.4548), (0.523, 0.526, 0.517)),
    "F": ((1518.8012, -4648399.1453, 4354116.6914), (0.267, 0.282, 0.280)),
}


def test_vectors_in_space_with_printed_coordinates_and_standard_deviations():
    names = sorted(PUBLISHED)
    misclosure, covariance, shared = [], [], []
    for line in VECTORS.split("\n")[1:-1]:
        start, end, *numbers = line.split()
        vector, upper = np.array(numbers[:3], float), np.array(numbers[3:], float)
        matrix = np.zeros((3, 3))
        matrix[np.triu_indices(3)] = upper
        covariance.append(matrix + matrix.T - np.diag(np.diag(matrix)))
        design, computed = np.zeros((3, 12)), np.zeros(3)
        for name, sign in ((start, -1), (end, 1)):
            if name in FIXED:
                computed += sign * np.array(FIXED[name])
            else:
                design[:, 3 * names.index(name) : 3 * names.index(name) + 3] = sign * np.eye(3)
        misclosure.append(vector - computed)
        shared.append(design)
    equations = adjustment.Equations(np.array(misclosure), np.array(covariance), np.array(shared))
    solution = adjustment.solve(equations)
    assert solution.degrees_of_freedom == 27
    assert solution.vtpv == pytest.approx(13.51447, abs=5e-6)
    assert np.sqrt(solution.vtpv / 27) == pytest.approx(0.70749, abs=5e-6)  # recomputed by an independent script
    sd_cm = 100 * np.sqrt(np.diag(solution.Q_shared) * solution.variance_factor)
    for at, name in enumerate(names):
        xyz, sd = PUBLISHED[name]
        assert solution.step_shared[3 * at : 3 * at + 3] == pytest.approx(xyz, abs=5.1e-5)
        assert sd_cm[3 * at : 3 * at + 3] == pytest.approx(sd, abs=5.1e-4)
    assert solution.redundancy.sum() == pytest.approx(27, abs=1e-9)


class TestTwoBlunders:
    # Blankenbach, Willert, Allgemeine Vermessungs-Nachrichten 8-9/2009, 320-327, in Krumm (above): distances, m, to P
    POINTS = np.array(
        [
            [-8.62, 27.42, 10.29],
            [-4.95, 27.30, 10.04],
            [-4.85, 20.69, 10.51],
            [0.52, 22.59, 9.77],
            [-6.12, 25.48, 10.92],
            [0.45, 27.39, 10.75],
            [0.61, 17.19, 9.71],
            [-7.88, 22.45, 10.16],
        ]
    )
    DISTANCES = np.array([8.20, 3.85, 4.35, 3.51, 3.98, 4.37, 8.17, 5.73])
    SD = 0.02  # of a distance: the eight without blunders agree within 0.033

    def locate(self, active, weight):
        def linearise(place):
            away = place - self.POINTS
            length = np.linalg.norm(away, axis=1)
            return adjustment.Equations(
                (self.DISTANCES - length)[:, None],
                (self.SD**2 / weight)[:, None, None],
                (away / length[:, None])[:, None, :],
                active=active,
            )

        place, solution = adjustment.iterate(
            linearise, lambda place, step, _: place + step, np.array([-2.5, 24.5, 9.0]), steps=100
        )
        return Located(place, solution)

    def test_plain_least_squares_is_drawn_aside(self):
        assert self.locate(np.ones(8, bool), np.ones(8)).place == pytest.approx([-2.3042, 24.3101, 9.5248], abs=5e-5)

    def test_both_are_found_and_nothing_else(self):
        one = np.ones(8, bool)
        covariance = np.full((8, 1, 1), self.SD**2)
        found = blunders.snoop(self.locate, one, covariance, np.zeros(8, int), keep=~one)
        assert np.flatnonzero(~found.active).tolist() == [0, 6]
        # recomputed by an independent script
        assert found.adjusted.place == pytest.approx([-2.5077, 24.3202, 9.7753], abs=5e-5)
        assert np.abs(found.adjusted.residual_mm[found.active]).max() <= 0.033


class Located:
    def __init__(self, place, solution):
        self.place, self.residual_mm, self.Q_fitted = place, solution.residual, solution.Q_fitted


def test_free_network_with_inner_constraints():
    # G. Strang, K. Borre, Linear Algebra, Geodesy and GPS, 1997, ex. 12.4, in Krumm (above)
    start = np.array([[170.71, 170.71], [170.71, 270.71], [100.0, 100], [241.42, 100]])
    lines = [(1, 0, 100.01), (2, 0, 100.02), (3, 0, 100.03), (1, 2, 184.785), (2, 3, 141.44), (1, 3, 184.805)]
    shared, misclosure = np.zeros((6, 1, 8)), np.zeros((6, 1))
    for row, (i, j, length) in enumerate(lines):
        away = start[i] - start[j]
        now = np.linalg.norm(away)
        misclosure[row] = length - now
        shared[row, 0, 2 * i : 2 * i + 2], shared[row, 0, 2 * j : 2 * j + 2] = away / now, -away / now
    turn = np.column_stack([-start[:, 1], start[:, 0]]).ravel()
    datum = np.column_stack([np.tile([1.0, 0], 4), np.tile([0.0, 1], 4), turn])
    equations = adjustment.Equations(misclosure, np.full((6, 1, 1), 1.0), shared)
    with pytest.raises(adjustment.Undetermined):
        adjustment.solve(equations)
    solution = adjustment.solve(equations, datum=datum)
    found = start + solution.step_shared.reshape(4, 2)
    published = [[170.7123, 170.7185], [170.7032, 270.7213], [99.9912, 99.9971], [241.4333, 99.9830]]
    assert found == pytest.approx(np.array(published), abs=5.1e-5)
    sd_cm = 100 * np.sqrt(np.diag(solution.Q_shared) * solution.variance_factor).reshape(4, 2)
    published = [[1.079, 0.682], [0.810, 0.551], [0.641, 0.705], [0.640, 0.705]]
    assert solution.degrees_of_freedom == 1
    assert sd_cm == pytest.approx(np.array(published), abs=1e-3)  # one unit of the last digit printed


def test_normalised_residuals_of_a_levelling_network():
    # OSGeoLab, levelling network (tutorial, CC0): H4 = 101.345 m fixed, sd = 0.7 mm for a km, as printed
    lines = [(1, 2, -0.749, 1.1), (1, 3, -1.274, 1.8), (1, 4, -2.890, 1.4), (2, 3, -0.530, 1.5), (2, 4, -2.141, 1.9),
             (3, 4, -1.614, 0.9)]  # fmt: skip
    shared, misclosure, covariance = np.zeros((6, 1, 3)), np.zeros((6, 1)), np.zeros((6, 1, 1))
    for row, (start, end, rise, km) in enumerate(lines):
        misclosure[row] = 1000 * rise - (101345.0 if end == 4 else 0.0)
        covariance[row] = (0.7 * km) ** 2
        for point, sign in ((start, -1), (end, 1)):
            if point != 4:
                shared[row, 0, point - 1] = sign
    solution = adjustment.solve(adjustment.Equations(misclosure, covariance, shared))
    assert solution.step_shared / 1000 == pytest.approx([104.2350, 103.4868, 102.9588], abs=5.1e-5)
    assert solution.vtpv == pytest.approx(8.217, abs=5e-4)
    assert np.sqrt(solution.variance_factor) == pytest.approx(1.65, abs=6e-3)
    assert np.sqrt(np.diag(solution.Q_shared) * solution.variance_factor) == pytest.approx([1.13, 1.19, 0.91], abs=6e-3)
    assert solution.residual[:, 0] == pytest.approx([0.81, -2.18, 0.00, 2.01, -0.81, 0.18], abs=6e-3)
    tests = blunders.test(solution.residual, covariance, solution.Q_fitted, np.ones(6, bool))
    assert np.abs(tests.w[:, 0]) == pytest.approx([1.9, 2.1, 0.0, 2.6, 0.7, 0.6], abs=0.06)

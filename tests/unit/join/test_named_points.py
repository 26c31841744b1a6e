"""The pose from common points: its uncertainty, blunders, and what is refused."""

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.join import named_points

T_TRUE = rigid.pose(Rotation.from_euler("zyx", [70, 5, -3], degrees=True).as_matrix(), (800, -20, 600))
SD_MM = 0.3


def scene(seed, count=8):
    rng = np.random.default_rng(seed)
    b = rng.uniform(-1000, 1000, (count, 3))
    a = rigid.transform(T_TRUE, b) + rng.normal(0, SD_MM, (count, 3))
    return a, b, np.eye(count) * SD_MM**2


def test_the_error_of_the_pose_is_as_its_covariance_says():
    ratios = []
    for seed in range(60):
        a, b, errors = scene(seed)
        found = named_points.fit(a, b, errors)
        off = T_TRUE @ rigid.invert(found.T_a_b)
        centre = found.motion.centre_mm
        turn = Rotation.from_matrix(off[:3, :3]).as_rotvec()
        error = np.concatenate([turn, rigid.transform(off, [centre])[0] - centre])
        ratios.append(error @ np.linalg.solve(found.motion.covariance, error))
    # the sum of 60 squared distances with six degrees of freedom each, two-sided 0.1 %
    low, high = stats.chi2.ppf((0.0005, 0.9995), 6 * 60)
    assert low < sum(ratios) < high


def test_a_moved_point_is_left_out_and_named():
    a, b, errors = scene(1)
    a[3] += (0, 6, 0)
    found = named_points.fit(a, b, errors)
    assert found.used.tolist() == [True] * 3 + [False] + [True] * 4
    assert found.withheld_mm[3] == pytest.approx(6, abs=1.5)  # five sd of the point, with what the others add
    assert found.withheld_rms_mm < 2 * found.expected_rms_mm


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda a, b: (a[:3], b[:3]), "3 common points are there and 4 are needed"),
        (lambda a, b: (a[[1, 0, 3, 2, 5, 4, 7, 6]], b), "the common points contradict each other"),
        (lambda a, b: (a * (1, 0, 0), b * (1, 1e-3, 1e-3)), "too near to one line"),
    ],
)
def test_what_makes_no_pose(change, reason):
    a, b, _ = scene(2)
    a, b = change(a, b)
    found = named_points.fit(a, b, np.eye(len(a)) * SD_MM**2)
    assert isinstance(found, NotFound) and reason in found.reason

import numpy as np
import pytest

from nightbay.stance import agreement, floor_patches, ground_motion
from nightbay.stance.ground_motion import SegmentErrors, WheelStep

WHEELS = np.array([[x, y, 300.0] for x in (0.0, 2500.0) for y in (-700.0, 700.0)])
SEEN = {  # ranges of X and Y in which each segment sees the floor
    "left": ((-500, 3000), (-1300, -900)),
    "right": ((-500, 3000), (900, 1300)),
    "front": ((-1200, 100), (-1300, 1300)),
    "rear": ((2400, 3600), (-1300, 1300)),
}
ERRORS = [SegmentErrors(np.array([1250.0, 0.0, 600.0]), 0.03, np.zeros((6, 6)))] * len(SEEN)


def floors(rises, seed=1, wave_mm=1.5, names=tuple(SEEN)):
    """Floors with a wave that all segments share; ``rises`` {name: function of points (n, 2)}."""
    rng, found = np.random.default_rng(seed), []
    for name in names:
        (x_low, x_high), (y_low, y_high) = SEEN[name]
        at = rng.uniform([x_low, y_low], [x_high, y_high], (4000, 2))
        height = wave_mm * np.sin(at[:, 0] / 400.0) * np.cos(at[:, 1] / 500.0) + rng.normal(0, 0.15, len(at))
        height += rises.get(name, lambda at: 0.0)(at)
        found.append(floor_patches.gather(np.column_stack([at, height])))
    return found


def test_a_body_that_sank_and_rolled_in_a_segment_is_measured():
    rise = {"right": lambda at: 3.0 + 0.002 * at[:, 1]}
    own = floors(rise)
    uneven = floor_patches.unevenness_mm(own, 0.3)
    motion = ground_motion.adjust(own, [], ERRORS, uneven)
    found = agreement.find(motion, WHEELS, 0.5, [9] * 4, None)
    assert found.moved == [1]
    assert found.decided
    apart, covariance = ground_motion.adjust(own, [], ERRORS, uneven, found.alike).difference(0, 1, WHEELS)
    true = 3.0 + 0.002 * WHEELS[:, 1]
    sd = np.sqrt(np.diag(covariance))
    assert np.all(np.abs(apart - true) < 3 * sd)
    assert sd[[1, 3]].max() < 0.3  # on its own side


def test_a_wavy_floor_alone_is_no_movement():
    for seed in range(5):
        own = floors({}, seed)
        motion = ground_motion.adjust(own, [], ERRORS, floor_patches.unevenness_mm(own, 0.3))
        assert agreement.find(motion, WHEELS, 0.5, [9] * 4, None).moved == []


def test_of_two_segments_nothing_shows_which_is_right_but_the_job_sheet():
    own = floors({"front": lambda at: 5.0}, names=("left", "front"))
    motion = ground_motion.adjust(own, [], ERRORS[:2], 1.0)
    found = agreement.find(motion, WHEELS, 0.5, [90, 20], None)
    assert (found.alike, found.moved, found.decided) == ([0], [1], False)
    found = agreement.find(motion, WHEELS, 0.5, [90, 20], 1)
    assert (found.alike, found.moved, found.decided) == ([1], [0], True)


def test_two_against_two_are_not_decided():
    own = floors({"left": lambda at: 4.0, "front": lambda at: 4.0})
    found = agreement.find(
        ground_motion.adjust(own, [], ERRORS, floor_patches.unevenness_mm(own, 0.3)), WHEELS, 0.5, [9, 10, 9, 9], None
    )
    assert sorted(map(len, (found.alike, found.moved))) == [2, 2]
    assert not found.decided


def test_wheels_alone_show_a_movement():
    empty = [floor_patches.gather(np.empty((0, 3)))] * 3
    steps = [
        WheelStep(0, 1, WHEELS[0], 4.0, 0.05),
        WheelStep(0, 2, WHEELS[1], 0.02, 0.05),
        WheelStep(1, 2, WHEELS[2], -4.0, 0.05),
    ]
    motion = ground_motion.adjust(empty, steps, ERRORS[:3], 0.3)
    found = agreement.find(motion, WHEELS, 0.5, [9] * 3, None)
    assert found.moved == [1]
    rise, _ = ground_motion.adjust(empty, steps, ERRORS[:3], 0.3, found.alike).difference(0, 1, WHEELS[[0, 2]])
    assert rise == pytest.approx([4.0, 4.0], abs=0.2)


def test_the_error_of_a_pose_counts():
    loose = SegmentErrors(np.zeros(3), 0.0, np.diag([0, 0, 0, 0, 0, 4.0]))
    own = floors({"front": lambda at: 3.0}, names=("left", "front"))
    motion = ground_motion.adjust(own, [], [loose, loose], 0.5)
    _, covariance = motion.difference(0, 1, WHEELS)
    assert np.sqrt(np.diag(covariance)).min() > 2.8  # two poses of 2 mm
    assert agreement.find(motion, WHEELS, 0.5, [9, 9], None).moved == []


def test_patches_of_a_large_floor_are_few():
    at = np.random.default_rng(1).uniform(0, 12_000, (60_000, 2))
    patches = floor_patches.gather(np.column_stack([at, np.zeros(len(at))]))
    assert 40 < len(patches.at_mm) <= floor_patches.MOST_PATCHES

"""Zero planes by named fiducials: what they determine, what they leave, and their uncertainty."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.core.errors import NotFound, Rejected
from nightbay.frame import fiducials
from nightbay.frame.fiducials import Fiducial, Start
from nightbay.network.result import AdjustedTarget

T_GRID_CONTROL = rigid.pose(Rotation.from_euler("xyz", [25, -40, 130], degrees=True).as_matrix(), [800, -300, 1200])
NOMINAL = np.array([[-600.0, -500, 700], [2900, 480, 820], [1200, 610, 450], [300, -640, 1100]])
CENTRE = rigid.transform(rigid.invert(T_GRID_CONTROL), [[1100.0, 0.0, 600.0]])[0]


def fiducial(row, axes="xyz", error=(0.0, 0.0, 0.0), sd=1.0):
    at = rigid.transform(rigid.invert(T_GRID_CONTROL), [NOMINAL[row] + error])[0]
    nominal = {axis: float(NOMINAL[row]["xyz".index(axis)]) for axis in axes}
    return Fiducial(f"target {row}", at, np.zeros((3, 3)), nominal, sd)


def start(turn_deg=(0.0, 0.0, 0.0), shift_mm=(0.0, 0.0, 0.0), directions=True, sd=1e-5):
    moved = rigid.pose(Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix(), shift_mm)
    return Start(moved @ T_GRID_CONTROL, directions, np.full(3, sd), CENTRE, 2200.0)


def left(fixed):
    """What remains between the frame that was found and the true one."""
    return fixed.T_grid_control @ rigid.invert(T_GRID_CONTROL)


def test_three_complete_fiducials_give_the_frame_without_anything_else():
    fixed = fiducials.fix([fiducial(row) for row in range(3)], start((90, 20, 60), (5e3, 0, 0), directions=False), 3.0)
    assert left(fixed) == pytest.approx(np.eye(4), abs=1e-9)
    assert fixed.named == ["x", "y", "z"] and fixed.contradiction is None and not fixed.turned


def test_uncertainties_are_those_of_many_trials():
    """Normalised errors of rotation and position at the part's middle have an rms of 1; 600 trials show it to 3 %."""
    rng = np.random.default_rng(3)
    turns, shifts = [], []
    for _ in range(600):
        named = [fiducial(row, error=rng.normal(0, 0.8, 3), sd=0.8) for row in range(4)]
        fixed = fiducials.fix(named, start(), 3.0)
        motion = left(fixed)
        factor = max(1.0, sum((r / s) ** 2 for r, s in residuals(fixed)) / 6.0)  # redundancy 12 - 6
        sd = np.sqrt(factor)
        turns.append(Rotation.from_matrix(motion[:3, :3]).as_rotvec() / fixed.turn_sd_rad * sd)
        middle = rigid.transform(T_GRID_CONTROL, CENTRE[None])
        shifts.append((rigid.transform(motion, middle) - middle)[0] / [fixed.sd_mm[axis] for axis in "xyz"] * sd)
    assert np.sqrt(np.mean(np.square(turns), axis=0)) == pytest.approx(np.ones(3), abs=0.12)
    assert np.sqrt(np.mean(np.square(shifts), axis=0)) == pytest.approx(np.ones(3), abs=0.12)


def residuals(fixed):
    return [(entry.residual_mm[axis], entry.sd_mm[axis]) for entry in fixed.listed for axis in "xyz"]


def test_a_coordinate_that_is_left_out_stays_as_the_other_ways_have_it():
    """Heights of three points give zero Z with both tilts; heading and the other two zeros stay."""
    fixed = fiducials.fix(
        [fiducial(row, "z", sd=0.2) for row in (0, 1, 3)], start((0.4, -0.3, 0.0), (7.0, -4.0, 30.0)), 3.0
    )
    motion = left(fixed)
    assert motion[2] == pytest.approx([0, 0, 1, 0], abs=1e-9)
    assert fixed.named == ["z"]
    # the part's middle keeps its X and Y up to the tilt times its distance from the axis: 0.4 degrees of 600 mm is 4 mm
    assert motion[:2, 3] == pytest.approx([7.0, -4.0], abs=10.0)
    assert Rotation.from_matrix(motion[:3, :3]).as_rotvec()[2] == pytest.approx(0.0, abs=1e-4)


def test_one_coordinate_of_one_point_moves_the_frame_and_turns_nothing():
    fixed = fiducials.fix([fiducial(0, "x")], start(shift_mm=(12.0, -5.0, 3.0)), 3.0)
    assert left(fixed) == pytest.approx(rigid.pose(np.eye(3), [0.0, -5.0, 3.0]), abs=1e-9)
    assert fixed.sd_mm == {"x": pytest.approx(1.0, abs=0.05)}  # and the start's rotation at its lever


def test_points_near_each_other_turn_nothing_either():
    """Heights of points 200 mm apart, good to 1 mm each, leave 8 mm open at the ends of the part."""
    near = [fiducial(0, "z"), fiducial(0, "z", error=(200.0, 0, 4.0)), fiducial(0, "z", error=(0, 200.0, -4.0))]
    turned = start((0.0, 0.2, 0.0))
    fixed = fiducials.fix(near, turned, 3.0)
    assert fixed.T_grid_control[:3, :3] == pytest.approx(turned.T_grid_control[:3, :3], abs=1e-12)


def test_fiducials_show_a_heading_that_was_assumed_wrongly():
    fixed = fiducials.fix([fiducial(0, "xy"), fiducial(1, "xy")], start((0.0, 0.0, 180.0)), 3.0)
    assert fixed.turned and fixed.heads
    assert left(fixed)[0, 0] == pytest.approx(1.0, abs=1e-9)


def test_weights_count():
    """Of two points with X, the one that is ten times as sure decides a hundred times as much."""
    named = [fiducial(0, "x", error=(1.0, 0, 0), sd=0.1), fiducial(0, "x", error=(0.0, 0.1, 0), sd=1.0)]
    fixed = fiducials.fix(named, start(), 3.0)
    assert left(fixed)[0, 3] == pytest.approx(-100.0 / 101.0, abs=1e-9)


def test_fiducials_that_contradict_each_other_say_which():
    named = [fiducial(row) for row in range(3)] + [fiducial(3, error=(0.0, 14.0, 0.0))]
    fixed = fiducials.fix(named, start(), 3.0)
    assert "target 3 lies" in fixed.contradiction and "off along Y" in fixed.contradiction
    alike = fiducials.fix([fiducial(row) for row in range(4)], start(), 3.0)
    assert fixed.sd_mm["y"] > 2 * alike.sd_mm["y"]


def test_too_few_fiducials_and_no_other_way_give_no_frame():
    found = fiducials.fix([fiducial(0), fiducial(1, "xz")], start(directions=False), 3.0)
    assert isinstance(found, NotFound) and "three with all coordinates" in found.reason
    inline = [fiducial(0), fiducial(0, error=(100.0, 0, 0)), fiducial(0, error=(250.0, 0, 0))]
    assert isinstance(fiducials.fix(inline, start(directions=False), 3.0), NotFound)


TARGETS = [
    AdjustedTarget(0, "12", np.array([1.0, 2.0, 3.0]), np.eye(3) * 0.01, ["control survey"], False),
    AdjustedTarget(1, "13", np.array([4.0, 2.0, 3.0]), np.eye(3) * 0.01, ["control survey"], True),
    AdjustedTarget(2, "14", np.zeros(3), np.eye(3), ["control survey"], False),
    AdjustedTarget(3, "14", np.ones(3), np.eye(3), ["left"], False),
]


def test_targets_and_points_of_the_job_sheet_are_read_in_the_control_frame():
    T_control_left = rigid.pose(Rotation.from_euler("z", 90, degrees=True).as_matrix(), [10.0, 0.0, 0.0])
    entries = [
        {"target": 12, "x_mm": 5},
        {"point_mm": [100, 0, 0], "z_mm": 1, "sd_mm": 0.2},
        {"point_mm": [100, 0, 0], "segment": "left", "y_mm": 2},
    ]
    covariance = np.diag([1e-6, 1e-6, 1e-6, 0.04, 0.04, 0.04])
    target, point, other = fiducials.read(entries, TARGETS, {"left": (T_control_left, covariance)}, 1.001, 0.7)
    assert target.at_mm == pytest.approx([1, 2, 3]) and target.nominal_mm == {"x": 5.0} and target.sd_mm == 0.7
    assert point.at_mm == pytest.approx([100.1, 0, 0]) and point.sd_mm == 0.2
    assert other.at_mm == pytest.approx([10.0, 100.1, 0.0])
    # 1 mrad at 100 mm from the origin adds 0.1 mm across to the 0.2 mm of the pose
    assert np.sqrt(np.diag(other.covariance_mm2)) == pytest.approx(
        [np.hypot(0.2, 0.1), np.hypot(0.2, 0.01), 0.2237], abs=2e-3
    )


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"target": "99", "x_mm": 0}, "names target '99' as a fiducial, but the 3 targets with an id lack it"),
        ({"target": "14", "x_mm": 0}, "2 targets have this id"),
        ({"target": "13", "x_mm": 0}, "two lists contradict each other about its place"),
        ({"point_mm": [0, 0, 0], "segment": "roof", "x_mm": 0}, "in segment 'roof', which was not placed"),
    ],
)
def test_a_fiducial_that_there_is_not_refuses_the_part(entry, words):
    with pytest.raises(Rejected, match=words):
        fiducials.read([entry], TARGETS, {}, 1.0, 1.0)

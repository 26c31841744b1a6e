"""Distances and angles in closed form, and what noise and poses make of them."""

from types import SimpleNamespace

import numpy as np
import pytest

import part_results
from nightbay.core.errors import NotFound
from nightbay.features import fitted, relations, values
from nightbay.features.kinds import SIZE
from nightbay.features.relations import Context
from nightbay.frame.result import Bounds
from nightbay.uncertainty import registration

SCAN = SimpleNamespace(noise_mm=0.1, target_drift_mm_per_m=0.0)


def feature(point, direction=(0, 0, 0), radius=0.0, poses=None, noise=None):
    parameters = np.array([*point, *direction, radius], float)
    made = fitted.known(parameters)
    covariance = np.zeros((SIZE, SIZE)) if noise is None else noise
    return fitted.Fitted(parameters, covariance, covariance, made.edge, made.target, poses or {}, 100, 0.0)


def context(covariances=None, **frame):
    covariances = covariances or {}
    bounds = Bounds(np.zeros(3), np.full(3, 4000.0))
    found = part_results.frame(np.zeros(3), np.full(3, 4000.0), **frame)
    found.segments.clear()
    found.segments.update(dict.fromkeys(covariances, bounds))
    poses = {name: part_results.pose(covariance=covariance) for name, covariance in covariances.items()}
    return Context(registration.of(found, poses), found, SCAN)


def value_of(a, kind_a, b, kind_b, along=None, where=None):
    relation = relations.distance(a, kind_a, b, kind_b, along)
    if isinstance(relation, NotFound):
        return relation
    return relations.evaluate(relation, [a, b], where or context())


POINT = feature([100.0, 20.0, 30.0])
FACE = feature([0.0, 0.0, 10.0], [0, 0, 1])
AXIS = feature([0.0, 0.0, 0.0], [1, 0, 0], 5.0)
SKEW = feature([50.0, 0.0, 40.0], [0, 1, 0], 5.0)


@pytest.mark.parametrize(
    ("a", "kind_a", "b", "kind_b", "along", "expected"),
    [
        (POINT, "hole", feature([130.0, 60.0, 30.0]), "sphere", None, 50.0),
        (POINT, "hole", feature([130.0, 60.0, 30.0]), "sphere", "y", 40.0),
        (POINT, "hole", FACE, "plane", None, 20.0),
        (FACE, "plane", POINT, "hole", None, 20.0),
        (FACE, "plane", feature([5.0, 6.0, 17.0], [0, 0, -1]), "plane", None, 7.0),
        (POINT, "hub", AXIS, "cylinder", None, np.hypot(20.0, 30.0)),
        (AXIS, "cylinder", feature([7.0, 3.0, 4.0], [-1, 0, 0]), "line", None, 5.0),
        (AXIS, "cylinder", SKEW, "line", None, 40.0),
        (feature([0.0, 0, 0], [1, 0, 0]), "line", FACE, "plane", None, 10.0),
        (POINT, "hole", feature([60.0, 0, 0], [1, 0, 0]), "station", "x", 40.0),
    ],
)
def test_distances_in_closed_form(a, kind_a, b, kind_b, along, expected):
    value, _ = value_of(a, kind_a, b, kind_b, along)
    assert abs(value) == pytest.approx(expected)
    ends = relations.distance(a, kind_a, b, kind_b, along).ends_mm
    if along is None:
        assert np.linalg.norm(ends[0] - ends[1]) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("a", "kind_a", "b", "kind_b", "along", "reason"),
    [
        (FACE, "plane", feature([0, 0, 0], [0, 1, 0]), "plane", None, "they lean 90 degrees"),
        (feature([0, 0, 0], [0, 0, 1]), "cylinder", FACE, "plane", None, "they lean 90 degrees"),
        (POINT, "hole", FACE, "plane", "z", "kind 'plane' has no point whose Z"),
        (POINT, "hole", feature([60.0, 0, 0], [1, 0, 0]), "station", "y", "kind 'station' has no point whose Y"),
    ],
)
def test_distances_that_are_not_defined_are_refused(a, kind_a, b, kind_b, along, reason):
    found = value_of(a, kind_a, b, kind_b, along)
    assert isinstance(found, NotFound) and reason in found.reason


@pytest.mark.parametrize(
    ("a", "kind_a", "b", "kind_b", "expected"),
    [
        (FACE, "plane", feature([0, 0, 0], [0, 0.6, -0.8]), "plane", np.degrees(np.arccos(0.8))),
        (AXIS, "cylinder", SKEW, "line", 90.0),
        (AXIS, "cylinder", FACE, "plane", 0.0),
        (feature([0, 0, 0], [0.6, 0, 0.8]), "hub", FACE, "plane", np.degrees(np.arcsin(0.8))),
    ],
)
def test_angles_in_closed_form(a, kind_a, b, kind_b, expected):
    relation, mixed = relations.angle(a, kind_a, b, kind_b)
    assert values.angle("w", relation, mixed, [a, b], context(), {}).value == pytest.approx(expected, abs=1e-9)


def test_a_feature_without_direction_has_no_angle():
    found = relations.angle(POINT, "sphere", FACE, "plane")
    assert isinstance(found, NotFound) and found.reason == "kind 'sphere' has no direction"


def rigid_derivatives(point, direction):
    """How a feature follows a small motion about the origin, (7, 6)."""
    from nightbay.core import rigid

    J = np.zeros((SIZE, 6))
    J[:3, :3], J[:3, 3:] = -rigid.cross_matrix(np.array([point], float))[0], np.eye(3)
    J[3:6, :3] = -rigid.cross_matrix(np.array([direction], float))[0]
    return J


def seen(point, *names):
    J = rigid_derivatives(point, (0, 0, 0))
    return feature(point, poses={name: J / len(names) for name in names})


def test_two_ends_of_one_segment_move_together():
    """A shift of 1 mm of the only segment leaves a distance as it is, of one of two moves it by 1 mm."""
    shift = np.diag([0, 0, 0, 1.0, 1.0, 1.0])
    p, q = [0.0, 0, 0], [1000.0, 0, 0]
    where = context({"left": shift, "right": shift})
    _, together = value_of(seen(p, "left"), "hole", seen(q, "left"), "hole", where=where)
    _, apart = value_of(seen(p, "left"), "hole", seen(q, "right"), "hole", where=where)
    _, half = value_of(seen(p, "left"), "hole", seen(q, "left", "right"), "hole", where=where)
    assert together["registration"] == pytest.approx(0.0, abs=1e-6)
    assert apart["registration"] == pytest.approx(np.sqrt(2))
    assert half["registration"] == pytest.approx(np.sqrt(0.5))  # half of each at that end: 1/2 and 1/2


def test_a_pose_without_covariance_leaves_the_registration_unknown_and_nothing_proved():
    where = context({"left": np.zeros((6, 6))})
    ends = [seen([0.0, 0, 0], "left"), seen([10.0, 0, 0], "other")]
    relation = relations.distance(ends[0], "hole", ends[1], "hole", None)
    scale = SimpleNamespace(applied=[], sd=None, temperature=None)
    written = {"nominal_mm": 10.0, "lower_mm": -5.0, "upper_mm": 5.0}
    stated = values.length("d", relation, ends, where, scale, written)
    assert stated.unknown == ["registration"] and stated.verdict == "undecided"


@pytest.mark.parametrize("lean_deg", [0.0, 0.05, 5.0, 85.0])
def test_the_uncertainty_of_an_angle_against_many_repetitions(lean_deg):
    """Also near zero, where an angle can't be negative: its error is then the length of both components."""
    rng = np.random.default_rng(5)
    tilt = 1e-3
    normal = np.array([np.sin(np.radians(lean_deg)), 0.0, np.cos(np.radians(lean_deg))])
    noise = np.zeros((SIZE, SIZE))
    noise[3:6, 3:6] = tilt**2 * (np.eye(3) - np.outer(normal, normal))
    errors, stated = [], []
    for _ in range(400):
        drawn = normal + rng.normal(0, tilt, 3)
        a, b = feature([0, 0, 0], [0, 0, 1]), feature([0, 0, 0], drawn / np.linalg.norm(drawn), noise=noise)
        relation, mixed = relations.angle(a, "plane", b, "plane")
        value = values.angle("w", relation, mixed, [a, b], context(), {})
        errors.append(value.value - lean_deg)
        stated.append(value.uncertainty)
    covered = np.mean(np.abs(errors) <= np.array(stated))
    # 400 repetitions: a coverage of 0.954 scatters by 0.0105
    assert covered > 0.954 - 3.5 * 0.0105
    near_zero = np.radians(lean_deg) < 3 * tilt
    assert np.median(stated) == pytest.approx(2 * np.degrees(tilt) * (np.sqrt(2) if near_zero else 1), rel=1e-3)


def test_the_frame_counts_where_it_matters_and_only_there():
    where = context({"left": np.zeros((6, 6))}, turn=0.01, found_by=("front axle", "symmetry plane", "ground plane"))
    a, b = seen([0.0, 0.0, 0.0], "left"), seen([3000.0, 1000.0, 0.0], "left")
    scale = SimpleNamespace(applied=[], sd=None, temperature=None)
    along = values.length("d", relations.distance(a, "hole", b, "hole", "x"), [a, b], where, scale, {})
    straight = values.length("d", relations.distance(a, "hole", b, "hole", None), [a, b], where, scale, {})
    # only the rotation about Z moves the difference along X: by the distance along Y
    assert along.budget["frame"] == pytest.approx(1000.0 * np.radians(0.01))
    assert "frame" not in straight.budget
    height = values.length("z", relations.coordinate(a, 2), [a], where, scale, {})
    # zero plane 0.1 mm, lever 2000 mm along X and Y from the vehicle's middle
    assert height.budget["frame"] == pytest.approx(np.hypot(0.1, np.sqrt(2) * 2000.0 * np.radians(0.01)))


def test_a_frame_that_is_kept_as_scanned_leaves_a_coordinate_unknown():
    where = context({"left": np.zeros((6, 6))})
    where.frame.rotation_sd_deg.update(dict.fromkeys("xyz", None))
    scale = SimpleNamespace(applied=[], sd=None, temperature=None)
    a = seen([0.0, 0.0, 0.0], "left")
    assert values.length("z", relations.coordinate(a, 2), [a], where, scale, {}).unknown == ["frame"]


def test_lengths_at_20_degrees_carry_the_deviation():
    temperature = SimpleNamespace(factor=0.999, sd=1e-5)
    scale = SimpleNamespace(applied=[], sd=None, temperature=temperature)
    a, b = feature([0, 0, 0]), feature([1000.0, 0, 0])
    relation = relations.distance(a, "hole", b, "hole", None)
    stated = values.length("d", relation, [a, b], context(), scale, {"nominal_mm": 1000.0, "upper_mm": 0.5})
    assert stated.at_20_c.value_mm == pytest.approx(999.0) and stated.deviation == pytest.approx(-1.0)
    assert stated.at_20_c.uncertainty_mm == pytest.approx(0.02) and stated.verdict == "inside"

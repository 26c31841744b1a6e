"""Join of a shed's inside to its outside by each way, and what is not believed."""

from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy.spatial.transform import Rotation

import sheds
from nightbay.core import rigid, target_noise
from nightbay.join import acceptance, registration
from nightbay.join.registration import Evidence, NamedPairs, Registered
from nightbay.matching.target_list import TargetList
from nightbay.pipeline.settings import settings

CONFIG = Path(__file__).parents[3] / "config" / "config.yaml"
OWN = settings({"join": yaml.safe_load(CONFIG.read_text(encoding="utf-8"))["join"]})
NOTHING = Evidence(None, None, None)
SHAPE = Evidence(None, None, (0, 180))


def lists(T_exterior_interior, seed, count=12, noise=0.05):
    """Targets on the jamb as both parts list them."""
    rng = np.random.default_rng([seed, 61])
    (y0, z0, y1, z1), x = sheds.DOOR, sheds.LONG - 15
    at = np.column_stack([np.full(count, x), rng.uniform(y0, y1, count), rng.uniform(z0, z1, count)])
    at[::3, 0] -= 40
    made = []
    for T in (np.eye(4), rigid.invert(T_exterior_interior)):
        seen = rigid.transform(T, at + rng.normal(0, noise, at.shape))
        made.append(TargetList("list", "list.csv", seen, target_noise.covariance(seen, noise, 0.03)))
    return tuple(made)


def named(T_exterior_interior, seed, rows=(0, 1, 2, 3, 4, 5)):
    rng = np.random.default_rng([seed, 62])
    inner = rng.uniform([-900, -500, 50], [900, 500, 1000], (6, 3))
    outer = rigid.transform(T_exterior_interior, inner)[list(rows)]
    picked = [points + rng.normal(0, 0.5, points.shape) for points in (outer, inner)]
    return NamedPairs([f"corner {number}" for number in range(6)], *picked)


def judged(a, b, found):
    against = acceptance.contradictions_of(a, b, found, OWN.join.cell_mm)
    return acceptance.fault(a, b, found, against, (True, False), OWN)


def sds_off(b, T_true, found):
    """Error of the room's corners in units of their standard uncertainty, the worst."""
    corners = rigid.transform(T_true, b.corners_mm)
    off = np.linalg.norm(rigid.transform(found.T_a_b, b.corners_mm) - corners, axis=1)
    return float((off / found.motion.sd_at(corners)).max())


@pytest.mark.parametrize("heading", (0.0, 180.0))
def test_the_shapes_alone_show_the_pose_and_the_heading(heading):
    a, b, T = sheds.skins(1, heading=heading)
    found = registration.register(a, b, SHAPE, "surfaces", OWN)
    assert isinstance(found, Registered) and found.found_by == "surfaces"
    assert sds_off(b, T, found) < 3.5  # 99.9 % of a normal error; the shed has no distortion, so it is far less
    assert rigid.angle_deg(found.T_a_b @ rigid.invert(T)) < 0.05
    assert judged(a, b, found) is None


def test_shared_targets_show_the_pose_and_surface_tests_it():
    a, b, T = sheds.skins(2)
    found = registration.register(a, b, Evidence(lists(T, 2), None, None), None, OWN)
    assert isinstance(found, Registered) and found.found_by == "targets"
    assert found.points.used == 12 and found.surface is not None and not found.surface.withheld
    assert sds_off(b, T, found) < 3.5
    assert judged(a, b, found) is None


def test_named_points_show_the_pose_and_surface_sharpens_it():
    a, b, T = sheds.skins(3)
    found = registration.register(a, b, Evidence(None, named(T, 3), None), None, OWN)
    assert isinstance(found, Registered) and found.found_by == "points and surfaces"
    assert [each.by for each in found.tried] == ["targets"]
    assert sds_off(b, T, found) < 3.5
    assert judged(a, b, found) is None


def test_swapped_points_are_refused():
    a, b, T = sheds.skins(4)
    tried = registration.register(a, b, Evidence(None, named(T, 4, (1, 0, 3, 2, 5, 4)), None), "points", OWN)
    assert "the common points contradict each other" in tried[0].reason


def test_targets_of_another_vehicle_are_no_match():
    a, b, T = sheds.skins(5)
    of_a, _ = lists(T, 5)
    _, of_b = lists(T, 6)
    tried = registration.register(a, b, Evidence((of_a, of_b), None, None), "targets", OWN)
    assert "have no certain match" in tried[0].reason


@pytest.mark.parametrize("wider", (15.0, 40.0))
def test_the_inside_of_another_shed_is_refused(wider):
    a, b, _ = sheds.skins(6, wider_inside=wider)
    found = registration.register(a, b, SHAPE, "surfaces", OWN)
    assert not isinstance(found, Registered) or judged(a, b, found) is not None


def test_without_floor_and_symmetry_shapes_are_not_searched():
    a, b, _ = sheds.skins(7)
    tried = registration.register(a, b, NOTHING, None, OWN)
    assert [each.by for each in tried] == ["targets", "surfaces"]
    assert "one of the parts has none" in tried[1].reason


@pytest.mark.parametrize(
    ("moved", "reason"),
    [
        (rigid.pose(None, (0, 80, 0)), "steps|pass through|lies where"),
        (rigid.pose(None, (900, 0, 0)), "lies where|outside|steps|apart"),
        (rigid.pose(Rotation.from_euler("x", 180, degrees=True).as_matrix(), (0, 0, 1800)), "lean by 180|steps|apart"),
    ],
)
def test_a_pose_that_something_contradicts_is_not_believed(moved, reason):
    a, b, T = sheds.skins(8)
    found = registration.register(a, b, Evidence(lists(T, 8), None, None), "targets", OWN)
    wrong = registration.Registered(
        "targets", moved @ found.T_a_b, found.motion, found.points, None, [], []
    )  # as if the targets had been stuck elsewhere
    fault = judged(a, b, wrong)
    assert fault is not None
    assert any(word in fault.reason for word in reason.split("|")), fault.reason

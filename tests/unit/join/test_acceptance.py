"""What contradicts a join though most of the surface agrees."""

from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy.spatial import ConvexHull

import sheds
from nightbay.join import acceptance, free_space
from nightbay.join.free_space import FreeSpace
from nightbay.join.pose_fit import Motion
from nightbay.join.registration import Registered
from nightbay.join.result import Contradictions
from nightbay.join.skin import Skin
from nightbay.pipeline.settings import settings

CONFIG = Path(__file__).parents[3] / "config" / "config.yaml"
OWN = settings({"join": yaml.safe_load(CONFIG.read_text(encoding="utf-8"))["join"]})
CELL_MM = 40.0
NEAREST = Motion(np.zeros(3), np.zeros(6), np.eye(6) * 1e-8, np.zeros(0), np.zeros((0, 0)))


def plate(size_mm, z_mm, corner_mm=0.0):
    """Points of a square that faces up, one a cell."""
    along = corner_mm + np.arange(CELL_MM / 2, size_mm, CELL_MM)
    return np.array([(x, y, z_mm) for x in along for y in along])


def skin(*plates):
    points = np.concatenate(plates)
    return FreeSpace(Skin(points, np.tile([0.0, 0.0, 1.0], (len(points), 1)), CELL_MM, 0.1, 0.0, 1500.0))


def test_a_thing_that_one_part_alone_has_is_counted_against_what_both_saw():
    seen, elsewhere = plate(2000.0, 0.0), plate(4000.0, 0.0, 10_000.0)
    a, b = skin(seen), skin(seen, plate(400.0, 150.0, 800.0), elsewhere)
    contradicting = free_space.counts(a, b, np.eye(4))
    assert contradicting == (100, 0)
    share = free_space.share_of_common(sum(contradicting), len(seen))
    assert share == pytest.approx((100 - 20 - 3) / (len(seen) + 100))
    # the room beyond makes it a small share of the interior
    assert max(free_space.contradictions(a, b, np.eye(4))) < OWN.join.contradiction_most < share


@pytest.mark.parametrize(("contradicting", "common"), [(9, 2000), (0, 2000), (40, 149)])
def test_outliers_are_no_contradiction(contradicting, common):
    assert free_space.share_of_common(contradicting, common) == 0.0


def test_such_a_join_is_refused_and_says_why():
    a, b, T = sheds.skins(1)
    found = Registered("targets", T, NEAREST, None, None, [], [])
    assert acceptance.fault(a, b, found, Contradictions(0, 0, 0.02, 0, 0, 0), (True, False), OWN) is None
    fault = acceptance.fault(a, b, found, Contradictions(0, 0, 0.034, 0, 0, 0), (True, False), OWN)
    assert fault.reason == "3.4% as much surface as both parts share lies where the other part's scanner saw nothing"


def test_points_beyond_a_hull_are_found_whichever_of_its_faces_they_pass():
    rng = np.random.default_rng(3)
    directions = rng.normal(size=(900, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    hull = ConvexHull(1000 * directions)
    assert len(hull.equations) > 3 * acceptance.HULL_FACES
    beyond = acceptance._beyond(hull, np.concatenate([1060 * directions, 1030 * directions]), 40.0)
    assert np.array_equal(beyond, np.repeat([True, False], 900))
    assert not acceptance._beyond(hull, np.zeros((1, 3)), 40.0).any()

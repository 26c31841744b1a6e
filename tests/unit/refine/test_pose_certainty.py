"""Poses by surfaces that are not known well enough are refused."""

from dataclasses import replace

import numpy as np
import pytest

import part_results
from nightbay.core.errors import Unplaced
from nightbay.pipeline.settings import settings
from nightbay.refine import pose_certainty

OWN = settings({"refine": {"rotation_sd_most_deg": 0.03, "end_sd_most_mm": 0.65}}).refine


def by_surfaces(rotation_sd_deg):
    covariance = np.diag([np.radians(rotation_sd_deg) ** 2] * 3 + [0.01] * 3)
    return replace(part_results.pose(covariance=covariance), pose_from="surfaces")


def test_a_rotation_that_is_not_known_refuses_the_segment():
    poses = {"aft": by_surfaces(0.02), "fore": by_surfaces(0.05)}
    with pytest.raises(Unplaced) as error:
        pose_certainty.check_rotation(poses, {"aft": 2000.0, "fore": 2000.0}, OWN)
    assert error.value.reasons == {
        "fore": "segment fore has no targets, and its surfaces fix its rotation to ±0.1° only (95 %), at most ±0.06° "
        "is allowed (refine.rotation_sd_most_deg); scan more overlap or put targets into it"
    }


def test_a_small_segment_may_turn_by_more():
    most_deg = np.degrees(OWN.end_sd_most_mm / 100.0)
    pose_certainty.check_rotation({"a": by_surfaces(0.9 * most_deg)}, {"a": 100.0}, OWN)
    with pytest.raises(Unplaced):
        pose_certainty.check_rotation({"a": by_surfaces(1.1 * most_deg)}, {"a": 100.0}, OWN)


def test_targets_and_point_pairs_state_what_they_know():
    poses = {
        "a": replace(by_surfaces(1.0), pose_from="point pairs"),
        "b": replace(by_surfaces(1.0), pose_from="targets"),
    }
    pose_certainty.check_rotation(poses, {"a": 2000.0, "b": 2000.0}, OWN)

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from nightbay.stance import panel_choice, panels
from nightbay.stance.ground_motion import SegmentErrors
from nightbay.stance.panels import Scan

ERRORS = SegmentErrors(np.array([1000.0, 0.0, 500.0]), 0.03, np.zeros((6, 6)))
DOOR = (600.0, 1500.0)  # along X, hinged at its front


def scanned(seed, open_mm=0.0, bent=False, length=2400.0):
    """A side of a car as a segment scans it, with a door that stands open at its rear edge."""
    rng = np.random.default_rng(seed)
    at = rng.uniform([0.0, 300.0], [length, 900.0], (36_000, 2))
    points = np.column_stack([at[:, 0], 800.0 - (at[:, 1] - 600.0) ** 2 / 4000.0, at[:, 1]])
    normals = np.column_stack([np.zeros(len(at)), np.ones(len(at)), (at[:, 1] - 600.0) / 2000.0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    points += rng.normal(0, 0.1, (len(at), 1)) * normals
    door = (at[:, 0] > DOOR[0]) & (at[:, 0] < DOOR[1])
    if bent:
        points[door, 1] += open_mm * np.sin(at[door, 0] / 150.0) ** 2
    else:
        turn = Rotation.from_rotvec([0.0, 0.0, open_mm / (DOOR[1] - DOOR[0])]).as_matrix()
        hinge = [DOOR[0], 780.0, 0.0]
        points[door], normals[door] = (points[door] - hinge) @ turn.T + hinge, normals[door] @ turn.T
    cell = np.floor(points / panels.SEED_MM).astype(np.int64)
    seeds = np.sort(np.unique(cell, axis=0, return_index=True)[1])
    return Scan(points, normals, cKDTree(points), seeds)


def test_a_door_that_stood_open_is_measured():
    scans = [scanned(1), scanned(2, open_mm=3.0)]
    (door,) = panels.find(scans, [ERRORS] * 2)
    assert door.most_mm == pytest.approx(3.0, abs=0.15)
    assert np.degrees(door.turn_rad) == pytest.approx(np.degrees(3.0 / 900.0), abs=0.01)
    assert door.low_mm[0] > DOOR[0]
    assert door.high_mm[0] == pytest.approx(DOOR[1], abs=25.0)
    assert abs(door.normal[1]) > 0.95
    assert door.holds(np.array([[1300.0, 800.0, 600.0], [300.0, 800.0, 600.0]])).tolist() == [True, False]


def test_a_closed_door_is_none():
    assert panels.find([scanned(1), scanned(2)], [ERRORS] * 2) == []


def test_surface_that_changed_its_form_is_no_panel():
    assert panels.find([scanned(1), scanned(2, open_mm=4.0, bent=True)], [ERRORS] * 2) == []


def test_what_the_errors_of_the_segments_explain_is_none():
    loose = SegmentErrors(ERRORS.centroid_mm, 3.0, np.zeros((6, 6)))
    assert panels.find([scanned(1), scanned(2, open_mm=3.0)], [loose] * 2) == []


def test_two_segments_against_one_decide_and_one_against_one_does_not():
    scans = [scanned(1), scanned(2, open_mm=3.0), scanned(3)]
    found = panel_choice.choose(panels.find(scans, [ERRORS] * 3), scans, None)
    assert {(panel.left_out, panel.decided) for panel in found} == {(1, True)}
    assert {panel.used for panel in found} == {0, 2}
    pair = [scanned(1, length=1700.0), scanned(2, open_mm=3.0)]
    (alone,) = panel_choice.choose(panels.find(pair, [ERRORS] * 2), pair, None)
    assert (alone.used, alone.decided) == (1, False)  # which saw more around it
    assert alone.turned
    (named,) = panel_choice.choose(panels.find(pair, [ERRORS] * 2), pair, 0)
    assert (named.used, named.left_out, named.named) == (0, 1, True)

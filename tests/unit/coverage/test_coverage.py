"""The coverage of a plain body: what is missing is found and named, what is open by nature is not held against it."""

from dataclasses import replace

import numpy as np
import pytest

from nightbay.core.axes import DESIGN_GRID, ISO_8855
from nightbay.coverage import coverage
from nightbay.coverage.coverage import Surface

LOW, HIGH = np.array([-800.0, -800.0, 250.0]), np.array([3200.0, 800.0, 1450.0])
AXLES, RADIUS = (0.0, 2500.0), 310.0


@pytest.fixture(scope="module")
def body():
    """The five outer faces of a box, X rearward, Y right, Z up, with points at random."""
    rng = np.random.default_rng(1)
    points, normals = [], []
    for axis, sign in ((0, -1), (0, 1), (1, -1), (1, 1), (2, 1)):
        others = [other for other in range(3) if other != axis]
        count = round(np.prod((HIGH - LOW)[others]) / 12.0**2)
        place = rng.uniform(LOW, HIGH, (count, 3))
        place[:, axis] = (HIGH if sign > 0 else LOW)[axis] + rng.normal(0, 0.1, count)
        points.append(place)
        normals.append(np.tile(sign * np.eye(3)[axis], (count, 1)))
    return Surface(np.concatenate(points), np.concatenate(normals), np.empty((0, 3)), DESIGN_GRID, True, AXLES, RADIUS)


def without(surface, low, high, keep=0.0):
    """The surface without the points in a box, of which a share stays."""
    inside = np.all((surface.points_mm > low) & (surface.points_mm < high), axis=1)
    left = ~inside | (np.random.default_rng(2).random(len(inside)) < keep)
    return replace(surface, points_mm=surface.points_mm[left], normals=surface.normals[left])


def test_a_whole_body_has_no_area(body):
    assert coverage.find(body).areas == []


@pytest.mark.parametrize(
    ("low", "high", "words", "m2"),
    [
        ((1000, -900, 600), (1250, -700, 850), ("left side", "below the windows", "behind the front axle"), 0.0625),
        ((1000, 700, 1000), (1500, 900, 1200), ("right side", "at window height"), 0.1),
        ((500, 200, 1400), (800, 500, 1500), ("roof", "towards the right"), 0.09),
        ((3100, -700, 500), (3300, -400, 800), ("rear", "towards the left"), 0.09),
        ((-900, -300, 900), (-700, 100, 1200), ("front", "at window height"), 0.12),
        ((2350, -900, 400), (2650, -700, 650), ("rear left wheel arch",), 0.075),
    ],
)
def test_a_place_that_only_the_other_side_shows_was_never_seen(body, low, high, words, m2):
    found = coverage.find(without(body, low, high))
    (area,) = found.never_seen
    for word in words:
        assert word in area.place
    assert "the other side has surface" in area.evidence
    # the edge of a hole is found to half a cell
    sides = np.minimum(high, HIGH) - np.maximum(low, LOW)
    sides = sides[sides < 1000][np.argsort(sides[sides < 1000])[-2:]]
    assert area.area_mm2 / 1e6 == pytest.approx(m2, abs=sides.sum() * found.cell_mm / 1e6)
    assert np.linalg.norm(area.centre_mm - np.clip((np.array(low) + high) / 2, LOW, HIGH)) < 60
    assert list(area.outlines_mm) == [area.view]


def test_a_place_round_a_corner_is_one_area(body):
    (area,) = coverage.find(without(body, (1000, -900, 1300), (1300, -650, 1500))).never_seen
    assert set(area.outlines_mm) == {"left", "top"}
    assert area.area_mm2 / 1e6 == pytest.approx(0.3 * (0.15 + 0.15), abs=0.03)


def test_less_than_a_palm_is_not_listed(body):
    assert coverage.find(without(body, (1000, -900, 600), (1100, -700, 750))).areas == []


def windows(surface, keep):
    """The same opening in both sides, at window height."""
    for y in (-800, 800):
        surface = without(surface, (800, y - 100, 900), (1500, y + 100, 1300), keep)
    return surface


def test_glazing_that_returns_a_few_points_is_open(body):
    found = coverage.find(windows(body, 0.03))
    assert found.never_seen == []
    assert {area.view for area in found.areas} == {"left", "right"}
    assert all("scattered points come back" in area.evidence for area in found.areas)


def test_glazing_on_one_side_only_is_open_too(body):
    (area,) = coverage.find(without(body, (800, 700, 900), (1500, 900, 1300), 0.03)).areas
    assert (area.verdict, area.view) == ("open", "right")
    assert "check that this is glazing" in area.evidence


def test_glazing_that_returns_nothing_is_no_verdict(body):
    found = coverage.find(windows(body, 0.0))
    assert {area.verdict for area in found.areas} == {"open"}
    assert "looks the same on both sides" in found.areas[0].evidence


def test_what_both_sides_miss_below_the_windows_was_never_seen(body):
    both = without(without(body, (1000, -900, 450), (1400, -700, 680)), (1000, 700, 450), (1400, 900, 680))
    found = coverage.find(both).never_seen
    assert {area.view for area in found} == {"left", "right"}
    assert all("below the windows" in area.evidence for area in found)


def test_wheel_arches_are_open_by_nature(body):
    surface = body
    for y in (-800, 800):
        for x in AXLES:
            surface = without(surface, (x - 350, y - 100, 300), (x + 350, y + 100, 650))
    assert coverage.find(surface).areas == []


def test_what_shows_through_an_opening_makes_it_open(body):
    opened = without(body, (3100, -600, 500), (3300, 600, 1300))
    rng = np.random.default_rng(3)
    inside = rng.uniform((500, -600, 400), (500, 600, 1400), (8000, 3))
    opened = replace(
        opened,
        points_mm=np.concatenate([opened.points_mm, inside]),
        normals=np.concatenate([opened.normals, np.tile([1.0, 0, 0], (8000, 1))]),
    )
    (area,) = coverage.find(opened).areas
    assert area.verdict == "open"
    assert "surface shows deep inside" in area.evidence


def test_a_side_without_any_surface_was_never_seen(body):
    bare = replace(without(body, (-900, -900, 0), (3300, -790, 2000)), mirrored=False)
    found = coverage.find(bare).never_seen
    assert found[0].view == "left"
    assert "no surface borders on it" in found[0].evidence


def test_places_come_back_in_the_frame_of_the_points(body):
    turn = np.array([-1.0, -1.0, 1.0])
    turned = replace(
        body,
        points_mm=body.points_mm * turn,
        normals=body.normals * turn,
        axes=ISO_8855,
        axles_x_mm=[-x for x in AXLES],
    )
    missing = without(turned, (-1250, 700, 600), (-1000, 900, 850))
    (area,) = coverage.find(missing).never_seen
    assert area.view == "left"
    assert area.centre_mm == pytest.approx([-1125, 800, 725], abs=40)
    assert np.all(area.low_mm <= area.high_mm)


def test_points_too_far_apart_show_nothing(body):
    sparse = replace(body, points_mm=body.points_mm[::20], normals=body.normals[::20])
    found = coverage.find(sparse)
    assert found.areas == []
    assert "mm are needed" in found.reason


@pytest.mark.parametrize("under", [True, False])
def test_tyres_below_the_bumper_may_be_seen_on_one_side_only(body, under, monkeypatch):
    """A patch as large as a tyre's rear below the body, on the left only."""
    rng = np.random.default_rng(4)
    if not under:  # without the rule it would be sent back
        monkeypatch.setattr(coverage._Search, "_under_vehicle", lambda *place: False)
    tyre = rng.uniform([3190, -700, 0], [3190.1, -420, 280], (600, 3))
    normals = np.tile([1.0, 0, 0], (len(tyre), 1))
    seen = replace(body, points_mm=np.vstack([body.points_mm, tyre]), normals=np.vstack([body.normals, normals]))
    raised = np.array([0, 0, 30.0])  # the lower edge of the body, to the top of the patch
    whole = replace(seen, points_mm=np.vstack([body.points_mm + raised, tyre]))
    assert bool(coverage.find(whole).never_seen) == (not under)


def test_the_inside_of_one_half_seen_through_an_opening_in_the_middle_is_no_surface(body):
    """An open rear at window height, through which a bulkhead shows on the left only."""
    rng = np.random.default_rng(6)
    deep = rng.uniform([2600, -600, 850], [2600.1, -50, 1400], (3000, 3))
    opened = without(body, (3100, -600, 850), (3300, 600, 1400))
    points = np.vstack([opened.points_mm, deep])
    normals = np.vstack([opened.normals, np.tile([1.0, 0, 0], (len(deep), 1))])
    found = coverage.find(replace(opened, points_mm=points, normals=normals))
    assert found.never_seen == [] and [area.view for area in found.areas] == ["rear"]

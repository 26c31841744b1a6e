import numpy as np
import pytest

from nightbay.measure import tangent_angles

RADIUS = 345.0


def clear_of(ahead, up, height):
    """The angle by its definition: the least at which no point of the tyre's outline lies below the line."""
    turn = np.linspace(0.0, 2.0 * np.pi, 400_001)
    outline = np.column_stack([RADIUS * np.sin(turn), np.maximum(height - RADIUS * np.cos(turn), 0.0)])
    before = outline[outline[:, 0] < ahead - 1.0]
    return np.arctan2(up - before[:, 1], ahead - before[:, 0]).max()


@pytest.mark.parametrize("height", [345.0, 337.0, 320.0])
@pytest.mark.parametrize(("ahead", "up"), [(700, 260), (900, 120), (1500, 80), (450, 50), (950, 300)])
def test_the_line_touches_the_tyre_and_clears_it(ahead, up, height):
    found = tangent_angles.angle(np.array([ahead]), np.array([up]), height, RADIUS)[0]
    # a step of the outline is 5 um long: a chord of it lies 1e-8 mm inside, a flat's end is missed by 5 um of 100 mm
    assert found == pytest.approx(clear_of(ahead, up, height), abs=1e-4)


def test_a_wheel_that_just_touches_the_ground_has_the_textbook_angle():
    """A circle of radius R on the ground: the tangent from a point on the ground at a distance d has the angle
    2 atan(R / d) less the ground's own, 0, so a point below the other tangent sees exactly that."""
    found = tangent_angles.angle(np.array([800.0]), np.array([2.0 * RADIUS]), RADIUS, RADIUS)[0]
    # by symmetry about the axle's level: the level line on top mirrors the ground, and both tangents differ by that
    assert found == pytest.approx(2.0 * np.arctan(RADIUS / 800.0))


def test_a_point_on_the_ground_ahead_has_no_angle():
    assert tangent_angles.angle(np.array([900.0]), np.array([0.0]), RADIUS, RADIUS)[0] == pytest.approx(0.0, abs=1e-12)
    assert tangent_angles.angle(np.array([900.0]), np.array([0.0]), 330.0, RADIUS)[0] == pytest.approx(0.0, abs=1e-12)


def test_what_lies_on_the_tyre_or_behind_the_axle_never_limits():
    found = tangent_angles.angle(np.array([100.0, -900.0]), np.array([300.0, 100.0]), 337.0, RADIUS)
    assert (found == tangent_angles.NEVER).all()


@pytest.mark.parametrize("up", [40.0, 250.0])  # through the flat's end, and along the circle
def test_the_line_passes_through_the_point_where_it_touches(up):
    line = float(tangent_angles.angle(np.array([900.0]), np.array([up]), 330.0, RADIUS)[0])
    ahead, height = tangent_angles.touching_point(line, 330.0, RADIUS)
    assert (up - height) / (900.0 - ahead) == pytest.approx(np.tan(line))
    assert np.hypot(ahead, height - 330.0) == pytest.approx(RADIUS)

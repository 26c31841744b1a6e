import numpy as np
import pytest

from nightbay.measure import tangent_planes, unscanned_extents

ALONG = np.array([1.0, 0.0, 0.0])
R_Y, R_Z = 5000.0, 800.0  # radii of a bumper's bow, mm: across and upright


def bumper(opening_mm, noise_mm=0.1, behind_mm=None):
    """Vertices 4 mm apart of a crown whose end is X = 0, without those within half ``opening_mm`` of its middle."""
    y, z = (grid.ravel() for grid in np.meshgrid(np.arange(-400.0, 401.0, 4.0), np.arange(-100.0, 101.0, 4.0)))
    x = -(y**2) / (2 * R_Y) - z**2 / (2 * R_Z) + np.random.default_rng(6).normal(0, noise_mm, len(y))
    out = np.abs(y) < opening_mm / 2
    if behind_mm is None:
        return np.column_stack([x, y, z])[~out].astype(np.float32)
    x[out] -= behind_mm
    return np.column_stack([x, y, z]).astype(np.float32)


def look(points, direction=ALONG):
    areas, noise = np.full(len(points), 16.0), np.full(len(points), 0.1)
    support = tangent_planes.support_of(areas, 200.0)
    found = tangent_planes.touch(points, areas, direction, support, noise)
    return found, unscanned_extents.find(points, areas, direction, found, support)


def test_a_crown_that_is_cut_off_is_told_with_how_much_is_missing():
    found, extent = look(bumper(opening_mm=400.0))
    rise = 200.0**2 / (2 * R_Y)
    assert found.reach_mm == pytest.approx(-rise, abs=1.0)
    beyond, place = extent.beyond_mm, extent.point_mm
    # the rim is found to within the support's half-width, the bow to the scatter of the cells' outermost vertices
    assert beyond == pytest.approx(-found.reach_mm, abs=1.0)
    assert abs(place[1]) < 200.0 and abs(place[2]) < 100.0


@pytest.mark.parametrize("direction", [ALONG, -ALONG])
def test_either_end_is_looked_at(direction):
    points = bumper(opening_mm=400.0) * np.array([direction[0], 1, 1], np.float32)
    assert look(points, direction)[1] is not None


def test_a_whole_crown_is_measured():
    assert look(bumper(opening_mm=0.0))[1] is None


def test_a_crown_with_an_opening_beside_its_end_is_measured():
    points = bumper(opening_mm=0.0)
    beside = (np.abs(points[:, 1] - 220.0) < 60.0) & (np.abs(points[:, 2]) < 60.0)
    assert look(points[~beside])[1] is None


def test_a_recess_whose_ground_was_scanned_hides_nothing():
    assert look(bumper(opening_mm=400.0, behind_mm=100.0))[1] is None


def test_the_edge_of_a_panel_is_an_end():
    y, z = (grid.ravel() for grid in np.meshgrid(np.arange(-400.0, 401.0, 4.0), np.arange(-100.0, 101.0, 4.0)))
    sheet = np.column_stack([0.02 * y, y, z]).astype(np.float32)
    assert look(sheet)[1] is None
    # seen along itself, too
    assert look(sheet, np.array([0.0, 1.0, 0.0]))[1] is None


def test_the_tip_of_a_rod_is_an_end():
    turn, height = (grid.ravel() for grid in np.meshgrid(np.linspace(0, 6.0, 8), np.arange(0.0, 300.0, 2.0)))
    rod = np.column_stack([height, 3 * np.cos(turn), 3 * np.sin(turn)]).astype(np.float32)
    assert look(rod)[1] is None


def leaning_bumper(opening_mm, spacing_mm=13.5):
    """A bow that leans outward to its rounded upper edge at X = 0, on a coarse grid, as if from 300 000 points.

    Without the vertices within half ``opening_mm`` of its middle, but for a rim below the edge and above the foot.
    """
    y, z = np.meshgrid(np.arange(-600.0, 601.0, spacing_mm), np.arange(-330.0, 41.0, spacing_mm))
    y, z = y.ravel(), z.ravel()
    bow, edge = -(y**2) / (2 * 25_000.0), np.where(z > 0.0, -(z**2) / 30.0, 0.1 * z)
    x = bow + edge + np.random.default_rng(7).normal(0, 0.3, len(y))
    lost = (np.abs(y) < opening_mm / 2) & (np.abs(z + 65.0) < 85.0)
    return np.column_stack([x, y, z])[~lost].astype(np.float32)


def look_coarsely(points, spacing_mm=13.5):
    areas, noise = np.full(len(points), spacing_mm**2), np.full(len(points), 0.3)
    support = tangent_planes.support_of(areas, 200.0)
    found = tangent_planes.touch(points, areas, ALONG, support, noise)
    return found, unscanned_extents.find(points, areas, ALONG, found, support)


def test_a_hole_that_is_lower_than_the_patch_of_a_coarse_grid_is_told():
    found, extent = look_coarsely(leaning_bumper(opening_mm=700.0))
    assert found.reach_mm < -2.0
    assert extent.beyond_mm == pytest.approx(-found.reach_mm, abs=1.0)


def test_a_coarse_end_without_a_hole_is_measured():
    assert look_coarsely(leaning_bumper(opening_mm=0.0))[1] is None

import numpy as np
import pytest
import trimesh

from nightbay.measure import tangent_planes
from nightbay.meshes import vertices
from nightbay.meshes.surface import Surface

UP = np.array([0.0, 0.0, 1.0])


def of_mesh(mesh, longest_mm=2.0):
    points, faces = trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, longest_mm, max_iter=30)
    return Surface(points.astype(np.float32), faces.astype(np.int32))


def touch(surface, direction=UP, support_mm2=80.0):
    noise = np.full(len(surface.vertices_mm), 0.1)
    return tangent_planes.touch(surface.vertices_mm, vertices.areas(surface), direction, support_mm2, noise)


@pytest.fixture(scope="module")
def block():
    return of_mesh(trimesh.creation.box(extents=[60, 40, 20]))


def test_a_flat_face_is_touched_where_it_is(block):
    found = touch(block)
    assert found.reach_mm == pytest.approx(10.0, abs=1e-5)
    assert found.half_width_mm == pytest.approx(0.0, abs=1e-5)
    assert found.point_mm[2] == pytest.approx(10.0, abs=1e-5)


def test_a_stray_vertex_does_not_move_the_plane(block):
    moved = block.vertices_mm.copy()
    moved[int(np.argmax(moved @ UP))] += [0.0, 0.0, 35.0]
    spiked = Surface(moved, block.faces)
    assert spiked.vertices_mm[:, 2].max() > 40
    assert touch(spiked).reach_mm == pytest.approx(10.0, abs=1e-5)


def test_few_stray_vertices_do_not_move_the_plane_but_many_do(block):
    middle = np.argsort(np.linalg.norm(block.vertices_mm - [0, 0, 10], axis=1))
    for count, reach in ((10, 10.0), (150, 12.0)):
        moved = block.vertices_mm.copy()
        moved[middle[:count], 2] += 2.0
        assert touch(Surface(moved, block.faces)).reach_mm == pytest.approx(reach, abs=1e-4)


def test_a_loose_crumb_does_not_move_the_plane(block):
    crumb = np.array([[0, 0, 90], [3, 0, 90], [0, 3, 90]], np.float32)
    joined = Surface(
        np.concatenate([block.vertices_mm, crumb]),
        np.concatenate([block.faces, [[0, 1, 2] + np.full(3, len(block.vertices_mm))]]).astype(np.int32),
    )
    assert touch(joined).reach_mm == pytest.approx(10.0, abs=1e-5)


@pytest.mark.parametrize("radius", [30.0, 100.0, 1000.0])
def test_the_end_of_a_ball_is_found_and_the_thicker_layer_tells_how_well(radius):
    """A cap of area A on a ball is A / (2 pi R) high (Archimedes): so far above the support's level its end lies."""
    side = np.arange(-28, 29)
    x, y = (grid.ravel().astype(float) for grid in np.meshgrid(side, side))
    x, y = np.array([x, y]) + np.random.default_rng(2).uniform(-0.4, 0.4, (2, len(x)))
    corner = (np.arange(56)[:, None] * 57 + np.arange(56)).ravel()
    faces = np.concatenate([corner[:, None] + [0, 1, 58], corner[:, None] + [0, 58, 57]]).astype(np.int32)
    z = np.sqrt(np.maximum(radius**2 - x**2 - y**2, 0.0))
    found = touch(Surface(np.column_stack([x, y, z]).astype(np.float32), faces))
    cap = 80.0 / (2 * np.pi * radius)
    assert found.reach_mm == pytest.approx(radius, abs=0.2 * cap + 0.002)
    # a ball differs from a second-order surface by the fourth order: (depth of the layer)^2 / (2 R)
    assert abs(found.reach_mm - radius) <= found.half_width_mm + found.resolution_mm + 0.002
    assert found.half_width_mm < (2 * 0.8 + cap) ** 2 / (2 * radius) + 0.002


@pytest.mark.parametrize("radius", [100.0, 3000.0])
def test_noise_averages_out(radius):
    """Noise of 0.3 mm on vertices 2 mm apart: a single one would reach 0.9 mm too far, a square of 14 mm 0.3 mm."""
    rng = np.random.default_rng(4)
    side = np.arange(-60, 61, 2)
    x, y = (grid.ravel().astype(float) for grid in np.meshgrid(side, side))
    corner = (np.arange(60)[:, None] * 61 + np.arange(60)).ravel()
    faces = np.concatenate([corner[:, None] + [0, 1, 62], corner[:, None] + [0, 62, 61]]).astype(np.int32)
    z = np.sqrt(radius**2 - np.minimum(x**2 + y**2, radius**2)) + rng.normal(0, 0.3, len(x))
    model = Surface(np.column_stack([x, y, z]).astype(np.float32), faces)
    noise = np.full(len(x), 0.3)
    found = tangent_planes.touch(model.vertices_mm, np.full(len(x), 4.0), UP, 200.0, noise)
    # about 100 vertices bear six coefficients, the best of some fifty patches was taken: 0.3 / sqrt(100 / 6) x 2
    assert found.reach_mm == pytest.approx(radius, abs=0.15)
    assert abs(found.reach_mm - radius) < 3 * found.sd_mm


def test_a_lump_smaller_than_the_support_hardly_moves_the_plane(block):
    lump = block.vertices_mm.copy()
    lump[np.linalg.norm(lump - [5, 5, 10], axis=1) < 2.5, 2] += 4.0
    assert touch(Surface(lump, block.faces)).reach_mm == pytest.approx(10.0, abs=1e-4)


def test_the_end_of_thinly_covered_trim_is_found_across_its_holes():
    """Flakes of 6 mm2 on 4 % of a bumper, bowed by 5 m radius across and 400 mm upright, with 0.3 mm of noise."""
    rng = np.random.default_rng(17)
    errors, stated = [], []
    for _ in range(20):
        y, z = rng.uniform((-350, -60), (350, 60), (round(700 * 120 * 0.04 / 6), 2)).T
        middle = np.column_stack([-(y**2) / 10_000 - z**2 / 800 + rng.normal(0, 0.3, len(y)), y, z])
        corners = np.array([(0, -1, -1), (0, 2, -1), (0, -1, 3)])
        points = (middle[:, None] + corners).reshape(-1, 3).astype(np.float32)
        flakes = Surface(points, np.arange(len(points), dtype=np.int32).reshape(-1, 3))
        found = touch(flakes, np.array([1.0, 0.0, 0.0]), support_mm2=200.0)
        errors.append(found.reach_mm)
        stated.append(2 * found.sd_mm)
    # six coefficients from some 36 flakes; their largest value errs more than one of the middle, at most twice
    assert np.sqrt(np.mean(np.square(errors))) < 2 * 0.3 * np.sqrt(6 / 36)
    assert np.mean(np.abs(errors) <= stated) >= 0.9


@pytest.mark.parametrize("spacing", [4.0, 12.0])
def test_an_edge_that_the_vertices_miss_is_a_matter_of_their_spacing(spacing):
    """A face that leans by 1 in 8 and ends at an edge; its last row of vertices lies up to one spacing below."""
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(40):
        first = rng.uniform(0.0, spacing)
        z, y = (grid.ravel() for grid in np.meshgrid(-np.arange(first, 400, spacing), np.arange(-200, 200, spacing)))
        x = z / 8.0 + rng.normal(0, 0.02, len(z))
        points = np.column_stack([x, y, z]).astype(np.float32)
        areas = np.full(len(x), spacing**2)
        found = tangent_planes.touch(points, areas, np.array([1.0, 0, 0]), 16 * spacing**2, np.full(len(x), 0.05))
        # neighbours lie on one side of an edge, or in the quarter of a patch's corner: sqrt(2) to 2 times as far
        assert spacing / 16 < found.resolution_mm < 2.2 * spacing / 16
        ratios.append(found.reach_mm / found.sd_mm)
    # short by 0 to spacing / 8, which is at most sqrt(2) of the stated limits: sqrt(6) of their standard deviations
    assert np.mean(ratios) < 0.0 and np.abs(ratios).max() < np.sqrt(6.0) + 0.5


def test_where_a_patch_hangs_over_an_edge_nothing_is_made_up():
    sliver = of_mesh(trimesh.creation.box(bounds=[[0, 0, 0], [6, 200, 40]]))
    assert touch(sliver).reach_mm == pytest.approx(40.0, abs=1e-4)


def test_the_end_of_a_thin_rod_counts():
    rod = of_mesh(trimesh.creation.cylinder(radius=3.0, height=200.0, sections=24), 1.0)
    # its side carries the support where the end face does not
    assert touch(rod).reach_mm == pytest.approx(100.0, abs=0.5)


def test_too_little_surface_is_none():
    crumb = Surface(np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], np.float32), np.array([[0, 1, 2]], np.int32))
    assert touch(crumb) is None
    assert tangent_planes.touch(crumb.vertices_mm, np.zeros(3), UP, 20.0, np.full(3, 0.1)) is None


def test_a_coarse_surface_has_a_larger_support():
    assert tangent_planes.support_of(np.full(100, 1.0), 20.0) == 20.0
    assert tangent_planes.support_of(np.full(100, 25.0), 20.0) == 400.0
    assert tangent_planes.support_of(np.zeros(3), 20.0) == 20.0


def test_supported_takes_the_level_that_the_area_reaches():
    height = np.array([5.0, 4.0, 3.0, 9.0, 1.0])
    area = np.array([2.0, 2.0, 2.0, 1.0, 1.0])
    cells, level = tangent_planes.supported(height, area, np.array([0, 0, 0, 7, 7]), 3.0)
    assert cells.tolist() == [0, 7]
    assert level.tolist() == [4.0, -np.inf]

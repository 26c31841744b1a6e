"""Levels of detail: what is kept, how far they are off, that nothing hangs on chance."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import partial_surfaces
from nightbay.meshes import nearest, sampling, surface, topology
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.reduce import decimate, quadric, reduce
from nightbay.reduce.result import Level, ReduceResult, Target

RADIUS = 500.0


@pytest.fixture(scope="module")
def shell():
    """A noisy sphere of 500 mm with an opening at +X and filled faces around +Z: (surface, 20 000 faces)."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=RADIUS)
    noise = np.random.default_rng(4).normal(0, 0.05 / RADIUS, (len(mesh.vertices), 1))
    direction = mesh.triangles_center / np.linalg.norm(mesh.triangles_center, axis=1, keepdims=True)
    whole = surface.Surface(
        (mesh.vertices * (1 + noise)).astype(np.float32),
        mesh.faces.astype(np.int32),
        {"confidence": np.linspace(0, 1, len(mesh.vertices), dtype=np.float32)},
        {"filled": (direction[:, 2] > 0.97).astype(np.uint8)},
    )
    return partial_surfaces.keep_faces(whole, direction[:, 0] < 0.95)


@pytest.fixture(scope="module")
def levels(shell, tmp_path_factory):
    """Result and folder of the stage."""
    source, folder = tmp_path_factory.mktemp("fill"), tmp_path_factory.mktemp("reduce")
    surface.write_ply(source / "surface.ply", shell)
    own = settings({"reduce": {"levels": {"light": {"faces": 2500}, "fine": {"deviation_mm": 0.8}}}})
    result = reduce.reduce({"fill": SimpleNamespace(folder=source)}, {}, own, folder, 1)
    return typed.read(ReduceResult, result).levels, folder


def begun(mesh):
    """A reduction of a mesh that has not been swept yet."""
    return decimate.begin(mesh, 0.0)


def test_levels_keep_their_targets(levels, shell):
    numbers, _ = levels
    assert numbers["full"] == Level(faces=len(shell.faces), vertices=len(shell.vertices_mm))
    assert numbers["fine"].faces < len(shell.faces) / 2
    assert numbers["fine"].deviation.full_to_level.p95_mm <= 0.8
    assert numbers["light"].faces <= 2500


@pytest.mark.parametrize("name", ["fine", "light"])
def test_levels_are_sound(levels, shell, name):
    numbers, folder = levels
    level = surface.read_ply(folder / f"{name}.ply")
    assert topology.defects(level.faces, len(level.vertices_mm)) == {
        "edges_of_many_faces": 0,
        "edges_of_one_direction": 0,
    }
    across = surface.face_normals(level)
    outwards = np.einsum("ij,ij->i", across, level.vertices_mm[level.faces].mean(axis=1))
    assert (outwards > 0.5 * RADIUS * np.linalg.norm(across, axis=1)).all(), "a face is flipped or thin"
    assert len(topology.loops(level.faces, len(level.vertices_mm))) == 1
    assert numbers[name].degenerate_faces == 0
    assert set(np.round(level.vertex["confidence"], 6)) <= set(np.round(shell.vertex["confidence"], 6))


@pytest.mark.parametrize("name", ["fine", "light"])
def test_filled_area_and_boundary_stay(levels, shell, name):
    numbers, folder = levels
    areas = np.linalg.norm(surface.face_normals(shell), axis=1) / 2
    made_up = areas[shell.face["filled"] == 1].sum()
    # a seam moved by its deviation d over its length l changes the area by at most d l; a hundredth more for the chords
    # of its circle, some 40 edges, of which n lack 6.6 / n**2 of the area
    seam = 2 * np.pi * RADIUS * np.sqrt(1 - 0.97**2)
    reach = numbers[name].deviation.boundary_to_level.max_mm
    assert abs(numbers[name].filled_area_mm2 - made_up) < 0.01 * made_up + reach * seam
    # the opening's rim is a zigzag of 28 mm edges; it may be straightened by what the level is off elsewhere
    assert reach <= 3 * numbers[name].deviation.full_to_level.max_mm


def test_same_bytes_again(shell):
    first, second = begun(shell), begun(shell)
    for state in (first, second):
        state.sweep(0.01)
        state.sweep(0.04)
    assert first.surface.vertices_mm.tobytes() == second.surface.vertices_mm.tobytes()
    assert first.surface.faces.tobytes() == second.surface.faces.tobytes()


def test_a_sweep_goes_on_when_its_lists_are_full(monkeypatch, shell):
    """With little room the sweep starts anew several times; what it leaves is about as coarse everywhere."""
    left = []
    for room in (1.1, 4.0):
        monkeypatch.setattr(decimate, "ROOM", room)
        state = begun(shell)
        state.sweep(0.04)
        left.append(state.face_count)
    assert left[1] < len(shell.faces) / 2
    assert left[0] == pytest.approx(left[1], rel=0.15)


def test_runs_are_swept_apart_and_make_one_mesh(monkeypatch, shell, tmp_path):
    """Nine runs from a file, by one thread and by two: the same bytes, no faults, and after one more sweep, which goes
    over their borders, about as many faces as one run gives."""
    surface.write_ply(tmp_path / "shell.ply", shell)
    once = decimate.begin(shell, 0.04)
    monkeypatch.setattr(decimate, "RUN", 2300)
    one, two = (decimate.begin(surface.open_ply(tmp_path / "shell.ply"), 0.04, threads=n) for n in (1, 2))
    assert len(decimate._runs(len(shell.faces))) == 9
    assert one.surface.faces.tobytes() == two.surface.faces.tobytes()
    assert one.surface.vertices_mm.tobytes() == two.surface.vertices_mm.tobytes()
    area = surface.area_mm2(shell)
    for state in (once, one):
        # what the planes weigh adds up to the area, three times over, and to the squares of the lines' edges
        weight, free = state.mesh.quadric[:, quadric.WEIGHT], state.mesh.kind == quadric.FREE
        assert weight[free].sum() < 3 * area < weight.sum()
        state.sweep(0.04)
    left = one.surface
    assert len(left.faces) == pytest.approx(once.face_count, rel=0.1)
    assert sum(topology.defects(left.faces, len(left.vertices_mm)).values()) == 0
    assert len(topology.loops(left.faces, len(left.vertices_mm))) == 1


def test_far_coordinates_cost_nothing(shell):
    """The same mesh 10 m away, by whole millimetres, reduces to the same number of faces."""
    moved = surface.Surface(np.round(shell.vertices_mm) + np.float32(8192.0), shell.faces, {}, shell.face)
    here = surface.Surface(np.round(shell.vertices_mm), shell.faces, {}, shell.face)
    states = [begun(one) for one in (here, moved)]
    for state in states:
        state.sweep(0.04)
    assert states[0].face_count < len(shell.faces)
    assert states[0].face_count == states[1].face_count


def test_plane_collapses_to_few_faces_with_its_corners():
    x, y = np.meshgrid(np.arange(21.0), np.arange(11.0))
    vertices = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]).astype(np.float32)
    a = (np.arange(10)[:, None] * 21 + np.arange(20)).ravel()
    faces = np.vstack([np.column_stack([a, a + 1, a + 22]), np.column_stack([a, a + 22, a + 21])]).astype(np.int32)
    state = begun(surface.Surface(vertices, faces))
    for limit_mm in (0.01, 0.02, 0.03, 0.04, 0.05):
        state.sweep(limit_mm**2)
    out = state.surface
    assert len(out.faces) < 40
    assert surface.area_mm2(out) == pytest.approx(200.0, abs=0.05 * 60)  # the limit, along the rim of 60 mm
    for corner in ((0, 0, 0), (20, 0, 0), (0, 10, 0), (20, 10, 0)):
        assert np.linalg.norm(out.vertices_mm - corner, axis=1).min() < 0.2


def test_faces_without_area_don_t_stop_it():
    """Two quads whose corners lie in one place, as rounding leaves them now and then in tens of millions."""
    ball = trimesh.creation.icosphere(3, radius=50.0)
    place, faces = ball.vertices.astype(np.float32), ball.faces.astype(np.int32)
    speck = np.full((6, 3), (0.0, 0.0, 60.0), np.float32)
    strip = np.array([[0, 1, 2], [2, 1, 3], [2, 3, 4], [4, 3, 5]], np.int32) + len(place)
    mesh = surface.Surface(np.concatenate([place, speck]), np.concatenate([faces, strip]))
    state = begun(mesh)
    assert state.sweep(0.1) > len(faces) / 3


def lines_of(vertices, faces, label):
    """A mesh whose quadrics hold nothing but its lines."""
    mesh = quadric.plane_mesh(np.array(vertices, np.float32), np.array(faces, np.int32), np.array(label, np.uint8))
    mesh.quadric[:] = 0
    quadric.add_lines(mesh)
    return mesh


def test_seam_and_boundary_vertices_are_told_from_free_ones():
    faces = [(0, 1, 4), (1, 2, 4), (2, 3, 4), (3, 0, 4)]
    vertices = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0.5, 0.5, 0)]
    plain, seam, corner = (
        lines_of(vertices, faces, label).kind for label in ([0, 0, 0, 0], [0, 0, 1, 1], [0, 1, 0, 0])
    )
    assert plain.tolist() == [quadric.LINE] * 4 + [quadric.FREE]
    assert seam[4] == quadric.LINE and corner[4] == quadric.LINE
    assert seam[0] == seam[2] == quadric.FIXED, "a seam ends at the boundary"


def test_cost_is_the_mean_squared_distance_to_the_planes_of_both_ends():
    """A ridge of two planes at right angles, far from the origin: the vertex slides along its edge for nothing but the
    edge's own length, and costs what its position is off where it may not choose."""
    vertices = np.array([(0, 0, 0), (0, 2, 0), (1, 1, 0), (0, 1, -1)], np.float32) + np.float32(1000)
    mesh = lines_of(vertices, [(0, 2, 1), (0, 1, 3)], [0, 0])
    position, length = np.empty(3), (quadric.STRETCH * 2) ** 2
    mesh.kind[:] = quadric.FREE
    mesh.quadric[:2] = 0
    for row in (0, 1):  # the two faces alone, without their boundary: areas of 1 mm2 each
        mesh.quadric[row, [quadric.XX, quadric.ZZ, quadric.WEIGHT]] = 1, 1, 2
    assert quadric.cost(mesh, False, 0, 1, position) == pytest.approx(length, rel=1e-6)
    assert position[[0, 2]] == pytest.approx([1000, 1000])
    up = np.array([1000.0, 1001.0, 1000.5])
    for row in (0, 1):
        quadric.move_origin(mesh, row, up)
    assert mesh.quadric[:2, quadric.CONSTANT] == pytest.approx(0.25), (
        "area x square of the height above the level plane"
    )


def test_sampling_is_even_by_area():
    vertices = np.array([(0, 0, 0), (10, 0, 0), (0, 10, 0), (1, 0, 5), (2, 0, 5), (1, 1, 5)], np.float32)
    points = sampling.sample(surface.Surface(vertices, np.array([(0, 1, 2), (3, 4, 5)], np.int32)), 10_100)
    assert np.count_nonzero(points[:, 2] == 5) == 100
    assert np.allclose(points[points[:, 2] == 0][:, :2].mean(axis=0), 10 / 3, atol=0.05)


def test_nearest_finds_faces_beyond_its_first_reach_and_in_coarser_cells(monkeypatch, shell):
    points = np.random.default_rng(1).normal(size=(200, 3)) * 400
    whole = nearest.nearest(points, shell, 5.0)
    monkeypatch.setattr(nearest, "MOST_CELLS", 50)
    coarse = nearest.nearest(points, shell, 300.0)
    assert np.array_equal(whole.distance_mm, coarse.distance_mm)
    assert np.isfinite(whole.distance_mm).all()


def test_no_points_and_no_faces_have_no_distance(shell):
    assert len(nearest.nearest(np.empty((0, 3)), shell, 1.0).distance_mm) == 0
    empty = surface.Surface(np.empty((0, 3), np.float32), np.empty((0, 3), np.int32))
    assert np.isinf(nearest.nearest(np.zeros((1, 3)), empty, 1.0).distance_mm).all()


def test_level_by_deviation_comes_close_to_what_is_allowed(shell):
    probe = sampling.sample(shell, 20_000)
    for allowed_mm in (0.3, 0.8):
        state = reduce.reach(begun(shell), probe, Target(deviation_mm=allowed_mm))
        off_mm = np.quantile(nearest.nearest(probe, state.surface, 1.0).distance_mm, 0.95)
        assert 0.9 * allowed_mm < off_mm <= allowed_mm

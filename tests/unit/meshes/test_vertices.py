import numpy as np
import pytest
import trimesh

from nightbay.meshes import surface, vertices
from nightbay.meshes.surface import Surface


def of_mesh(mesh):
    return Surface(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.int32))


def test_areas_add_up_to_the_surface():
    block = of_mesh(trimesh.creation.box(extents=[60, 40, 20]).subdivide())
    assert vertices.areas(block).sum() == pytest.approx(2 * (60 * 40 + 60 * 20 + 40 * 20), rel=1e-6)


def test_only_measured_faces_count():
    block = of_mesh(trimesh.creation.box(extents=[60, 40, 20]))
    block.face["filled"] = (np.arange(12) > 0).astype(np.uint8)
    areas = vertices.areas(block)
    assert set(np.flatnonzero(areas)) == set(block.faces[0].tolist())


def test_a_vertex_is_used_where_a_face_has_it(monkeypatch):
    monkeypatch.setattr(surface, "ROWS", 5)  # several blocks
    block = of_mesh(trimesh.creation.box(extents=[60, 40, 20]))
    more = Surface(np.vstack([block.vertices_mm, [[1, 2, 3]]]).astype(np.float32), block.faces)
    assert vertices.used(more).tolist() == [True] * 8 + [False]


def test_normals_of_a_ball_point_outwards():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=50.0)
    normals = vertices.normals(of_mesh(ball), np.arange(len(ball.vertices)))
    # faces of 4 mm edges on 50 mm: well within a degree
    assert (normals * ball.vertices / 50.0).sum(axis=1).min() > np.cos(np.radians(1.0))


def test_a_vertex_without_faces_has_no_normal_and_no_area():
    lone = Surface(np.float32([[0, 0, 0], [1, 0, 0], [0, 1, 0], [9, 9, 9]]), np.int32([[0, 1, 2]]))
    assert vertices.areas(lone)[3] == 0.0
    assert vertices.normals(lone, np.arange(4)).tolist() == [[0, 0, 1], [0, 0, 1], [0, 0, 1], [0, 0, 0]]


def test_normals_of_some_are_those_of_all_in_the_order_asked_for():
    ball = of_mesh(trimesh.creation.icosphere(subdivisions=3, radius=50.0))
    rows = np.array([40, 7, 300])
    assert np.array_equal(vertices.normals(ball, rows), vertices.normals(ball, np.arange(len(ball.vertices_mm)))[rows])


def test_bounds_are_those_of_what_was_measured():
    points = np.float32([[0, 0, 0], [1, 5, 2], [3, -4, 1], [9, 9, 9]])
    assert vertices.bounds(points, np.array([1.0, 1.0, 1.0, 0.0])).tolist() == [[0, -4, 0], [3, 5, 2]]
    assert vertices.bounds(points, np.zeros(4)) is None

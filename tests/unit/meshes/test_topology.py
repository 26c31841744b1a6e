"""Boundaries of small meshes whose loops are known by construction."""

import numpy as np
import pytest

from nightbay.meshes import surface, topology


def grid(rows, columns, without=()):
    """A plane grid of squares, two triangles each, anticlockwise seen from +Z, but for the squares in ``without``."""
    faces = []
    for row in range(rows):
        for column in range(columns):
            if (row, column) not in without:
                a = row * (columns + 1) + column
                b, c, d = a + 1, a + columns + 2, a + columns + 1
                faces += [(a, b, c), (a, c, d)]
    y, x = np.divmod(np.arange((rows + 1) * (columns + 1)), columns + 1)
    return np.column_stack([x, y, np.zeros(len(x))]).astype(np.float32), np.array(faces, np.int32)


def signed_area(points):
    x, y = points[:, 0], points[:, 1]
    return 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))


def areas(vertices, loops):
    return sorted(round(float(signed_area(vertices[loops[at]].astype(float))), 6) for at in range(len(loops)))


def test_outer_boundary_is_anticlockwise_and_that_of_a_hole_clockwise():
    vertices, faces = grid(5, 6, {(2, 2), (2, 3)})
    loops = topology.loops(faces, len(vertices))
    assert areas(vertices, loops) == [-2.0, 30.0]


def test_holes_that_touch_in_a_vertex_are_two_loops():
    vertices, faces = grid(6, 6, {(2, 2), (3, 3)})
    loops = topology.loops(faces, len(vertices))
    assert areas(vertices, loops) == [-1.0, -1.0, 36.0]
    assert all(len(set(loops[at].tolist())) == len(loops[at]) for at in range(len(loops)))


def test_sheets_that_touch_in_a_vertex_keep_their_own_loops():
    vertices, faces = grid(4, 4, {(r, c) for r in range(4) for c in range(4)} - {(0, 0), (1, 1)})
    loops = topology.loops(faces, len(vertices))
    assert areas(vertices, loops) == [1.0, 1.0]


def test_closed_surface_has_no_loop():
    faces = np.array([(0, 2, 1), (0, 1, 3), (1, 2, 3), (0, 3, 2)], np.int32)
    assert len(topology.loops(faces, 4)) == 0
    assert topology.defects(faces, 4) == {"edges_of_many_faces": 0, "edges_of_one_direction": 0}


@pytest.mark.parametrize(
    ("faces", "many", "one_direction"),
    [([(0, 1, 2), (1, 0, 3), (0, 1, 4)], 1, 0), ([(0, 1, 2), (0, 1, 3)], 0, 1)],
    ids=["third face at an edge", "flipped neighbour"],
)
def test_defects_are_counted(faces, many, one_direction):
    found = topology.defects(np.array(faces, np.int32), 5)
    assert found == {"edges_of_many_faces": many, "edges_of_one_direction": one_direction}


def test_order_of_faces_does_not_matter():
    vertices, faces = grid(6, 6, {(2, 2), (3, 3), (1, 4)})
    shuffled = np.random.default_rng(5).permutation(faces)
    first, second = topology.loops(faces, len(vertices)), topology.loops(shuffled, len(vertices))
    assert np.array_equal(first.vertices, second.vertices) and np.array_equal(first.start, second.start)


def test_vertices_on_boundaries_are_those_of_edges_with_one_face():
    _, faces = grid(6, 6, {(2, 2), (3, 3), (4, 1)})
    on_edges = np.unique(topology.boundary_half_edges(faces, 49))
    assert topology.boundary_vertices(faces, 49).tolist() == on_edges.tolist()
    assert len(topology.boundary_vertices(np.array([(0, 2, 1), (0, 1, 3), (1, 2, 3), (0, 3, 2)], np.int32), 4)) == 0


def test_faces_read_in_blocks_give_the_same_boundaries(monkeypatch):
    vertices, faces = grid(6, 6, {(2, 2), (3, 3), (1, 4)})
    whole, edges = topology.loops(faces, len(vertices)), topology.boundary_half_edges(faces, len(vertices))
    monkeypatch.setattr(surface, "ROWS", 7)
    blocks = topology.loops(faces, len(vertices))
    assert np.array_equal(blocks.vertices, whole.vertices) and np.array_equal(blocks.start, whole.start)
    assert np.array_equal(topology.boundary_half_edges(faces, len(vertices)), edges)


def test_a_piece_with_all_faces_at_boundary_vertices_has_the_mesh_s_loops():
    _, faces = grid(12, 12, {(4, 5)})
    boundary = topology.boundary_vertices(faces, 169)
    piece = topology.touching(faces, boundary, 169)
    assert len(piece) < len(faces)
    whole, part = topology.loops(faces, 169), topology.loops(piece, 169, boundary)
    assert len(whole) == 2
    assert np.array_equal(part.vertices, whole.vertices) and np.array_equal(part.start, whole.start)


def test_compacted_faces_name_rows_and_incidence_lists_the_faces_of_each_vertex():
    faces = np.array([(9, 2, 5), (5, 2, 7)], np.int32)
    named = faces.copy()
    rows = topology.compact(named)
    assert rows.tolist() == [2, 5, 7, 9] and np.array_equal(rows[named], faces)
    start, of = topology.incidence(named, 4)
    assert [of[start[v] : start[v + 1]].tolist() for v in range(4)] == [[0, 1], [0, 1], [1], [0]]

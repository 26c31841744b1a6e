"""Where a surface ends: grids of vertices whose counts are set by hand."""

import numpy as np
import pytest
import trimesh

import partial_surfaces
from nightbay.fuse import boundary_trimming
from nightbay.meshes import topology
from nightbay.meshes.surface import Surface, read_ply


def grid(counts):
    """Squares of 1 mm between vertices with the given counts, (m, n)."""
    counts = np.array(counts, np.float32)
    row = np.arange(counts.size, dtype=np.int32).reshape(counts.shape)
    a, b, c, d = (part.ravel() for part in (row[:-1, :-1], row[1:, :-1], row[1:, 1:], row[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    places = np.column_stack([*np.indices(counts.shape).reshape(2, -1), np.zeros(counts.size)]).astype(np.float32)
    return Surface(places, faces, {"count": counts.ravel()})


def trimmed(whole, folder):
    """What is left, as it comes from its file, and the area that went."""
    left, gone_mm2 = boundary_trimming.trim(whole)
    left.write(folder / "left.ply")
    return read_ply(folder / "left.ply"), gone_mm2


def test_the_boundary_is_trimmed_to_where_two_points_agree(tmp_path):
    counts = np.full((12, 18), 5.0)
    counts[:, -2:] = 1.2
    kept, gone_mm2 = trimmed(grid(counts), tmp_path)
    assert kept.vertices_mm[:, 1].max() == 15
    assert gone_mm2 == pytest.approx(11 * 2)
    assert len(kept.faces) == 2 * 11 * 15


def test_the_boundary_of_a_small_hole_stays(tmp_path):
    """A hole of six triangles with a ring round it that single points support."""
    counts = np.full((12, 18), 5.0)
    counts[5:8, 7:10] = 1.2
    whole = grid(counts)
    middle = np.flatnonzero(np.all(whole.vertices_mm[:, :2] == (6, 8), axis=1))[0]
    open_there = partial_surfaces.keep_faces(whole, ~np.any(whole.faces == middle, axis=1))
    kept, gone_mm2 = trimmed(open_there, tmp_path)
    assert gone_mm2 == 0
    assert np.array_equal(kept.faces, open_there.faces)


def test_inside_one_point_is_enough_and_none_is_not(tmp_path):
    counts = np.full((9, 9), 5.0)
    counts[2, 2], counts[6, 6] = 1.0, 0.0
    kept, gone_mm2 = trimmed(grid(counts), tmp_path)
    assert gone_mm2 == pytest.approx(6 / 2)  # six triangles round the vertex
    assert {(2.0, 2.0)} <= set(map(tuple, kept.vertices_mm[:, :2].tolist()))
    assert (6.0, 6.0) not in set(map(tuple, kept.vertices_mm[:, :2].tolist()))


def test_an_area_that_single_points_support_is_removed_where_it_meets_the_boundary(tmp_path):
    counts = np.full((12, 18), 5.0)
    counts[6, :5] = 1.0
    kept, _ = trimmed(grid(counts), tmp_path)
    assert not np.any((kept.vertices_mm[:, 0] == 6) & (kept.vertices_mm[:, 1] < 5))


def test_fans_that_are_left_at_a_vertex_get_their_own(tmp_path):
    """Two of six neighbours go that lie across from each other."""
    counts = np.full((5, 5), 5.0)
    counts[1, 2], counts[3, 2] = 0.0, 0.0
    kept, _ = trimmed(grid(counts), tmp_path)
    middle = np.all(kept.vertices_mm[:, :2] == 2, axis=1)
    assert middle.sum() == 2
    assert len(set(map(tuple, kept.vertices_mm.tolist()))) == len(kept.vertices_mm) - 1
    assert trimesh.Trimesh(kept.vertices_mm, kept.faces, process=False).is_winding_consistent
    assert topology.defects(kept.faces, len(kept.vertices_mm)) == {
        "edges_of_many_faces": 0,
        "edges_of_one_direction": 0,
    }
    assert set(kept.vertex["count"]) == {5.0}


def test_a_closed_surface_has_no_boundary(tmp_path):
    ball = trimesh.creation.icosphere(3)
    whole = Surface(ball.vertices.astype(np.float32), ball.faces.astype(np.int32), {"count": np.ones(642, np.float32)})
    kept, gone_mm2 = trimmed(whole, tmp_path)
    assert gone_mm2 == 0
    assert np.array_equal(kept.faces, whole.faces)

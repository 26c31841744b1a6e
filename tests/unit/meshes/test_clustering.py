"""Clusters of vertices: a coarse copy that keeps measured places, areas, sides and marks."""

import numpy as np
import pytest
import trimesh

from nightbay.meshes import clustering, surface, vertices


def ball(radius=300.0):
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=radius)
    return mesh.vertices, mesh.faces


def surface_of(points, faces, filled=None):
    face = {} if filled is None else {"filled": filled.astype(np.uint8)}
    return surface.Surface(points.astype(np.float32), faces.astype(np.int32), {}, face)


def test_it_keeps_vertices_area_and_normals():
    shape = surface_of(*ball())
    found = clustering.cluster(shape, vertices.areas(shape), 30.0)
    assert np.array_equal(found.points_mm, shape.vertices_mm[found.rows].astype(np.float64))
    assert found.area_mm2.sum() == pytest.approx(surface.area_mm2(shape))
    outwards = found.points_mm / np.linalg.norm(found.points_mm, axis=1, keepdims=True)
    assert np.einsum("ij,ij->i", outwards, found.normals).min() > 0.999
    coarse = surface.Surface(found.points_mm.astype(np.float32), found.faces)
    # chords of 30 to 60 mm on a radius of 300 mm: less area by some e^2 / (8 R^2), and the faces look outwards
    assert 0.97 < surface.area_mm2(coarse) / surface.area_mm2(shape) < 1.0
    middles = coarse.vertices_mm[coarse.faces].mean(axis=1)
    assert np.mean(np.einsum("ij,ij->i", surface.face_normals(coarse), middles) > 0.0) > 0.99
    assert len(np.unique(np.sort(found.faces, axis=1), axis=0)) == len(found.faces)


def test_there_are_at_most_so_many():
    shape = surface_of(*ball())
    found = clustering.cluster(shape, vertices.areas(shape), 10.0, most=800)
    assert 300 < len(found.rows) <= 800
    assert found.spacing_mm > 10.0


def test_both_sides_of_a_thin_sheet_stay_apart():
    mesh = trimesh.creation.box(bounds=[[0, 0, 0.0], [400, 400, 2.0]])
    points, faces = trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, 8.0, max_iter=30)
    shape = surface_of(points, faces)
    found = clustering.cluster(shape, vertices.areas(shape), 20.0)
    assert found.area_mm2[found.normals[:, 2] > 0.9].sum() == pytest.approx(400.0**2, rel=0.1)
    assert found.area_mm2[found.normals[:, 2] < -0.9].sum() == pytest.approx(400.0**2, rel=0.1)


def test_filled_surface_is_no_measured_surface():
    points, faces = ball()
    filled = points[faces].mean(axis=1)[:, 2] > 150.0
    shape = surface_of(points, faces, filled)
    found = clustering.cluster(shape, vertices.areas(shape), 30.0)
    assert found.points_mm[~found.measured][:, 2].min() > 149.0
    assert found.points_mm[found.measured][:, 2].max() < 175.0
    assert found.area_mm2[~found.measured].sum() == 0.0
    assert found.filled.any() and not found.filled.all()

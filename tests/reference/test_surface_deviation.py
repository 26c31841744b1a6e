"""Signed deviations against closed forms, and against the distances of trimesh and PyMeshLab on meshes of theirs."""

from pathlib import Path

import numpy as np
import pymeshlab
import pytest
import trimesh

from nightbay.comparison import deviation
from nightbay.meshes import surface, vertices

BUNNY = Path(pymeshlab.__file__).parent / "tests" / "sample_meshes" / "bunny.obj"


def surface_of(mesh):
    return surface.Surface(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.int32))


@pytest.mark.parametrize("offset_mm", [-3.0, -0.2, 0.4, 5.0])
def test_concentric_spheres(offset_mm):
    """|p| - R, but for the sagitta of the faces, e^2 / (8 R) at most (geometry)."""
    sphere = trimesh.creation.icosphere(subdivisions=5, radius=500.0)
    edge = sphere.edges_unique_length.max()
    out = np.random.default_rng(1).normal(size=(4000, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    found = deviation.signed(out * (500.0 + offset_mm), out, surface_of(sphere), 25.0)
    # the largest circumscribed circle of a face has a radius of e / sqrt(3)
    sagitta = edge**2 / (6.0 * 500.0)
    assert np.all(found.value_mm >= offset_mm - 1e-3)
    assert np.all(found.value_mm <= offset_mm + sagitta + 1e-3)


def test_planes_and_their_ends():
    faces = [[0, 1, 2], [0, 2, 3]]
    corners = [[0, 0, 0], [400, 0, 0], [400, 300, 0], [0, 300, 0]]
    plane = surface.Surface(np.array(corners, np.float32), np.array(faces, np.int32))
    points = np.array([[50.0, 50, 1.5], [350, 20, -0.25], [420, 100, 0.5], [100, 100, 40.0], [100, 100, 0.5]])
    up = np.tile([0.0, 0.0, 1.0], (5, 1))
    up[4] = -up[4]  # faces the other way: it is the back of something
    found = deviation.signed(points, up, plane, 25.0)
    assert found.value_mm == pytest.approx([1.5, -0.25, np.nan, np.nan, np.nan], nan_ok=True, abs=1e-6)


def test_distances_of_trimesh():
    mesh = trimesh.load(BUNNY, process=True)
    mesh.apply_scale(400.0 / mesh.extents.max())
    probe, face = trimesh.sample.sample_surface(mesh, 400, seed=2)
    normals = mesh.face_normals[face]
    probe = probe + normals * np.random.default_rng(3).uniform(-1.0, 1.0, (len(probe), 1))
    found = deviation.signed(probe, normals, surface_of(mesh), 10.0)
    _, distance, _ = trimesh.proximity.closest_point_naive(mesh, probe)
    met = np.isfinite(found.value_mm)
    assert met.mean() > 0.97
    # float32 vertices of up to 400 mm: 2e-5 mm
    assert np.abs(found.value_mm)[met] == pytest.approx(distance[met], abs=1e-4)


def test_distances_of_pymeshlab():
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(BUNNY))
    matrix = meshes.current_mesh().vertex_matrix()
    scale = 400.0 / np.ptp(matrix, axis=0).max()
    faces = meshes.current_mesh().face_matrix()
    shape = surface.Surface((matrix * scale).astype(np.float32), faces.astype(np.int32))
    normals = vertices.normals_of_all(shape.vertices_mm, shape.faces)
    swell = 0.5 * np.sin(matrix[:, :1] * scale / 30.0)
    other = shape.vertices_mm.astype(np.float64) + swell * normals
    meshes.clear()
    meshes.add_mesh(pymeshlab.Mesh(shape.vertices_mm.astype(np.float64), faces))
    meshes.add_mesh(pymeshlab.Mesh(other, faces))
    meshes.compute_scalar_by_distance_from_another_mesh_per_vertex(
        measuremesh=1, refmesh=0, signeddist=True, maxdist=pymeshlab.PureValue(10.0)
    )
    theirs = meshes.mesh(1).vertex_scalar_array()
    ours = deviation.signed(other, normals, shape, 10.0).value_mm
    met = np.isfinite(ours)
    assert met.mean() > 0.97
    assert np.abs(ours[met]) == pytest.approx(np.abs(theirs[met]), abs=1e-3)
    clear = met & (np.abs(ours) > 0.01)
    assert np.mean(np.sign(ours[clear]) == np.sign(theirs[clear])) > 0.99

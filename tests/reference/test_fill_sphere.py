"""Filled gaps against the geometry of a sphere, and against what pymeshlab says of the closed mesh."""

import numpy as np
import pymeshlab
import pytest
import trimesh

import partial_surfaces
from nightbay.fill import fill
from nightbay.meshes import surface


def joined(mesh, added):
    return np.vstack([mesh.vertices_mm, added.vertices_mm]), np.vstack([mesh.faces, added.faces])


@pytest.mark.parametrize("half_angle_deg", [3.0, 5.0, 8.0])
def test_closed_sphere_has_the_area_and_volume_of_the_whole_one(half_angle_deg):
    """A cap of half angle a on a sphere of radius R has the area 2 pi R**2 (1 - cos a) and the volume
    pi R**3 (2 - 3 cos a + cos**3 a) / 3 (I. Bronshtein, K. Semendyayev, Handbook of Mathematics, solids; by integration
    of the circles 2 pi R sin t)."""
    radius = 100.0
    whole = trimesh.creation.icosphere(subdivisions=5, radius=radius)
    cut = whole.triangles_center[:, 2] > np.linalg.norm(whole.triangles_center, axis=1) * np.cos(
        np.radians(half_angle_deg)
    )
    mesh = partial_surfaces.keep_faces(
        surface.Surface(whole.vertices.astype(np.float32), whole.faces.astype(np.int32)), ~cut
    )
    closure = fill.close_gaps(mesh, 3.8, 60.0, 60.0)
    vertices, faces = joined(mesh, closure.added)
    numbers = fill.summarize(closure, surface.area_mm2(mesh))
    assert numbers.gaps == 1
    # what was cut off is the known part: the faces that are gone, of the same chords as the rest
    removed = float(whole.area_faces[cut].sum())
    cap = 2 * np.pi * radius**2 * (1 - np.cos(np.radians(half_angle_deg)))
    assert removed == pytest.approx(cap, rel=0.25), "the cut is the cap, but for its zigzag rim"
    rim_mm = radius * np.radians(half_angle_deg)
    # the patch lies within 0.04 mm of the sphere (unit test); its area errs by slope**2 / 2, the slope of such waves
    # over a spacing being 0.01, and by other chords, (3.8 / R)**2 / 8
    assert numbers.filled_area_mm2 == pytest.approx(removed, rel=1e-3)
    closed = pymeshlab.MeshSet()
    closed.add_mesh(pymeshlab.Mesh(vertices.astype(float), faces))
    told = closed.get_topological_measures()
    assert (told["boundary_edges"], told["non_two_manifold_edges"], told["connected_components_number"]) == (0, 0, 1)
    assert told["is_mesh_two_manifold"] and told["genus"] == 0
    volume = closed.get_geometric_measures()["mesh_volume"]
    assert volume == pytest.approx(whole.volume, abs=0.04 * np.pi * rim_mm**2 + 1.0)


def test_patch_is_nearer_to_the_sphere_than_a_general_purpose_hole_filler():
    """pymeshlab closes the same hole; the distance of both patches to the sphere is known, and ours is the smaller."""
    radius = 100.0
    whole = trimesh.creation.icosphere(subdivisions=5, radius=radius)
    cut = whole.triangles_center[:, 2] > 0.99 * np.linalg.norm(whole.triangles_center, axis=1)
    mesh = partial_surfaces.keep_faces(
        surface.Surface(whole.vertices.astype(np.float32), whole.faces.astype(np.int32)), ~cut
    )
    added = fill.close_gaps(mesh, 3.8, 60.0, 60.0).added
    other = pymeshlab.MeshSet()
    other.add_mesh(pymeshlab.Mesh(mesh.vertices_mm.astype(float), mesh.faces))
    other.meshing_close_holes(maxholesize=200, refinehole=False)
    theirs = other.current_mesh()

    def worst(vertices, faces):
        middles = vertices[faces[len(mesh.faces) :]].mean(axis=1)
        return np.abs(np.linalg.norm(middles, axis=1) - radius).max()

    chord = 3.8**2 / (8 * radius)
    vertices, faces = joined(mesh, added)
    ours_mm = worst(vertices.astype(float), faces)
    assert ours_mm < chord + 0.04
    assert ours_mm < worst(theirs.vertex_matrix(), theirs.face_matrix())

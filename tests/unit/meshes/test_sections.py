import numpy as np
import pytest
import trimesh

from nightbay.meshes import sections, surface


def cut(mesh, axis, value, filled=None):
    marks = {} if filled is None else {"filled": filled.astype(np.uint8)}
    whole = surface.Surface(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.int32), face=marks)
    ((_, outlines),) = sections.through(whole, [sections.Plane("plane", axis, value)])
    return outlines


def length(outline):
    return np.linalg.norm(np.diff(outline.points_mm, axis=0), axis=1).sum()


def test_a_ball_is_cut_in_one_closed_circle():
    (outline,) = cut(trimesh.creation.icosphere(subdivisions=4, radius=100.0), 0, 60.0)
    assert np.array_equal(outline.points_mm[0], outline.points_mm[-1])
    # chords of about 5 mm on a circle of 80 mm radius
    assert np.linalg.norm(outline.points_mm, axis=1) == pytest.approx(80.0, abs=0.2)
    assert length(outline) == pytest.approx(2 * np.pi * 80.0, rel=2e-3)


def test_a_plane_through_vertices_cuts_each_face_once():
    mesh = trimesh.creation.box(extents=[20, 20, 20]).subdivide().subdivide()
    (outline,) = cut(mesh, 2, 0.0)
    assert length(outline) == pytest.approx(80.0)


def test_an_open_surface_gives_an_open_line():
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=100.0)
    mesh.update_faces(mesh.triangles_center[:, 2] < 50)
    (outline,) = cut(mesh, 0, 10.0)
    assert not np.array_equal(outline.points_mm[0], outline.points_mm[-1])


def test_a_plane_beside_the_surface_cuts_nothing():
    assert cut(trimesh.creation.box(extents=[20, 20, 20]), 1, 11.0) == []


def test_filled_stretches_are_lines_of_their_own_and_meet_the_measured_ones():
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    filled = mesh.triangles_center[:, 2] > 60
    measured, made_up = cut(mesh, 0, 10.0, filled)
    assert not measured.filled
    assert made_up.filled
    ends = {tuple(point) for point in measured.points_mm[[0, -1]]}
    assert ends == {tuple(point) for point in made_up.points_mm[[0, -1]]}


def test_two_bodies_give_two_outlines():
    one = trimesh.creation.icosphere(subdivisions=2, radius=50.0)
    other = one.copy()
    other.apply_translation([0, 200, 0])
    assert len(cut(trimesh.util.concatenate([one, other]), 0, 0.5)) == 2


def test_simplified_outline_stays_within_the_tolerance():
    turn = np.linspace(0, 2 * np.pi, 721)
    circle = 100 * np.column_stack([np.cos(turn), np.sin(turn)])
    few = sections.simplify(circle, 0.5)
    assert len(few) < 60
    assert np.array_equal(few[[0, -1]], circle[[0, -1]])
    # a chord of sagitta s on radius R: the furthest point of the circle from it is s away
    middle = (few[1:] + few[:-1]) / 2
    assert (100 - np.linalg.norm(middle, axis=1)).max() <= 0.5 + 1e-9


def test_simplify_keeps_a_line_that_turns_back():
    line = np.array([[0.0, 0.0], [10.0, 0.0], [-5.0, 0.0], [0.0, 0.0]])
    assert np.array_equal(sections.simplify(line, 0.5), line)

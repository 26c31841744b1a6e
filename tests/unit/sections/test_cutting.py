import numpy as np
import pytest
import trimesh

from nightbay.meshes import surface
from nightbay.sections import cutting
from nightbay.sections.plane import axis_plane, oblique_plane
from nightbay.sections.reduction import chord_error, kept, simplify

OBLIQUE = oblique_plane("oblique", np.array([3.0, -5.0, 11.0]), np.array([1.0, -2.0, 0.5]))


def of(mesh, filled=None):
    marks = {} if filled is None else {"filled": filled.astype(np.uint8)}
    return surface.Surface(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.int32), face=marks)


def through(mesh, plane, filled=None):
    ((_, outlines),) = cutting.through(of(mesh, filled), [plane])
    return outlines


def cut(mesh, axis, value, filled=None):
    return through(mesh, axis_plane("plane", axis, value), filled)


def ball(radius=100.0, subdivisions=4):
    return trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius)


def enclosed(points):
    """Signed area of a closed polyline, positive where it runs anticlockwise."""
    (x, y), (after_x, after_y) = points[:-1].T, points[1:].T
    return float(np.sum(x * after_y - after_x * y)) / 2


def length(outline):
    return np.linalg.norm(np.diff(outline.points_mm, axis=0), axis=1).sum()


def test_a_ball_is_cut_in_one_closed_circle():
    (outline,) = cut(ball(), 0, 60.0)
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
    mesh = ball()
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
    few = simplify(circle, 0.5)
    assert len(few) < 60
    assert np.array_equal(few[[0, -1]], circle[[0, -1]])
    # a chord of sagitta s on radius R: the furthest point of the circle from it is s away
    middle = (few[1:] + few[:-1]) / 2
    assert (100 - np.linalg.norm(middle, axis=1)).max() <= 0.5 + 1e-9


def test_simplify_keeps_a_line_that_turns_back():
    line = np.array([[0.0, 0.0], [10.0, 0.0], [-5.0, 0.0], [0.0, 0.0]])
    assert np.array_equal(simplify(line, 0.5), line)


@pytest.mark.parametrize("plane", [axis_plane("x", 0, 30.0), axis_plane("y", 1, 30.0), OBLIQUE], ids=lambda it: it.name)
def test_material_is_to_the_left(plane):
    """A solid's outline runs anticlockwise, that of a room, whose normals point inwards, clockwise."""
    solid = ball()
    room = trimesh.Trimesh(solid.vertices, solid.faces[:, ::-1], process=False)
    (outer,), (inner,) = through(solid, plane), through(room, plane)
    # across Y the coordinates are X and Z, which run anticlockwise about low Y
    assert outer.closed and enclosed(outer.points_mm) > 2e4
    assert enclosed(inner.points_mm) == pytest.approx(-enclosed(outer.points_mm), rel=1e-6)


def test_an_open_line_has_its_material_to_the_left():
    dome = ball()
    dome.update_faces(dome.triangles_center[:, 2] > 0)
    (line,) = cut(dome, 1, 3.0)
    assert not line.closed and line.points_mm[0, 0] > 90 > -90 > line.points_mm[-1, 0]


def test_holes_run_clockwise():
    shell = trimesh.util.concatenate([ball(), trimesh.Trimesh(*flipped(ball(60.0)), process=False)])
    areas = sorted(enclosed(line.points_mm) for line in cut(shell, 2, 10.0))
    assert areas[0] == pytest.approx(-np.pi * (60**2 - 10**2), rel=0.01)
    assert areas[1] == pytest.approx(np.pi * (100**2 - 10**2), rel=0.01)


def flipped(mesh):
    return mesh.vertices, mesh.faces[:, ::-1]


def test_pieces_of_an_outline_follow_each_other_in_their_order():
    mesh = ball()
    height = mesh.triangles_center[:, 2]
    pieces = cut(mesh, 0, 10.0, (np.abs(height) > 40) & (np.abs(height) < 70))
    assert [piece.filled for piece in pieces] == [False, True] * 4 and {piece.number for piece in pieces} == {1}
    assert not any(piece.closed for piece in pieces)
    for piece, after in zip(pieces, [*pieces[1:], pieces[0]], strict=True):
        assert np.array_equal(piece.points_mm[-1], after.points_mm[0])


def test_every_point_lies_in_the_plane_and_on_the_surface():
    mesh = ball()
    (line,) = through(mesh, OBLIQUE)
    in_space = OBLIQUE.in_space(line.points_mm)
    assert (in_space - OBLIQUE.point_mm) @ OBLIQUE.normal == pytest.approx(0.0, abs=1e-9)
    assert np.linalg.norm(in_space, axis=1).min() > 99.0
    assert OBLIQUE.in_plane(in_space) == pytest.approx(line.points_mm, abs=1e-9)


def test_planes_at_once_and_alone_give_the_same_lines_for_any_order_of_the_faces():
    mesh = ball(subdivisions=5)
    planes = [axis_plane("a", 2, value) for value in (20.0, -30.0, 20.5)]
    planes += [OBLIQUE, axis_plane("b", 0, 7.0), axis_plane("beside", 1, 101.0)]
    shuffled = trimesh.Trimesh(mesh.vertices, np.random.default_rng(3).permutation(mesh.faces), process=False)
    for (plane, lines), (_, others) in zip(
        cutting.through(of(mesh), planes), cutting.through(of(shuffled), planes), strict=True
    ):
        alone = through(mesh, plane)
        assert [line.points_mm.tolist() for line in lines] == [line.points_mm.tolist() for line in alone]
        assert [line.points_mm.tolist() for line in lines] == [line.points_mm.tolist() for line in others]
    assert lines == []


def test_a_seam_that_is_not_manifold_loses_no_line():
    walls = [trimesh.creation.box(extents=[2, 40, 40]), trimesh.creation.box(extents=[2, 40, 40])]
    walls[1].apply_translation([2, 0, 0])  # they share two faces, back to back
    both = trimesh.util.concatenate(walls)
    both.merge_vertices()
    assert sum(length(line) for line in cut(both, 2, 3.0)) == pytest.approx(2 * 84.0)


def test_the_chord_error_is_what_it_is_and_not_what_was_asked_for():
    turn = np.linspace(0, 2 * np.pi, 721)
    circle = 100 * np.column_stack([np.cos(turn), np.sin(turn)])
    keep = kept(circle, 0.5)
    off = chord_error(circle, keep, circle[keep])
    sagittas = 100 * (1 - np.cos(np.diff(turn[keep]) / 2))
    assert off == pytest.approx(sagittas.max(), abs=100 * (1 - np.cos(np.pi / 720))) and off <= 0.5
    assert chord_error(circle, keep, circle[keep] + [0.0, 3.0]) > 2.5

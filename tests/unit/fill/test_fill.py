"""Gaps in bodies of known shape: what is closed, what stays open, and what the patches look like."""

import tempfile
from pathlib import Path

import numpy as np
import pytest
import trimesh

import partial_surfaces
from nightbay.fill import fill, patch, patch_fairing, patch_quality
from nightbay.meshes import surface, topology
from nightbay.pipeline import typed

RADIUS = 100.0


def sphere(noise_mm=0.0, seed=0):
    """Unit directions and faces of a sphere of 100 mm with edges of 3.8 mm."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=RADIUS)
    vertices = mesh.vertices * (1 + np.random.default_rng(seed).normal(0, noise_mm / RADIUS, (len(mesh.vertices), 1)))
    return vertices, mesh.faces.astype(np.int32), mesh.triangles_center / RADIUS


def made(vertices, faces, keep):
    whole = surface.Surface(
        vertices.astype(np.float32),
        faces,
        {
            "count": np.full(len(vertices), 9, np.float32),
            "spread_mm": np.full(len(vertices), 0.1, np.float32),
            "confidence": np.ones(len(vertices), np.float32),
            "red": np.full(len(vertices), 200, np.uint8),
            "green": np.full(len(vertices), 100, np.uint8),
            "blue": np.full(len(vertices), 50, np.uint8),
        },
    )
    return partial_surfaces.keep_faces(whole, keep)


def closed(mesh, largest_gap_mm=30.0, spacing_mm=3.8):
    """The file that fill leaves, read back, and its numbers."""
    closure = fill.close_gaps(mesh, spacing_mm, largest_gap_mm, 60.0)
    with tempfile.TemporaryDirectory() as folder:
        fill.write(Path(folder) / "surface.ply", mesh, closure.added)
        return surface.read_ply(Path(folder) / "surface.ply"), fill.summarize(closure, surface.area_mm2(mesh))


@pytest.fixture(scope="module")
def two_holes():
    """A sphere with a hole of 24 mm at +Z and one of 60 mm at +X."""
    vertices, faces, centre = sphere()
    small, large = centre[:, 2] > np.cos(12 / RADIUS), centre[:, 0] > np.cos(30 / RADIUS)
    return made(vertices, faces, ~small & ~large)


def test_small_gap_is_closed_and_marked_and_the_opening_stays(two_holes):
    out, numbers = closed(two_holes)
    assert (numbers.gaps, numbers.open.count, numbers.openings[0].kind) == (1, 1, "large")
    assert np.allclose(numbers.openings[0].centre_mm, [95.4, 0, 0], atol=1.0)
    before = len(two_holes.faces)
    assert np.array_equal(out.faces[:before], two_holes.faces)
    assert np.array_equal(out.vertices_mm[: len(two_holes.vertices_mm)], two_holes.vertices_mm)
    assert not out.face["filled"][:before].any() and out.face["filled"][before:].all()
    added = slice(len(two_holes.vertices_mm), None)
    assert not out.vertex["confidence"][added].any() and not out.vertex["count"][added].any()
    assert np.isnan(out.vertex["spread_mm"][added]).all()
    assert set(out.vertex["red"][added]) == {200}
    assert topology.defects(out.faces, len(out.vertices_mm)) == {"edges_of_many_faces": 0, "edges_of_one_direction": 0}
    assert len(topology.loops(out.faces, len(out.vertices_mm))) == 1


def test_openings_carry_points_of_their_own_boundary(two_holes, monkeypatch):
    _, numbers = closed(two_holes)
    boundary = numbers.openings[0].boundary_mm
    assert 10 < len(boundary) <= fill.OUTLINE_POINTS
    off = np.linalg.norm(two_holes.vertices_mm[None] - boundary[:, None], axis=2).min(axis=1)
    assert off.max() < 0.01 and (boundary[:, 0] > 90).all()
    around = np.unwrap(np.arctan2(boundary[:, 2], boundary[:, 1]))
    assert abs(around[-1] - around[0]) > np.radians(330) and len(np.unique(np.sign(np.diff(around)))) == 1
    monkeypatch.setattr(fill, "OUTLINED", 0)
    assert closed(two_holes)[1].openings[0].boundary_mm is None


def test_patch_follows_the_curvature_and_is_fine_and_even(two_holes):
    out, _ = closed(two_holes)
    radii = np.linalg.norm(out.vertices_mm[len(two_holes.vertices_mm) :], axis=1)
    # A plane patch would dip by 0.72 mm. The quadric's next term is r**4 / (8 R**3) = 0.003 mm at r = 12 mm, and three
    # rings of support reach to r = 24 mm, where it is 0.04 mm; the rim itself dips by its chords, 3.8**2 / (8 R).
    assert np.abs(radii - RADIUS).max() < 0.04
    patch_mesh = trimesh.Trimesh(out.vertices_mm, out.faces[len(two_holes.faces) :], process=False)
    assert patch_mesh.edges_unique_length.max() < 2 * 3.8
    assert np.degrees(patch_mesh.face_angles.min()) > 15
    outwards = np.einsum("ij,ij->i", patch_mesh.face_normals, patch_mesh.triangles_center)
    assert (outwards > 0.9 * RADIUS).all()


def test_surface_read_on_demand_gives_the_same_whatever_the_size_of_a_block(two_holes, tmp_path, monkeypatch):
    surface.write_ply(tmp_path / "fuse.ply", two_holes)
    whole = fill.close_gaps(two_holes, 3.8, 30.0, 60.0)
    fill.write(tmp_path / "whole.ply", two_holes, whole.added)
    monkeypatch.setattr(surface, "ROWS", 997)
    lazy = surface.open_ply(tmp_path / "fuse.ply")
    again = fill.close_gaps(lazy, 3.8, 30.0, 60.0)
    fill.write(tmp_path / "blocks.ply", lazy, again.added)
    assert typed.write(fill.summarize(again, 0.0)) == typed.write(fill.summarize(whole, 0.0))
    assert len(two_holes.faces) > 10 * 997
    assert (tmp_path / "blocks.ply").read_bytes() == (tmp_path / "whole.ply").read_bytes()


def sheet(moved):
    """A plane grid of 1 mm with a hole of five by five squares, 3 m off the origin both ways, where single precision
    has steps of 0.00024 mm; ``moved``: {(column, row): (x, y)} puts vertices elsewhere."""
    mark, squares = np.arange(16 * 16).reshape(16, 16), np.ones((15, 15), bool)
    squares[5:10, 5:10] = False
    a, b, c, d = (part[squares] for part in (mark[:-1, :-1], mark[:-1, 1:], mark[1:, 1:], mark[1:, :-1]))
    vertices = np.column_stack([mark.ravel() % 16, mark.ravel() // 16, np.zeros(256)])
    for (column, row), place in moved.items():
        vertices[mark[row, column], :2] = place
    faces = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return made(vertices + [3000, 3000, 0], faces, np.ones(len(faces), bool))


def heights(vertices, faces):
    """Least height of each triangle."""
    sides = np.linalg.norm(vertices[faces] - vertices[np.roll(faces, 1, axis=1)], axis=2)
    return 2 * surface.face_areas(surface.Surface(vertices, faces)) / sides.max(axis=1)


# along one side of the hole edges of 0.01, 2.98 and 0.01 mm
UNEVEN = {(6, 5): (5.01, 5), (7, 5): (7.99, 5)}


def test_rim_edges_of_a_hundredth_and_of_three_spacings_leave_no_flat_face():
    mesh = sheet(UNEVEN)
    out, numbers = closed(mesh, spacing_mm=1.0)
    assert numbers.gaps == 1
    high = heights(out.vertices_mm.astype(float), out.faces[len(mesh.faces) :])
    # a face on an edge of 0.01 mm can't be higher than that; all others have room
    assert high.min() > 0.005 and np.sort(high)[2] > 0.1
    assert topology.defects(out.faces, len(out.vertices_mm)) == {"edges_of_many_faces": 0, "edges_of_one_direction": 0}


@pytest.mark.parametrize("tip", [(8, 5.0005), (8, 5.2), (8, 9.9)])
def test_hole_that_a_spike_all_but_parts_has_faces_with_area_or_stays_open(tip):
    # the first spike lies along the side, two steps of single precision off
    mesh = sheet({(7, 5): tip})
    out, numbers = closed(mesh, spacing_mm=1.0)
    assert numbers.gaps + numbers.open.count == 1
    assert surface.face_areas(out)[len(mesh.faces) :].all()
    assert topology.defects(out.faces, len(out.vertices_mm)) == {"edges_of_many_faces": 0, "edges_of_one_direction": 0}


def test_slot_without_room_for_faces_is_left_and_listed():
    # the lower side of the hole meets the upper but for two steps of single precision
    mesh = sheet({(column, 5): (column, 10 - 0.0005) for column in range(6, 10)})
    out, numbers = closed(mesh, spacing_mm=1.0)
    assert (numbers.gaps, numbers.surroundings_rms_mm) == (0, None)
    assert [opening.kind for opening in numbers.openings] == ["folded"]
    assert np.array_equal(out.faces, mesh.faces) and not out.face["filled"].any()


def test_noise_of_the_rim_is_not_amplified():
    vertices, faces, centre = sphere(noise_mm=0.1, seed=3)
    mesh = made(vertices, faces, centre[:, 2] < np.cos(12 / RADIUS))
    out, _ = closed(mesh)
    radii = np.linalg.norm(out.vertices_mm[len(mesh.vertices_mm) :], axis=1)
    assert np.sqrt(np.mean((radii - RADIUS) ** 2)) < 0.1


def test_outer_boundary_of_an_open_scan_is_no_gap():
    vertices, faces, centre = sphere()
    cap = centre[:, 2] > np.cos(10 / RADIUS)  # a piece of 20 mm, smaller than the limit
    out, numbers = closed(made(vertices, faces, cap))
    assert (numbers.gaps, numbers.outer_boundaries, int(out.face["filled"].sum())) == (0, 1, 0)


def test_end_of_a_tube_and_slit_between_sheets_stay_open():
    tube = trimesh.creation.cylinder(radius=8, height=40, sections=24).subdivide().subdivide()
    side = np.abs(tube.face_normals[:, 2]) < 0.5
    _, numbers = closed(made(tube.vertices, tube.faces.astype(np.int32), side))
    assert numbers.gaps == 0
    assert {opening.kind for opening in numbers.openings} == {"rim"}
    assert len(numbers.openings) == 2


def test_rim_that_crosses_itself_is_left_and_listed():
    # a figure of eight, seen along the axis of its cap
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    eight = np.column_stack([np.sin(turn), np.sin(turn) * np.cos(turn)])
    patches, sound = patch.clip_ears(eight, [0, 40])
    assert not sound[0] and len(patches.faces) == 0


def test_nothing_is_closed_when_the_limit_is_zero(two_holes):
    out, numbers = closed(two_holes, largest_gap_mm=0.0)
    assert numbers.gaps == 0 and numbers.open.count == 2 and numbers.filled_area_mm2 == 0.0
    assert np.array_equal(out.faces, two_holes.faces)


def test_closed_surface_passes_unchanged():
    vertices, faces, _ = sphere()
    out, numbers = closed(made(vertices, faces, np.ones(len(faces), bool)))
    assert numbers.gaps == numbers.open.count == 0 and not out.face["filled"].any()


def test_patches_join_no_two_rim_points_so_that_they_cannot_double_an_edge():
    # a spike into the hole: the ear beside it would double the edge at the spike's foot
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rim = 10 * np.column_stack([np.cos(turn), np.sin(turn)])
    rim[5] *= 0.3
    patches, sound = patch.clip_ears(rim, [0, 24])
    fine = patch.refine(patches, 2.5)
    assert sound.all() and (patch.signed_area(fine) > 0).all()
    keys = np.sort(np.vstack([fine.faces[:, [a, b]] for a, b in ((0, 1), (1, 2), (2, 0))]), axis=1)
    inner = {tuple(edge) for edge, uses in zip(*np.unique(keys, axis=0, return_counts=True), strict=True) if uses == 2}
    assert not any(max(edge) < 24 for edge in inner)


def test_quadric_is_exact_for_a_quadric():
    rng = np.random.default_rng(2)
    uv = rng.uniform(-10, 10, (60, 2))
    truth = np.array([1.0, -0.2, 0.1, 0.01, 0.02, -0.03])
    found, spread = patch_fairing.fit_quadrics(
        np.column_stack([uv, patch_fairing.terms(uv) @ truth]), np.zeros(60, int), 1
    )
    assert np.allclose(found[0], truth, atol=1e-9) and spread[0] < 1e-9


def test_surroundings_are_what_can_be_reached_in_so_many_steps():
    _, faces, centre = sphere()
    faces = faces[centre[:, 2] < np.cos(12 / RADIUS)]
    loops = topology.loops(faces, faces.max() + 1)
    rims = [loops[0], loops[0][:3]]
    owner, vertex = patch_fairing.surroundings(faces, faces.max() + 1, rims, 2)
    for number, rim in enumerate(rims):
        reached = set(rim.tolist())
        for _ in range(2):
            reached = {v for face in faces.tolist() if reached & set(face) for v in face}
        assert vertex[owner == number].tolist() == sorted(reached)


def test_improved_patch_keeps_rim_and_faces_and_its_thin_face_gets_room():
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0.7, 0.0001]])
    fan = np.array([(0, 1, 4), (1, 2, 4), (2, 3, 4), (3, 0, 4)])
    thin = patch.Patches(square, fan, np.zeros(4, int), np.zeros(5, int), 4)
    wide = patch_quality.improve(thin, 1.0)
    assert np.array_equal(wide.faces, fan) and np.array_equal(wide.uv_mm[:4], square[:4])
    # the best place is the middle, where each face is half as high as the square
    assert heights(np.column_stack([wide.uv_mm, np.zeros(5)]), fan).min() == pytest.approx(0.5, abs=0.02)
    assert np.array_equal(patch_quality.improve(wide, 1.0).uv_mm, wide.uv_mm), "what is thick enough stays"


def test_patches_without_some_keep_the_rest():
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    patches, _ = patch.clip_ears(np.vstack([square, square + 5, square + 9]), [0, 4, 8, 12])
    fine = patch.refine(patches, 0.5)
    rest, stays = patch.without(fine, [1])
    assert set(rest.patch) == {0, 2} and len(rest.uv_mm) == 12 + stays.sum() < len(fine.uv_mm)
    kept = np.isin(fine.patch, [0, 2])
    assert np.array_equal(rest.uv_mm[rest.faces], fine.uv_mm[fine.faces[kept]])

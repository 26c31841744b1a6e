"""Sections against closed forms, and DXF and SVG against trimesh's cuts of the same mesh."""

import numpy as np
import pytest
import trimesh
from scipy import special

import section_scenes
from nightbay.sections import dxf, section, svg
from nightbay.sections.plane import axis_plane, oblique_plane

PLANES = [
    axis_plane("x", 0, 11.0),
    axis_plane("z", 2, -3.7),
    oblique_plane("a", np.array([5.0, -20.0, 3.0]), np.array([0.3, 1.0, -0.2])),
    oblique_plane("b", np.array([-80.0, 10.0, 0.0]), np.array([1.0, 0.1, 0.8])),
]


def bodies():
    """A torus with a box through it and a ball beside it: outlines that are many, nested and of few or many points."""
    torus = trimesh.creation.torus(120.0, 40.0, major_sections=90, minor_sections=48)
    box = trimesh.creation.box(extents=[150.0, 60.0, 100.0])
    box.apply_transform(trimesh.transformations.rotation_matrix(0.4, [1, 2, 3]))
    ball = trimesh.creation.icosphere(subdivisions=4, radius=60.0)
    ball.apply_translation([250.0, 30.0, 10.0])
    return trimesh.util.concatenate([torus, box, ball])


def test_lengths_in_dxf_and_svg_are_those_of_trimesh(tmp_path):
    mesh = bodies()
    # every point is kept, so that nothing but the rounding of its coordinates is between the files and the mesh
    made = section_scenes.sections_of(mesh, PLANES, chord_mm=0.0)
    single = trimesh.Trimesh(mesh.vertices.astype(np.float32), mesh.faces, process=False)
    dxf.write(tmp_path / "a.dxf", made, [])
    svg.write(tmp_path / "a.svg", made, "", [])
    in_dxf, in_svg = section_scenes.dxf_lines(tmp_path / "a.dxf"), section_scenes.svg_lines(tmp_path / "a.svg")
    for plane, found in zip(PLANES, made, strict=True):
        segments = trimesh.intersections.mesh_plane(single, plane.normal, plane.point_mm)
        true_mm = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1).sum()
        assert found.length_mm == pytest.approx(true_mm, rel=1e-9)
        for lines in (in_dxf[dxf.MEASURED, plane.name], in_svg["measured", plane.name]):
            # both ends of each step are off by the rounding in the plane, and in DXF by that in space
            off_mm = 2 * sum(map(len, lines)) * (section.ROUNDED + 1e-4)
            assert sum(section.length(line) for line in lines) == pytest.approx(true_mm, abs=off_mm)


@pytest.mark.parametrize("plane", [axis_plane("y", 1, 30.0), oblique_plane("o", [20.0, 0, 40], [1, 2, 2])])
def test_a_plane_through_a_sphere_is_a_circle_with_the_chord_error_of_its_points(plane):
    """The points lie on edges: up to the sagitta of the longest edge inside of the sphere."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=100.0)
    distance = abs(plane.point_mm @ plane.normal)
    sagitta = 100.0 - np.sqrt(100.0**2 - (mesh.edges_unique_length.max() / 2) ** 2)
    low, high = np.sqrt((100.0 - sagitta) ** 2 - distance**2), np.sqrt(100.0**2 - distance**2)
    (found,) = section_scenes.sections_of(mesh, [plane], chord_mm=0.3, curve_mm=0.2)
    (line,) = found.outlines
    assert line.closed and found.filled_mm == 0.0
    centre = plane.in_plane(plane.normal[None] * (plane.point_mm @ plane.normal))[0]
    radii = np.linalg.norm(line.points_mm - centre, axis=1)
    assert low - 2e-3 <= radii.min() and radii.max() <= high + 2e-3  # rounded to 0.001 mm
    # the outline is convex, lies in the greater circle, and holds one that its longest chord touches
    inner = np.sqrt(low**2 - (mesh.edges_unique_length.max() / 2) ** 2)
    assert 2 * np.pi * inner <= found.length_mm <= 2 * np.pi * high
    chords = np.linalg.norm(np.diff(line.points_mm, axis=0), axis=1)
    expected = (high - np.sqrt(high**2 - (chords / 2) ** 2)).max()
    # the chord error is that of the widest chord; the points between are up to a sagitta inside of the circle
    assert found.chord_mm <= 0.3 and found.chord_mm == pytest.approx(expected, abs=high - low + 2e-3)
    assert found.curve_mm <= 0.2
    ((curve,),) = found.curves.values()
    along = np.linalg.norm(curve.at(np.linspace(0, 1, 2000)) - centre, axis=1)
    assert low - 0.2 - sagitta <= along.min() and along.max() <= high + 0.2


@pytest.mark.parametrize("tilt_deg", [20.0, 50.0])
def test_an_oblique_plane_through_a_cylinder_is_an_ellipse(tilt_deg):
    """Semi-axes r and r / cos(tilt); the facets are up to a sagitta inside of the cylinder."""
    radius, facets = 80.0, 720
    tube = trimesh.creation.cylinder(radius=radius, height=600.0, sections=facets, cap=False)
    tilt = np.radians(tilt_deg)
    plane = oblique_plane("o", np.array([3.0, 4.0, 10.0]), np.array([np.sin(tilt), 0.0, np.cos(tilt)]))
    (found,) = section_scenes.sections_of(tube, [plane], chord_mm=0.05, curve_mm=0.1)
    sagitta = radius * (1 - np.cos(np.pi / facets))
    (line,) = [line for line in found.outlines if line.closed]
    in_space = plane.in_space(line.points_mm)
    assert np.hypot(in_space[:, 0], in_space[:, 1]) == pytest.approx(radius, abs=sagitta + 2e-3)
    long, share = radius / np.cos(tilt), np.sin(tilt) ** 2
    perimeter = 4 * long * special.ellipe(share)
    assert perimeter * (1 - (np.pi / facets) ** 2) <= found.length_mm <= perimeter
    turn = np.linspace(0, 2 * np.pi, 20_000)
    ellipse = np.column_stack([radius * np.sin(turn), long * np.cos(turn)])
    ((curve,),) = found.curves.values()
    axis_foot = plane.in_plane(np.array([[0.0, 0.0, 10.0 + 3.0 * np.tan(tilt)]]))[0]
    points = curve.at(np.linspace(0, 1, 500)) - axis_foot
    off = np.linalg.norm(points[:, None] - ellipse[None], axis=2).min(axis=1).max()
    assert off <= 0.1 + sagitta / np.cos(tilt) + 0.01  # samples of the ellipse are 0.02 mm apart

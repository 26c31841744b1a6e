"""Pictures: what stands where, what hides what, and what a drawing says in words."""

import numpy as np
import pytest
import trimesh

from nightbay.core.axes import DESIGN_GRID, ISO_8855
from nightbay.meshes import surface
from nightbay.report import chart, drawing, picture, raster


def box(low, high):
    mesh = trimesh.creation.box(bounds=[low, high])
    return mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32)


@pytest.fixture(scope="module")
def wedge():
    """A body whose front is low: 2000 mm long in X, nose at X = 0, as high as X / 2 + 100."""
    vertices, faces = box((0, -400, 0), (2000, 400, 100))
    high = vertices[:, 2] > 50
    vertices[high, 2] += vertices[high, 0] / 2
    return surface.Surface(vertices, faces)


def test_nearer_faces_hide_farther_ones_and_backs_can_be_left_out():
    near, faces = box((0, 0, 5), (10, 10, 6))
    far, _ = box((-5, -5, 0), (15, 15, 1))
    vertices, faces = np.vstack([near, far]), np.vstack([faces, faces + 8])
    seen = raster.draw(vertices, faces, np.eye(3), 1.0)
    depth = seen.depth_mm[np.where(seen.seen.any(axis=1))[0][0] :]
    assert depth[10, 10] == 6 and depth[1, 1] == 1
    inside = raster.draw(vertices, faces, np.eye(3), 1.0, cull=True)
    assert inside.depth_mm[11, 11] == 6
    turned = raster.draw(vertices, faces[:, ::-1], np.eye(3), 1.0, cull=True)
    assert turned.depth_mm[11, 11] == 5, "with its faces turned inwards, a box shows its far wall"


def test_pixels_interpolate_what_vertices_have(wedge):
    axes = picture.axes_of("left", DESIGN_GRID)
    seen = raster.draw(wedge.vertices_mm, wedge.faces, axes, 10.0)
    x = seen.interpolate(wedge.faces, wedge.vertices_mm[:, :1])[:, 0]
    columns = np.nonzero(seen.seen)[1]
    assert np.allclose(x, seen.left_mm + 10.0 * columns, atol=0.01)


@pytest.mark.parametrize("convention", [DESIGN_GRID, ISO_8855])
def test_the_front_is_on_the_left_of_the_left_side(wedge, convention):
    vertices = wedge.vertices_mm.copy()
    if convention == ISO_8855:  # the same body, turned by 180 degrees about Z
        vertices[:, :2] *= -1
    scene = picture.Scene(surface.Surface(vertices, wedge.faces), convention, 100)
    view = scene.view("left")
    nose, tail = np.array([0, 0, 50]), np.array([2000, 0, 50])
    if convention == ISO_8855:
        nose, tail = -nose, -tail
    assert view.pixel_of(nose)[0] < view.pixel_of(tail)[0]
    assert view.pixel_of([0, 0, 90])[1] < view.pixel_of([0, 0, 10])[1]


def test_views_are_right_handed_and_face_their_names():
    for convention, forward in ((DESIGN_GRID, -1), (ISO_8855, 1)):
        for name in picture.VIEWS:
            axes = picture.axes_of(name, convention)
            assert np.allclose(np.cross(axes[0], axes[1]), axes[2])
        assert picture.axes_of("front", convention)[2][0] == forward
        left = -1 if convention == DESIGN_GRID else 1
        assert picture.axes_of("left", convention)[2][1] == left


def test_pictures_are_the_same_bytes_again(wedge):
    pictures = [picture.Scene(wedge, DESIGN_GRID, 120).view("top").png for _ in range(2)]
    assert pictures[0] == pictures[1] and pictures[0].startswith(b"\x89PNG")


def test_unknown_values_are_grey_and_ends_are_the_maps_ends():
    colours = picture.colours_of(np.array([0.0, 1.0, np.nan, 7.0]), 0.0, 1.0)
    assert np.allclose(colours[2], picture.UNKNOWN)
    assert np.array_equal(colours[1], colours[3])
    assert picture.bar()[0] == "#440154" and picture.bar()[-1] == "#fde725"  # ends of viridis, as published


def test_drawing_says_its_dimension_in_words_and_places_it(wedge):
    view = picture.Scene(wedge, DESIGN_GRID, 100).view("left")
    length = drawing.Line("Length", 2000.4, 0.62, np.array([0, 0, 0]), np.array([2000.0, 0, 0]), False)
    drawn = drawing.draw(
        view, "Left side", drawing.label(length), [length], [drawing.Mark(3, np.array([1000, 0, 50]))], 50.0
    )
    assert 'aria-label="Left side. Length 2\u202f000.40 \u00b1 0.62\u202fmm"' in drawn.svg
    assert drawn.svg.count("<polygon") == 2 and ">3</text>" in drawn.svg
    assert drawn.wide_mm > 2000


def test_names_are_escaped_in_drawings(wedge):
    view = picture.Scene(wedge, DESIGN_GRID, 60).view("top")
    assert "<script" not in drawing.draw(view, "<script>", '"').svg


def test_chart_says_its_values_and_leaves_out_what_was_not_measured():
    rows = [chart.Row("left & roof", (0.31, 0.12), (None, 0.02)), chart.Row("rear", (None, 0.2), (None, None))]
    text = chart.dots("Overlaps", rows, ("by targets", "with overlaps"))
    assert "left &amp; roof: 0.310, 0.120; rear: not measured, 0.200" in text
    assert text.count('class="first"') == 2 and text.count('class="second"') == 3  # one each in the key
    assert text.count('class="bar"') == 1

"""Pictures: what stands where, what hides what, and what a drawing says in words."""

import io

import numpy as np
import pytest
import trimesh
from PIL import Image

from nightbay.core.axes import DESIGN_GRID, ISO_8855
from nightbay.meshes import surface
from nightbay.report import chart, drawing, picture, raster, view_marks
from painted_area import painted_mm2, painted_over_filled


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
        view, "Left side", drawing.label(length), [length], [view_marks.Mark(3, np.array([1000, 0, 50]))], 50.0
    )
    assert 'aria-label="Left side. Length 2\u202f000.40 \u00b1 0.62\u202fmm. Front is to the left. ' in drawn.svg
    assert drawn.svg.count("<polygon") == 2 + 3 and ">3</text>" in drawn.svg  # of the line, two axes and the front
    assert drawn.wide_mm > 2000


def test_labels_of_short_dimensions_stay_within_the_drawing(wedge, browser):
    """A first digit that is cut off makes another value of it."""
    view = picture.Scene(wedge, DESIGN_GRID, 100).view("left")
    lines = [
        drawing.Line("Front overhang", 949.79, 0.24, np.array([low, 0, 0]), np.array([high, 0, 0]), False)
        for low, high in ((0.0, 100.0), (1900.0, 2000.0))
    ]
    drawn = drawing.draw(view, "Left side", "", lines, text_mm=80.0)
    page = browser.new_page()
    page.set_content(f"<style>text {{ font-size: var(--text) }}</style>{drawn.svg}")
    inside = page.evaluate(
        """() => { const all = document.querySelector("svg").getBoundingClientRect();
        return [...document.querySelectorAll("svg .dimension text")].map(text => text.getBoundingClientRect())
            .map(box => box.left >= all.left && box.right <= all.right) }"""
    )
    page.close()
    assert len(inside) == 4 and all(inside)


def test_names_are_escaped_in_drawings(wedge):
    view = picture.Scene(wedge, DESIGN_GRID, 60).view("top")
    assert "<script" not in drawing.draw(view, "<script>", '"').svg


def test_chart_says_its_values_and_leaves_out_what_was_not_measured():
    rows = [chart.Row("left & roof", (0.31, 0.12), (None, 0.02)), chart.Row("rear", (None, 0.2), (None, None))]
    text = chart.dots("Overlaps", rows, ("by targets", "with overlaps"))
    assert "left &amp; roof: 0.310, 0.120; rear: not measured, 0.200" in text
    assert text.count('class="first"') == 2 and text.count('class="second"') == 3  # one each in the key
    assert text.count('class="bar"') == 1


@pytest.mark.parametrize("square_mm", [9.0, 15.0, 30.0])
def test_filled_faces_take_as_much_of_a_picture_as_of_the_surface(square_mm):
    """1600 squares of 0.4 to 4 pixels on a plane of 4 m2; their corners belong to measured faces too.

    A drawn pixel is 5 mm: along an edge of 9 mm lie one or two of their centres, 1.8 on average with a standard
    deviation of 0.4. Over 40 columns and 40 rows that makes 5 % of the area; the limits are twice that.
    """
    starts = 50.0 * np.arange(40) + np.random.default_rng(5).uniform(1, 19, 40)
    ticks = np.unique(np.r_[0.0, starts, starts + square_mm, 2000.0])
    x, y = np.meshgrid(ticks, ticks)
    vertices = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]).astype(np.float32)
    row, column = (index.ravel() for index in np.indices((len(ticks) - 1, len(ticks) - 1)))
    first = row * len(ticks) + column
    halves = ((first, first + 1, first + len(ticks)), (first + 1, first + len(ticks) + 1, first + len(ticks)))
    faces = np.vstack([np.column_stack(corners) for corners in halves]).astype(np.int32)
    own = np.isin(ticks[:-1], starts)  # the columns and rows that hold a square
    filled = np.tile((own[:, None] & own).ravel(), 2)
    mesh = surface.Surface(vertices, faces, face={"filled": filled.astype(np.uint8)})
    colours = picture.colours_of(np.linspace(0, 1, len(vertices)), 0, 1)
    view = picture.Scene(mesh, DESIGN_GRID, 200).view("top", colours, filled, coarser=picture.MAP, shade=0.45)
    assert 0.9 < painted_over_filled([view], mesh) < 1.1
    assert 0.9 < painted_mm2(view) / (1600 * square_mm**2) < 1.1
    assert view.pixel_mm == pytest.approx(15, abs=0.1)


def test_area_true_keeps_the_sum_of_what_is_smaller_than_a_pixel():
    share = np.zeros((60, 60))
    share[::3, ::3] = 0.25
    assert picture.area_true(share).sum() == 100 and not picture.area_true(np.zeros((4, 5))).any()
    block = np.zeros((9, 9))
    block[2:6, 2:6] = 1
    block[6, 2:6] = 0.5
    painted = picture.area_true(block)
    assert painted[2:6, 2:6].all() and painted.sum() == 18 and painted[6, 2:6].sum() == 2


def test_backs_and_filled_faces_have_patterns_of_their_own():
    vertices, faces = box((0, -400, 0), (2000, 400, 100))
    mesh = surface.Surface(vertices, faces[:, ::-1])
    view = picture.Scene(mesh, DESIGN_GRID, 200).view("left")
    pixels = np.asarray(Image.open(io.BytesIO(view.png)).convert("RGB"))
    inside = pixels[pixels.shape[0] // 2, 20:-20].astype(int)
    dotted = pixels[pixels.shape[0] // 2 - 1 : pixels.shape[0] // 2 + 2, 20:-20]
    assert dotted.std() > 10 and inside.max() < 180


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("left", "Front (assumed) is to the left."),
        ("right", "Front (assumed) is to the right."),
        ("front", "Front (assumed) faces you."),
        ("rear", "Front (assumed) faces away."),
        ("top", "Front (assumed) is to the left."),
        ("oblique", "Front (assumed) is to the left."),
    ],
)
def test_each_view_says_where_the_front_the_axes_and_the_scale_are(wedge, name, words):
    scene = picture.Scene(wedge, DESIGN_GRID, 100, front="front (assumed)")
    strip, said = view_marks.strip(scene.view(name), 40.0)
    assert said.startswith(words) and "Scale bar" in said
    letters = {letter for letter in "XYZ" if f">{letter}</text>" in strip}
    hidden = {"left": "Y", "right": "Y", "front": "X", "rear": "X", "top": "Z", "oblique": ""}[name]
    assert letters == set("XYZ") - set(hidden)
    assert 'class="origin"' in strip


def test_an_unknown_front_is_said_and_a_far_origin_too(wedge):
    moved = surface.Surface(wedge.vertices_mm + np.float32(5000), wedge.faces)
    strip, said = view_marks.strip(picture.Scene(moved, DESIGN_GRID, 100, front=None).view("left"), 40.0)
    assert "front not known" in strip and 'class="origin"' not in strip
    assert "The front is not known." in said and "The origin lies outside this picture." in said


def test_scale_bars_are_round_and_true(wedge):
    assert [view_marks.round_length(value) for value in (999, 1000, 4.9, 0.2)] == [500, 1000, 2, 0.2]
    view = picture.Scene(wedge, DESIGN_GRID, 100).view("left")
    assert f"h{view_marks.round_length(0.35 * view.width * view.pixel_mm):.1f}" in view_marks.strip(view, 40.0)[0]


def test_marks_that_would_cover_each_other_stand_apart_with_leader_lines(wedge):
    view = picture.Scene(wedge, DESIGN_GRID, 100).view("left")
    marks = [view_marks.Mark(number, np.array([1000.0, 0, 300])) for number in range(1, 8)]
    anchors = [np.array(view_marks.position(view, mark.point_mm)) for mark in marks]
    bounds = np.array([view.width, view.height]) * view.pixel_mm
    centres = view_marks.placed(anchors, 30.0, bounds)
    apart = [np.hypot(*(a - b)) for row, a in enumerate(centres) for b in centres[:row]]
    assert min(apart) >= 2 * 30 and (np.array(centres) >= 30).all() and (np.array(centres) <= bounds - 30).all()
    svg = view_marks.numbers(view, marks, 40.0)
    assert svg.count('class="anchor"') == len(marks) - 1 and all(f">{mark.number}</text>" in svg for mark in marks)


def test_a_view_shows_the_boundary_points_that_nothing_covers(wedge):
    scene = picture.Scene(wedge, DESIGN_GRID, 300)
    points = np.array([[1000, -400, 300], [1000, 400, 300], [1000, -400, 5000], [2000, -400, 1100]])
    assert scene.visible("left", points).tolist() == [True, False, False, True]
    assert scene.visible("right", points).tolist() == [False, True, False, False]

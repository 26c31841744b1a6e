"""Sections as drawings: what the SVG holds, read back and compared with the polylines."""

import json
import re

import numpy as np
import pytest

from nightbay.core.axes import DESIGN_GRID, ISO_8855
from nightbay.frame.result import ZeroPlane
from nightbay.measure.result import Section
from nightbay.pipeline import typed
from nightbay.report import section_drawing
from nightbay.sections import svg
from report_pages import changed, check, page
from typed_results import made

ANGLES = np.linspace(0, 2 * np.pi, 721)
WEDGE = {"point_mm": [1.0, -20.0, 300.0], "across": [1.0, 0.0, 0.0], "up": [0.0, 0.6, 0.8]}
WEDGE_TITLE = "wedge, through X 1, Y \u221220, Z 300 mm, normal 0.000, \u22120.800, 0.600</figcaption>"
RING = np.column_stack([2000 + 1500 * np.cos(ANGLES), 700 + 600 * np.sin(ANGLES)])


def section(name="Y 0", axis="y", value_mm=0.0, points=RING, filled=(), **known):
    lines = [{"filled": False, "points_mm": np.round(points, 3).tolist()}] if len(points) else []
    lines += [{"filled": True, "points_mm": np.round(line, 3).tolist()} for line in filled]
    numbers = typed.write(made(Section, name=name, axis=axis, value_mm=value_mm, chord_mm=0.5, length_mm=1.0))
    return {**numbers, "order": None, "polylines": lines, **known}


def drawn_points(svg, kind):
    """Points of the outlines of a kind, (k, 2) each, to the right and up, mm."""
    scale = re.search(r'<g transform="scale\(([\d.]+) -\1\)"><path class="outline ' + kind + r'" d="([^"]+)"', svg)
    if scale is None:
        return []
    lines = []
    for line in scale.group(2).split("M")[1:]:
        first, moves = line.split("l")
        steps = np.array([int(value) for value in re.findall(r"-?\d+", moves)]).reshape(-1, 2)
        start = np.array([int(value) for value in first.split()])
        lines.append(float(scale.group(1)) * (start + np.vstack([[0, 0], np.cumsum(steps, axis=0)])))
    return lines


def off(points, line):
    """Largest distance of points, (k, 2), from a polyline."""
    a, b = line[:-1], line[1:]
    along = b - a
    share = np.einsum("kij,ij->ki", points[:, None] - a, along) / (along**2).sum(axis=1)
    nearest = a + np.clip(share, 0, 1)[..., None] * along
    return np.linalg.norm(points[:, None] - nearest, axis=2).min(axis=1).max()


@pytest.mark.parametrize(("convention", "sign"), [(DESIGN_GRID, 1), (ISO_8855, -1)])
def test_outlines_are_drawn_within_the_chord_with_the_front_on_the_left(convention, sign):
    svg = section_drawing.draw(section(), "Y = 0 mm", convention, "ground plane", 60.0).svg
    (line,) = drawn_points(svg, "measured")
    assert off(RING * [sign, 1], line) <= section_drawing.DRAWN_MM and len(line) < len(RING) / 3
    assert drawn_points(svg, "filled") == []


def test_no_text_of_a_section_is_cut_off(browser):
    """A coordinate may stand at the very edge of the grid."""
    for wide in np.linspace(940.0, 1010.0, 8):
        points = RING * [wide / 1500, 1.0] - [2000 * wide / 1500, 0.0]
        drawn = section_drawing.draw(section("X 250", "x", 250.0, points), "X = 250 mm", DESIGN_GRID, None, 60.0).svg
        page = browser.new_page(viewport={"width": 1200, "height": 900})
        page.set_content(f"<style>text {{ font-size: var(--text) }}</style>{drawn}")
        inside = page.evaluate(
            """() => { const all = document.querySelector("svg").getBoundingClientRect();
            return [...document.querySelectorAll("svg text")].map(text => text.getBoundingClientRect())
                .map(box => box.left >= all.left && box.right <= all.right) }"""
        )
        page.close()
        assert inside and all(inside), wide


def test_stations_are_seen_from_the_front_with_left_on_the_right():
    points = np.array([[-800.0, 100], [-800, 900], [700, 900]])  # low Y is the left side of the design grid
    svg = section_drawing.draw(section("X 250", "x", 250.0, points), "X = 250 mm", DESIGN_GRID, None, 60.0).svg
    assert np.allclose(drawn_points(svg, "measured")[0][0], [800, 100])
    assert 'class="centre"' in svg and 'class="ground"' not in svg and "seen from the front" in svg


def test_filled_stretches_are_a_path_of_their_own():
    gap = np.array([[2000.0, 1300], [2100, 1299]])
    svg = section_drawing.draw(section(filled=[gap]), "Y = 0 mm", DESIGN_GRID, None, 60.0).svg
    assert np.allclose(drawn_points(svg, "filled")[0], gap) and len(drawn_points(svg, "measured")) == 1


def test_grid_ground_and_scale_bar_are_where_their_numbers_say():
    svg = section_drawing.draw(section(), "Y = 0 mm", ISO_8855, "ground plane", 60.0).svg
    for x, text in re.findall(r'<path d="M(-?\d+) -?\d+V-?\d+"/><text[^>]*>([^<]+)</text>', svg):
        assert int(x) == -int(text.replace("\u202f", "").replace("\u2212", "-"))  # the picture's right is low X
    heights = re.findall(r'<path d="M-?\d+ (-?\d+)H-?\d+"/><text[^>]*>([^<]+)</text>', svg)
    assert len(heights) >= 2 and all(-int(y) == int(text.replace("\u202f", "")) for y, text in heights)
    assert re.search(r'class="ground" d="M-?\d+ 0H', svg) and "Z = 0: ground plane" in svg
    (bar,) = re.findall(r"h([\d.]+)m0", svg)
    assert f">{float(bar):,.0f}\u202fmm<".replace(",", "\u202f") in svg


def test_an_oblique_plane_is_drawn_in_its_own_coordinates():
    """Not mirrored for any frame, and without the line of the ground, which it does not hold."""
    wedge = section("wedge <1>", None, None, order="wedge <1>", **WEDGE)
    svg_text = section_drawing.draw(wedge, section_drawing.title_of(wedge), ISO_8855, "ground plane", 60.0).svg
    assert off(RING, drawn_points(svg_text, "measured")[0]) <= section_drawing.DRAWN_MM
    assert "across, up in mm" in svg_text and 'class="ground"' not in svg_text and "wedge &lt;1&gt;" in svg_text


def test_page_draws_what_the_job_sheet_orders_and_not_more_stations_than_it_holds(whole, tmp_path):
    ring = RING * [0.2, 1.0] - [400, 0]
    planes = [section(f"X {x}", "x", float(x), ring) for x in range(section_drawing.MOST_STATIONS + 1)]
    planes += [section("belt", "z", 900.0, order="belt", splines=3, spline_mm=0.15)]
    planes += [
        section("wedge", None, None, order="wedge", **WEDGE),
        section("far", "y", 9e3, RING[:0], order="far", length_mm=0.0),
    ]
    (tmp_path / "measure" / "sections.json").write_text(json.dumps({"sections": planes}))
    changed(whole, "measure", sections=[{key: plane[key] for key in Section.__annotations__} for plane in planes])
    result, html = page(whole, tmp_path / "page")
    check(html)
    assert "<figcaption>belt (Z = 900\u202fmm)</figcaption>" in html and WEDGE_TITLE in html
    assert "31 further stations</summary>" in html and "30 further stations are in the files only." in html
    assert "keep within 0.15\u202fmm of the outlines" in html
    sentence = "Section far of the job sheet meets no surface of the exterior: it is in no file and no drawing."
    assert [warning for warning in result["warnings"] if warning.startswith("Section")] == [sentence]


def test_steps_of_the_grid_are_round():
    assert [svg.round_step(value) for value in (90, 100, 101, 210, 501)] == [100, 100, 200, 500, 1000]


def test_names_are_escaped():
    assert "<i>" not in section_drawing.draw(section(), "<i>", DESIGN_GRID, "<i>", 60.0).svg


def test_page_shows_the_middle_and_the_axles_first_and_each_plane_once(whole, tmp_path):
    ring = RING * [0.2, 1.0] - [400, 0]
    planes = [
        section(filled=[RING[:20]]),
        *(section(f"X {x}", "x", float(x), ring) for x in (250, 400, 750)),
        section("X 1000", "x", 1000.0, RING[:0]),
        section("axle 1", "x", 400.1, ring),
    ]
    (tmp_path / "measure" / "sections.json").write_text(json.dumps({"sections": planes}))
    records = [{key: plane[key] for key in Section.__annotations__} for plane in planes]
    zero = made(ZeroPlane, found_by="ground plane", normal=np.array([0.0, 0, 1]))
    changed(whole, "measure", sections=records)
    changed(whole, "frame", zero_planes={axis: typed.write(zero) for axis in "xyz"})
    _, html = page(whole, tmp_path / "page")
    check(html)
    shown = re.findall(r"<figcaption>((?:X|Y|Axle)[^<]* = [^<]*)</figcaption>", html)
    assert shown == ["Y = 0\u202fmm", "Axle 1, X = 400\u202fmm", "X = 250\u202fmm", "X = 750\u202fmm"]
    folded = html[html.index("2 further stations") :]
    assert "X = 250\u202fmm</figcaption>" in folded and "Axle 1, X" not in folded
    assert "1 plane meets no surface." in html and "within 0.77\u202fmm of the surface" in html
    assert "filled, not measured</dd>" in html[html.index("<h3>Sections</h3>") :]

"""The files of sections: what they hold, read back by others, and the same bytes each time."""

import csv
import datetime
import xml.etree.ElementTree as ET

import ezdxf
import numpy as np
import pytest
import trimesh

import section_scenes
from nightbay.sections import dxf, svg, tables
from nightbay.sections.plane import axis_plane, oblique_plane

FACTS = [("frame", "vehicle frame: X rearward, Y right, Z up"), ("caution", "not measured where filled & dashed")]
OBLIQUE = oblique_plane("wedge <1> ä", np.array([3.0, -5.0, 11.0]), np.array([1.0, -2.0, 0.5]))
PLANES = [axis_plane("Y 0", 1, 0.25), axis_plane("beside", 0, 900.0), OBLIQUE]


@pytest.fixture(scope="module")
def made():
    """Sections of a ball whose cap is filled: open and closed outlines."""
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    return section_scenes.sections_of(mesh, PLANES, filled=mesh.triangles_center[:, 2] > 60)


def test_dxf_is_sound_and_holds_the_curves_in_place(made, tmp_path):
    dxf.write(tmp_path / "a.dxf", made, FACTS)
    document = ezdxf.readfile(tmp_path / "a.dxf")
    audit = document.audit()
    assert not audit.errors and not audit.fixes
    assert document.dxfversion == "AC1024" and document.units == ezdxf.units.MM  # R2010
    assert {document.layers.get(name).dxf.linetype for name in (dxf.MEASURED, dxf.SPLINES)} == {"CONTINUOUS"}
    assert document.layers.get(dxf.FILLED).dxf.linetype != "CONTINUOUS"
    assert ("caution", FACTS[1][1]) in [tuple(entry) for entry in document.header.custom_vars.properties]
    lines = section_scenes.dxf_lines(tmp_path / "a.dxf")
    assert set(lines) == {(layer, plane.name) for plane in (PLANES[0], OBLIQUE) for layer in (dxf.MEASURED, dxf.FILLED)}
    for (layer, name), found in lines.items():
        section = next(each for each in made if each.plane.name == name)
        kept = [line.points_mm for line in section.outlines if line.filled == (layer == dxf.FILLED)]
        for points, line in zip(found, kept, strict=True):
            assert points == pytest.approx(section.plane.in_space(line), abs=1e-4)


def test_splines_in_dxf_keep_to_the_ball_and_to_their_plane(made, tmp_path):
    dxf.write(tmp_path / "a.dxf", made, FACTS)
    splines = ezdxf.readfile(tmp_path / "a.dxf").query("SPLINE")
    assert {spline.dxf.layer for spline in splines} == {dxf.SPLINES} and len(splines) == sum(
        len(curves) for section in made for curves in section.curves.values()
    )
    for spline in splines:
        points = np.array(list(spline.flattening(0.01)))
        assert np.linalg.norm(points, axis=1) == pytest.approx(100.0, abs=0.2 + 0.3)  # the mesh's sagitta: 0.3
        assert min(np.abs((points - plane.point_mm) @ plane.normal).max() for plane in PLANES) < 2e-4


def test_the_same_sections_give_the_same_bytes_on_another_day(made, tmp_path, monkeypatch):
    class LaterDay(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(2031, 5, 6, 7, 8, 9, tzinfo=tz)

    def write_all(folder):
        folder.mkdir()
        dxf.write(folder / "a.dxf", made, FACTS)
        svg.write(folder / "a.svg", made, "Sections", FACTS)
        tables.write_points(folder / "a.csv", made)
        tables.write_planes(folder / "b.csv", made)
        return {path.name: path.read_bytes() for path in folder.iterdir()}

    first = write_all(tmp_path / "first")
    monkeypatch.setattr("ezdxf.document.datetime", LaterDay)
    assert write_all(tmp_path / "again") == first
    assert not ezdxf.options.write_fixed_meta_data_for_testing


def test_svg_stands_alone_true_to_scale_and_dashes_what_is_filled(made, tmp_path):
    svg.write(tmp_path / "a.svg", made, "Sections of job <larch>", FACTS)
    sheet = ET.parse(tmp_path / "a.svg").getroot()
    box = [float(value) for value in sheet.attrib["viewBox"].split()]
    assert sheet.attrib["width"] == f"{box[2]:.0f}mm" and sheet.attrib["height"] == f"{box[3]:.0f}mm"
    texts = [text.text for text in sheet.iter(f"{section_scenes.SVG}text")]
    assert "Sections of job <larch>" in texts and FACTS[1][1] in texts
    assert FACTS[1][1] in sheet.find(f"{section_scenes.SVG}desc").text
    assert any(text.startswith("wedge <1> ä: across to the right") for text in texts)
    assert ".filled{stroke:#d65e00;stroke-width:2.5;stroke-dasharray" in svg.STYLE
    lines = section_scenes.svg_lines(tmp_path / "a.svg")
    assert {name for _, name in lines} == {"Y 0", OBLIQUE.name}
    for (kind, name), found in lines.items():
        section = next(each for each in made if each.plane.name == name)
        kept = [line.points_mm for line in section.outlines if line.filled == (kind == "filled")]
        assert all(np.array_equal(points, line) for points, line in zip(found, kept, strict=True))


def rows_of(path):
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def test_tables_hold_every_point_and_every_plane(made, tmp_path):
    tables.write_points(tmp_path / "a.csv", made)
    rows = rows_of(tmp_path / "a.csv")
    assert len(rows) == sum(len(line.points_mm) for section in made for line in section.outlines)
    wedge = [row for row in rows if row["section"] == OBLIQUE.name and row["surface"] == "filled"]
    in_space = np.array([[float(row[f"{axis}_mm"]) for axis in "xyz"] for row in wedge])
    in_plane = np.array([[float(row["across_mm"]), float(row["up_mm"])] for row in wedge])
    assert OBLIQUE.in_space(in_plane) == pytest.approx(in_space, abs=1e-4) and in_space[:, 2].min() > 55
    tables.write_planes(tmp_path / "b.csv", made)
    planes = rows_of(tmp_path / "b.csv")
    assert [row["section"] for row in planes] == [plane.name for plane in PLANES]
    assert planes[1]["measured_mm"] == "0.000" and planes[1]["spline_deviation_mm"] == ""
    assert float(planes[2]["polyline_deviation_mm"]) == pytest.approx(made[2].chord_mm, abs=1e-4)


def test_dxf_lists_its_classes_in_an_order_that_hashes_do_not_change(made):
    names = [each.dxf.name for each in dxf._document(made, FACTS).classes]
    assert len(names) > 2 and names == sorted(names)

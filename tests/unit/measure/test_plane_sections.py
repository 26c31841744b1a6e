"""The sections that measure leaves: which planes, and the files for the customer."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import section_scenes
from nightbay.core import deliverables
from nightbay.measure import plane_sections
from nightbay.meshes import vertices

ORDERS = [
    {"name": "belt", "axis": "z", "value_mm": 20.0},
    {"name": "far", "axis": "y", "from_mm": 900.0, "to_mm": 1000.0, "pitch_mm": 50.0},
    {"name": "wedge", "point_mm": [0.0, 0.0, 0.0], "normal": [1.0, 1.0, 1.0]},
]


@pytest.fixture
def body():
    ball = section_scenes.surface_of(trimesh.creation.icosphere(subdivisions=4, radius=100.0))
    return SimpleNamespace(
        surface=ball,
        vertices_mm=ball.vertices_mm,
        areas=vertices.areas(ball),
        options=SimpleNamespace(station_step_mm=60.0, outline_mm=0.1, spline_mm=0.2),
        frame=SimpleNamespace(axes="iso_8855", axles=[SimpleNamespace(x_mm=10.0)]),
    )


def test_planes_of_every_part_and_of_the_job_sheet(body, tmp_path):
    made = plane_sections.write(body, "larch", "exterior", ORDERS, tmp_path)
    assert [section.name for section in made] == [
        "Y 0", "X -60", "X 0", "X 60", "axle 1", "belt", "far 900", "far 950", "far 1000", "wedge",
    ]  # fmt: skip
    assert [section.order for section in made][4:] == [None, "belt", "far", "far", "far", "wedge"]
    assert (made[-1].axis, made[-1].value_mm, made[5].axis, made[5].value_mm) == (None, None, "z", 20.0)
    assert made[5].length_mm == pytest.approx(2 * np.pi * np.sqrt(100**2 - 20**2), rel=2e-3)
    assert (made[5].outlines, made[5].closed, made[6].outlines, made[6].length_mm) == (1, 1, 0, 0.0)
    assert 0.0 < made[5].chord_mm <= 0.1 and 0.0 < made[5].spline_mm <= 0.2 and made[5].splines == 1
    record = json.loads((tmp_path / "sections.json").read_text())["sections"]
    assert [section["name"] for section in record] == [section.name for section in made]
    (line,) = record[5]["polylines"]
    assert line["closed"] and line["points_mm"][0] == line["points_mm"][-1]


def test_files_for_the_customer_say_what_they_hold(body, tmp_path):
    made = plane_sections.write(body, "larch", "exterior", ORDERS, tmp_path)
    files = deliverables.described(tmp_path)
    assert list(files) == ["section-planes.csv", "sections.csv", "sections.dxf", "sections.svg"]
    worst = max(section.chord_mm for section in made)
    assert f"polylines within {worst:.3f} mm of the surface's own outline, splines within" in files["sections.dxf"]
    for name in files:
        content = (tmp_path / deliverables.FOLDER / name).read_bytes()
        assert b"ISO 8855" in content or name.endswith(".csv")


def test_a_part_that_no_plane_meets_has_no_files(body, tmp_path):
    body.areas[:] = 0.0
    assert [section.name for section in plane_sections.write(body, "larch", "exterior", ORDERS[1:2], tmp_path)] == [
        "far 900", "far 950", "far 1000",
    ]  # fmt: skip
    assert deliverables.described(tmp_path) == {} and (tmp_path / "sections.json").is_file()

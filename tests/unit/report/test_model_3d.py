"""The 3D view's data, decoded again and compared with the mesh, and what the page holds of it."""

import base64
import gzip
import json
import re
import shutil

import numpy as np
import pytest
import trimesh

from nightbay.meshes import surface
from nightbay.pipeline import typed
from nightbay.reduce.result import Deviation, Distances
from nightbay.report import model_3d, picture
from report_pages import SETTINGS, changed, check, page


def ball(scale=(900.0, 2100.0, 400.0)):
    """A squashed ball far off the origin with every attribute, some faces filled and a vertex that no face uses."""
    mesh = trimesh.creation.icosphere(subdivisions=3)
    vertices = np.vstack([mesh.vertices * scale + (5000, -300, 700), [[9e9, 0, 0]]]).astype(np.float32)
    random = np.random.default_rng(1)
    count = len(vertices)
    return surface.Surface(
        vertices,
        mesh.faces.astype(np.int32),
        {
            "confidence": random.uniform(0, 1, count).astype(np.float32),
            "spread_mm": np.where(np.arange(count) % 5, random.uniform(0, 0.5, count), np.nan).astype(np.float32),
            **{name: random.integers(0, 256, count).astype(np.uint8) for name in ("red", "green", "blue")},
        },
        {"filled": (np.arange(len(mesh.faces)) % 7 == 0).astype(np.uint8)},
    )


def decoded(numbers, data):
    """Vertices, faces and values, read as the module's documentation says."""
    raw = gzip.decompress(data)
    count, faces = numbers["vertices"], numbers["faces"]
    grid = np.cumsum(np.frombuffer(raw, "<u2", 3 * count).reshape(3, count).astype(np.int64), axis=1) % 65536
    corners = np.cumsum(np.frombuffer(raw, "<i4", 3 * faces, 6 * count)).reshape(-1, 3)
    values = np.frombuffer(raw, np.uint8, -1, 6 * count + 12 * faces).reshape(-1, count)
    vertices = grid.T * numbers["step_mm"] + numbers["low_mm"]
    return vertices, corners, dict(zip(numbers["values"], values, strict=True))


def test_the_first_shading_is_the_scan_s_colour_only_where_most_has_one():
    few = np.where(np.arange(9) < 4, 90, 0).astype(np.uint8)
    for share, expected in ((few, False), (few[::-1] | few, True)):
        mesh = surface.Surface(
            np.zeros((9, 3), np.float32),
            np.zeros((0, 3), np.int32),
            {"red": share, "green": share * 0, "blue": share * 0},
        )
        assert model_3d._mostly_coloured(mesh) is expected
    assert not model_3d._mostly_coloured(surface.Surface(np.zeros((9, 3), np.float32), np.zeros((0, 3), np.int32)))


def test_a_mesh_comes_back_within_half_a_step_and_filled_faces_are_last():
    mesh = ball()
    numbers, data = model_3d.encode(mesh, 0.4)
    vertices, faces, values = decoded(numbers, data)
    assert numbers["step_mm"] == pytest.approx(4200 / 65535, rel=1e-3) and len(vertices) == len(mesh.vertices_mm) - 1
    filled = mesh.face["filled"].astype(bool)
    expected = np.concatenate([mesh.faces[~filled], mesh.faces[filled]])
    assert numbers["measured"] == np.count_nonzero(~filled)
    assert np.abs(vertices[faces] - mesh.vertices_mm[expected]).max() <= numbers["step_mm"] / 2 * 1.001
    assert np.abs(values["confidence"] / 255 - mesh.vertex["confidence"][:-1]).max() <= 0.5 / 255 + 1e-6
    known = np.isfinite(mesh.vertex["spread_mm"][:-1])
    assert (values["scatter"][~known] == model_3d.UNKNOWN).all() and values["scatter"][known].max() == 254
    off = values["scatter"][known] / 254 * 0.4 - np.minimum(mesh.vertex["spread_mm"][:-1][known], 0.4)
    assert np.abs(off).max() <= 0.2 / 254 + 1e-6
    assert np.array_equal(values["green"], mesh.vertex["green"][:-1])


def test_data_are_the_same_bytes_again_and_need_no_attributes():
    assert model_3d.encode(ball(), 0.4)[1] == model_3d.encode(ball(), 0.4)[1]
    mesh = ball()
    plain, data = model_3d.encode(surface.Surface(mesh.vertices_mm, mesh.faces), None)
    assert plain["values"] == [] and plain["measured"] == plain["faces"] == len(decoded(plain, data)[1])


def test_the_library_has_its_licence_and_can_stand_in_a_script():
    text = model_3d.library()
    assert "Three.js Authors" in text[:200] and "SPDX-License-Identifier: MIT" in text[:200]
    assert "WebGLRenderer" in text and "</script" not in text.lower() and "<!--" not in text
    assert text.count("\n") < 10, "nothing of the wheel's own viewer"


def test_a_trimesh_without_the_library_is_refused_with_what_to_do(monkeypatch):
    monkeypatch.setattr(model_3d, "VIEWER", model_3d.VIEWER.with_name("none.zip"))
    with pytest.raises(RuntimeError, match=r"none\.zip: trimesh .* carries no Three\.js .*requirements\.lock"):
        model_3d.library()


def header_of(html):
    return json.loads(re.search(r'<script type="application/json">(.*?)</script>', html, re.S).group(1))


def test_page_holds_the_view_its_picture_and_its_words(whole, tmp_path):
    level = whole["reduce"][0].result["levels"]["full"]
    off, nearer = (Distances(samples=9, max_mm=most, rms_mm=0.2, p95_mm=most / 2) for most in (1.25, 0.9))
    light = level | {"deviation": typed.write(Deviation(off, nearer, None))}
    changed(whole, "reduce", levels={"light": light})
    shutil.move(tmp_path / "reduce" / "full.ply", tmp_path / "reduce" / "light.ply")
    _, html = page(whole, tmp_path / "page")
    check(html)
    numbers = header_of(html)
    data = base64.b64decode(re.search(r'<script type="text/plain">(.*?)</script>', html, re.S).group(1))
    assert len(decoded(numbers, data)[1]) == numbers["faces"] == level["faces"]
    assert numbers["front"] == "front (assumed)" and numbers["backs"] and len(numbers["maps"]["scatter"]) == 256
    assert "within 0.62\u202fmm, the largest 1.25\u202fmm" in html
    for name in ("plain", "confidence", "scatter", "provenance"):
        assert f'<option value="{name}">' in html
    assert 'value="colour"' not in html and html.count("Three.js Authors") == 1
    assert "Exterior, oblique" in html and "Without JavaScript" in html


def test_the_full_surface_is_said_to_be_itself(whole, tmp_path):
    assert "It is the full surface itself." in page(whole, tmp_path / "page")[1]


def test_a_part_without_a_light_level_says_so_and_keeps_its_pictures(whole, tmp_path, monkeypatch):
    monkeypatch.setitem(SETTINGS["report"], "model_faces", 10)
    _, html = page(whole, tmp_path / "page")
    check(html)
    assert "No 3D view: the lightest level has more faces than the parameter report.model_faces allows" in html
    assert "Three.js" not in html and "Left side</figcaption>" in html


def test_vertices_without_a_coloured_point_are_grey():
    mesh = ball()
    mesh.vertex["red"][:], mesh.vertex["green"][:], mesh.vertex["blue"][:] = 0, 0, 0
    mesh.vertex["green"][3] = 1
    colours = picture.scan_colours(mesh)
    assert (colours[0] == picture.UNKNOWN).all() and colours[3].tolist() == [0, 1 / 255, 0]

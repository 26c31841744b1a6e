"""The files that go out: names, marks, checksums, the same bytes each time, and what is refused."""

import hashlib
import json
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import part_results
from nightbay.core import deliverables
from nightbay.core.errors import Rejected
from nightbay.core.version import version
from nightbay.deliver import deliver, formats
from nightbay.meshes import surface
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.reduce.result import Deviation, Distances, Level, ReduceResult


@pytest.fixture
def source(tmp_path):
    """What reduce leaves of a small box with two filled faces."""
    mesh = trimesh.creation.box((1000, 400, 300))
    folder = tmp_path / "reduce"
    folder.mkdir()
    filled = np.zeros(12, np.uint8)
    filled[:2] = 1
    box = surface.Surface(mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32), face={"filled": filled})
    for name in ("full", "light"):
        surface.write_ply(folder / f"{name}.ply", box)
    off = Distances(samples=9, max_mm=0.4, rms_mm=0.1, p95_mm=0.2)
    levels = {"full": Level(12, 8), "light": Level(12, 8, deviation=Deviation(off, off, None))}
    result = typed.write(ReduceResult(levels))
    return SimpleNamespace(folder=folder, job="larch", part="exterior", result=result)


def run(source, folder, wanted, axes="design_grid", measured=None):
    folder.mkdir()
    frame = typed.write(part_results.frame([0, 0, 0], [1, 1, 1], axes=axes))
    measure = SimpleNamespace(folder=measured or folder / "nothing measured")
    upstream = {"reduce": source, "frame": SimpleNamespace(result=frame), "measure": measure}
    return deliver.deliver(
        upstream, {}, settings({"deliver": {"formats": wanted, "safety_line": "Ask the shop first."}}), folder, 1
    )["deliverables"]


def test_what_measure_made_for_the_customer_is_handed_over_whole(source, tmp_path):
    measured = tmp_path / "measured"
    measured.mkdir()
    deliverables.describe(measured, "sections.csv", "plane sections, mm").write_bytes(b"a,b\n1,2\n")
    (measured / "deliverables" / "map.npy").write_bytes(bytes(range(256)))
    (measured / "sides.npy").write_bytes(b"not for the customer")
    run(source, tmp_path / "out", {"light": ["stl"]}, measured=measured)
    names = [line.split("  ")[1] for line in (tmp_path / "out" / "SHA256SUMS").read_text().splitlines()]
    made = ["larch-exterior-light.stl", "larch-exterior-map.npy", "larch-exterior-sections.csv"]
    assert names == sorted([*made, "README.txt"])
    assert (tmp_path / "out" / "larch-exterior-map.npy").read_bytes() == bytes(range(256))
    assert (tmp_path / "out" / "larch-exterior-sections.csv").read_bytes() == b"a,b\n1,2\n"
    lines = (tmp_path / "out" / "README.txt").read_text().splitlines()
    assert "larch-exterior-sections.csv: plane sections, mm" in lines and "larch-exterior-map.npy" in lines


def test_a_measured_file_of_the_name_of_a_model_is_a_fault(source, tmp_path):
    measured = tmp_path / "measured"
    measured.mkdir()
    deliverables.describe(measured, "light.stl", "not a model").write_bytes(b"x")
    with pytest.raises(ValueError, match=r"larch-exterior-light.stl: measure made a file of the name of a model"):
        run(source, tmp_path / "out", {"light": ["stl"]}, measured=measured)


def test_names_marks_and_checksums(source, tmp_path):
    rows = run(source, tmp_path / "out", {"light": ["glb", "obj", "ply", "stl"], "full": ["ply"]})
    assert [row["file"] for row in rows] == [
        "larch-exterior-full.ply",
        "larch-exterior-light.glb",
        "larch-exterior-light.obj",
        "larch-exterior-light.ply",
        "larch-exterior-light.stl",
    ]
    assert {row["format"]: row["units"] for row in rows} == {"ply": "mm", "glb": "m", "obj": "mm", "stl": "mm"}
    assert [row["marks"] for row in rows if row["format"] == "stl"] == [None]
    lines = (tmp_path / "out" / "SHA256SUMS").read_text().splitlines()
    assert len(lines) == 6
    for line in lines:
        digest, name = line.split("  ")
        assert hashlib.sha256((tmp_path / "out" / name).read_bytes()).hexdigest() == digest
    note = (tmp_path / "out" / "README.txt").read_text()
    assert note.index("Ask the shop first.") < note.index("brakes") < note.index("Local codes")
    assert "larch-exterior-light.stl: level light, 12 faces, units mm, filled faces are not marked" in note
    assert "Level light: 95 % within 0.2 mm and all 9 samples within 0.4 mm of the full surface." in note
    assert f"Made by Nightbay {version()}." in note


def test_same_bytes_again(source, tmp_path):
    wanted = {"light": ["glb", "obj", "ply", "stl"]}
    run(source, tmp_path / "a", wanted)
    run(source, tmp_path / "b", wanted)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_level_that_is_not_made_is_refused(source, tmp_path):
    with pytest.raises(Rejected) as told:
        run(source, tmp_path / "out", {"tiny": ["stl"]})
    assert str(told.value) == (
        "deliver.formats names the level tiny, which reduce does not make: it makes full, light; "
        "name one of them or add tiny to reduce.levels"
    )


def test_obj_has_the_filled_faces_in_their_group(source, tmp_path):
    run(source, tmp_path / "out", {"light": ["obj"]})
    lines = (tmp_path / "out" / "larch-exterior-light.obj").read_text().splitlines()
    at = lines.index("g filled")
    assert lines.index("g measured") < at and len(lines) - at - 1 == 2


@pytest.mark.parametrize(
    ("axes", "told", "turned"),
    [
        ("design_grid", "vehicle frame: X rearward, Y right, Z up", True),
        ("iso_8855", "vehicle frame, ISO 8855: X forward, Y left, Z up", True),
        ("as_scanned", "frame of the scan, without meaning", False),
    ],
)
def test_every_file_says_its_frame(source, tmp_path, axes, told, turned):
    run(source, tmp_path / "out", {"light": ["glb", "obj", "ply", "stl"]}, axes)
    for path in (tmp_path / "out").iterdir():
        assert path.name == "SHA256SUMS" or told.encode() in path.read_bytes(), path.name
    glb = (tmp_path / "out" / "larch-exterior-light.glb").read_bytes()
    assert (b'"rotation"' in glb) == turned
    read = surface.read_ply(tmp_path / "out" / "larch-exterior-light.ply")
    assert len(read.faces) == 12 and read.face["filled"].sum() == 2


def test_long_stl_comment_is_refused(source, tmp_path):
    mesh = surface.read_ply(source.folder / "full.ply")
    for comment in ("x" * 81, "solid box"):
        with pytest.raises(ValueError, match="STL header"):
            formats.write_stl(tmp_path / "x.stl", mesh, comment)


def test_colours_stand_in_ply_as_exported_and_in_glb_as_linear_light(source, tmp_path):
    """ISO/IEC 12113 (glTF 2.0): COLOR_0 is linear. Read by trimesh and from the accessor itself."""
    bare = surface.read_ply(source.folder / "light.ply")
    bytes_ = np.random.default_rng(1).integers(0, 256, (8, 3)).astype(np.uint8)
    bytes_[0], bytes_[1] = (255, 128, 0), (3, 2, 1)
    columns = dict(zip(("red", "green", "blue"), bytes_.T, strict=True))
    surface.write_ply(source.folder / "light.ply", surface.Surface(bare.vertices_mm, bare.faces, columns, bare.face))
    run(source, tmp_path / "out", {"light": ["glb", "ply"]})
    ply = trimesh.load(tmp_path / "out" / "larch-exterior-light.ply", process=False)
    assert np.array_equal(ply.visual.vertex_colors[:, :3], bytes_)
    encoded = bytes_ / 255.0
    light = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    glb = (tmp_path / "out" / "larch-exterior-light.glb").read_bytes()
    size = int.from_bytes(glb[12:16], "little")
    document, buffer = json.loads(glb[20 : 20 + size]), glb[20 + size + 8 :]
    measured, filled = document["meshes"][0]["primitives"]
    assert "COLOR_0" not in filled["attributes"]
    accessor = document["accessors"][measured["attributes"]["COLOR_0"]]
    assert (accessor["componentType"], accessor["type"]) == (5126, "VEC3")
    view = document["bufferViews"][accessor["bufferView"]]
    raw = np.frombuffer(buffer, "<f4", 3 * accessor["count"], view["byteOffset"]).reshape(-1, 3)
    assert raw == pytest.approx(light, abs=2.0**-24)  # float32 below 1
    scene = trimesh.load(tmp_path / "out" / "larch-exterior-light.glb", process=False, skip_materials=True)
    coloured = [mesh for mesh in scene.geometry.values() if mesh.visual.kind == "vertex"]
    assert len(coloured) == 1
    assert np.abs(coloured[0].visual.vertex_colors[:, :3] - 255 * light).max() <= 1.0  # trimesh holds bytes

"""Readers of raw exports: what holds for all formats."""

import laspy
import numpy as np
import pytest

import e57_files
from nightbay import readers
from raw_exports import COUNT, POINTS, refusal, sphere, write_ply


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("a.ply", "does not begin with 'ply', so it is not a PLY file"),
        ("a.e57", "does not begin with 'ASTM-E57', so it is not an E57 file"),
        ("a.las", "does not begin with 'LASF', so it is not a LAS or LAZ file"),
        ("a.laz", "does not begin with 'LASF', so it is not a LAS or LAZ file"),
        ("a.stl", "does not begin with 'solid', so it is not an STL mesh"),
        ("a.obj", "holds no vertices (no line begins with 'v'), so it is not an OBJ mesh"),
    ],
)
def test_wrong_magic_and_empty_files(tmp_path, name, sentence):
    (tmp_path / name).write_bytes(b"something else\n")
    assert sentence in refusal(tmp_path / name)
    (tmp_path / name).write_bytes(b"")
    assert refusal(tmp_path / name) == f"{name} is empty (0 bytes): copy or export it again."


def test_formats_that_are_not_read_and_columns_that_do_not_apply(tmp_path):
    (tmp_path / "a.doc").write_text("x")
    assert "the format '.doc' is not read; export it as PLY, E57" in refusal(tmp_path / "a.doc")
    (tmp_path / "a.ply").write_text("ply\n")
    assert "only delimited text has them" in refusal(tmp_path / "a.ply", ["x", "y", "z"])


def test_blocks_are_bounded_and_numbered(tmp_path, monkeypatch):
    las = laspy.LasData(laspy.LasHeader(point_format=3, version="1.2"))
    las.x, las.y, las.z = POINTS[0].T
    las.write(tmp_path / "a.las")
    las.write(tmp_path / "a.laz")
    e57_files.write(tmp_path / "a.e57", e57_files.places(POINTS[0]))
    for module in ("ply", "text", "las", "e57", "obj", "stl"):
        monkeypatch.setattr(f"nightbay.readers.{module}.MOST", 120)
    write_ply(tmp_path / "a.ply", "<", "f4", POINTS[0])
    write_ply(tmp_path / "b.ply", "ascii", "f4", POINTS[0])
    np.savetxt(tmp_path / "a.xyz", POINTS[0])
    sphere().export(tmp_path / "a.obj")
    sphere().export(tmp_path / "a.stl")
    sphere().export(tmp_path / "b.stl", file_type="stl_ascii")
    for path in sorted(tmp_path.iterdir()):
        first = 1
        for block in readers.blocks(path, path.name):
            assert len(block.xyz) <= 120 and block.first == first
            first += len(block.xyz)
        assert first - 1 == {".obj": 642, ".stl": 3840}.get(path.suffix, COUNT), path.name

"""PLY exports give back what was written, and damage is said in one sentence."""

from pathlib import Path

import numpy as np
import pymeshlab
import pytest

from nightbay import readers
from raw_exports import POINTS, read, refusal, write_ply

RANGE_MAP = Path(pymeshlab.__file__).parent / "tests/sample_meshes/rangemaps/face000.ply"
XYZ = "property float x\nproperty float y\nproperty float z\n"


@pytest.mark.parametrize("order", ["<", ">", "ascii"])
@pytest.mark.parametrize("kind", ["f4", "f8"])
def test_ply_in_every_order_and_precision(tmp_path, order, kind):
    write_ply(tmp_path / "a.ply", order, kind, *POINTS)
    xyz, normal, colour, invalid = read(tmp_path / "a.ply")
    # Half a step of a float32 at 2000 is 6e-5; the text has nine digits, the same or less.
    assert np.abs(xyz - POINTS[0]).max() < (1e-4 if kind == "f4" or order == "ascii" else 1e-12)
    assert np.abs(normal - POINTS[1]).max() < 1e-6
    assert np.array_equal(colour, POINTS[2])
    assert invalid == 0


@pytest.mark.parametrize("order", ["<", ">", "ascii"])
def test_ply_with_elements_before_the_vertices(tmp_path, order):
    head = "comment any\nelement camera 2\nproperty float view\nproperty list uchar int marks\n"
    little = "<" if order == "ascii" else order
    before = b"".join(
        np.array([1.5], little + "f4").tobytes() + bytes([2]) + np.array([7, 8], little + "i4").tobytes() for _ in "ab"
    )
    if order == "ascii":
        before = b"1.5 2 7 8\n1.5 2 7 8\n"
    write_ply(tmp_path / "a.ply", order, "f4", POINTS[0], before=before, head=head)
    assert np.abs(read(tmp_path / "a.ply")[0] - POINTS[0]).max() < 1e-4


@pytest.mark.parametrize("name", ["time", "Timestamp", "gps_time", "frame"])
@pytest.mark.parametrize(("kind", "word"), [("<f8", "double"), ("<u4", "uint")])
def test_ply_times(tmp_path, name, kind, word):
    records = np.zeros(len(POINTS[0]), [("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("time", kind)])
    records["time"] = 1000 + np.arange(len(records)) // 7
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(records)}\n{XYZ}property {word} {name}\n"
    (tmp_path / "a.ply").write_bytes(f"{head}end_header\n".encode() + records.tobytes())
    time = np.concatenate([block.time for block in readers.blocks(tmp_path / "a.ply", "a.ply")])
    assert time.dtype == np.float64 and np.array_equal(time, records["time"])


def test_ply_without_times_has_none(tmp_path):
    write_ply(tmp_path / "a.ply", "<", "f4", POINTS[0])
    assert all(block.time is None for block in readers.blocks(tmp_path / "a.ply", "a.ply"))


def test_a_real_range_map_gets_its_normals_from_its_faces():
    """A range map as pymeshlab's wheel carries it: 85,849 points, an element 'camera' first. The camera stood at the
    origin, so that every face it saw is turned towards it."""
    xyz, normal, colour, _ = read(RANGE_MAP)
    assert xyz.shape == (85849, 3) and colour is None
    assert xyz.min(axis=0) == pytest.approx([-74.798, -98.866, -883.528], abs=1e-3)
    used = np.any(normal != 0, axis=1)
    assert used.mean() > 0.99
    assert np.linalg.norm(normal[used], axis=1) == pytest.approx(1, abs=1e-5)
    assert np.mean(np.sum(normal[used] * -xyz[used], axis=1) > 0) > 0.999


@pytest.mark.parametrize("order", ["<", ">", "ascii"])
def test_a_ply_that_promises_more__than_it_holds(tmp_path, order):
    write_ply(tmp_path / "a.ply", order, "f4", POINTS[0])
    whole = (tmp_path / "a.ply").read_bytes()
    (tmp_path / "a.ply").write_bytes(whole.replace(b"vertex 500", b"vertex 501"))
    assert "its header promises 501 points, the file holds" in refusal(tmp_path / "a.ply")
    (tmp_path / "a.ply").write_bytes(whole[:-3])
    assert "it was cut short" in refusal(tmp_path / "a.ply")
    (tmp_path / "a.ply").write_bytes(whole.replace(b"vertex 500", b"vertex 900000000"))
    assert "its header promises 900000000 points, the file holds at most" in refusal(tmp_path / "a.ply")


@pytest.mark.parametrize(
    ("head", "sentence"),
    [
        ("ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\n", "its header has no end ('end_header')"),
        (f"ply\nelement vertex 1\n{XYZ}end_header\n", "its header has no line 'format'"),
        ("ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nend_header\n1\n", "no vertices with x, y and z"),
        ("ply\nformat ascii 1.0\nelement vertex no\n", "the line 'element vertex no' of its header is not PLY"),
        ("ply\nformat ascii 1.0\nelement vertex 1\nproperty long x\n", "the line 'property long x' of its header"),
        ("ply\nformat middle_endian 1.0\n", "the line 'format middle_endian 1.0' of its header is not PLY"),
        (
            f"ply\nformat ascii 1.0\nelement vertex 0\n{XYZ}end_header\n",
            "holds no points (element vertex 0)",
        ),
        (
            f"ply\nformat ascii 1.0\nelement vertex 1\n{XYZ}end_header\n1 2 three\n",
            "its points can't be read as numbers after point 0 (could not convert string 'three' to float64",
        ),
    ],
)
def test_ply_headers_and_rows_that_are_wrong(tmp_path, head, sentence):
    (tmp_path / "a.ply").write_text(head)
    assert sentence in refusal(tmp_path / "a.ply")

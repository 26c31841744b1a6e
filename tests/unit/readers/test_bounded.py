"""Exports whose reading ends its process or takes too much: refused in one sentence, whatever the cause."""

import numpy as np
import pytest

import mutants
from nightbay.core import child_process
from nightbay.core.child_process import Bounds, Died
from nightbay.core.errors import Rejected
from nightbay.intake import raw_store
from nightbay.readers import bounded, mesh_file


@pytest.mark.parametrize(
    ("cause", "detail", "sentence"),
    [
        (
            "memory",
            "bad_alloc",
            "a.las needs more than 300 MB of memory to be read, more than a file of its size may: ",
        ),
        ("time", "SIGXCPU", "a.las could not be read in 60 s, long enough for a file of its size: it is damaged, "),
        ("output", "", "a.las unpacks to more than 100 MB, more than a file of its size may: it is damaged, "),
        (
            "signal",
            "SIGSEGV",
            "a.las could not be read: the reader was ended by SIGSEGV, as a rule because the file is",
        ),
        ("fault", "KeyError: 'x'", "a.las could not be read because of a fault in Nightbay (KeyError: 'x'): export it"),
    ],
)
def test_a_reader_that_dies(tmp_path, monkeypatch, cause, detail, sentence):
    def die(function, arguments, bounds):
        raise Died(cause, detail)

    (tmp_path / "a.las").write_bytes(b"LASF")
    monkeypatch.setattr(child_process, "call", die)
    with pytest.raises(Rejected) as caught:
        bounded.call("any:thing", tmp_path / "a.las", "a.las", {})
    assert str(caught.value).startswith(sentence) and str(caught.value).endswith(".")


def test_bounds_grow_with_the_file():
    assert bounded.bounds(0) == Bounds(300_000_000, 100_000_000, 60)
    assert bounded.bounds(10**9) == Bounds(4_300_000_000, 50_100_000_000, 2060)


def test_an_export_is_read_within_bounds_and_refused_beyond_them(tmp_path, monkeypatch):
    (tmp_path / "a.xyz").write_text("1 2 3\n4 5 6\n")
    stored = raw_store.read(tmp_path / "a.xyz", "a.xyz", None, "cm", tmp_path)
    assert stored.column("xyz").tolist() == [[10, 20, 30], [40, 50, 60]]
    assert (stored.low_mm.tolist(), stored.high_mm.tolist(), stored.columns) == ([10, 20, 30], [40, 50, 60], ())
    monkeypatch.setattr(bounded, "MEMORY", 30_000_000)
    with pytest.raises(Rejected, match=r"^a\.xyz needs more than 30 MB of memory to be read"):
        raw_store.read(tmp_path / "a.xyz", "a.xyz", None, "mm", tmp_path)


@pytest.mark.parametrize("name", ["quads.ply", "ascii-quads.ply", "triangles.obj", "triangles.stl", "text.stl"])
def test_a_mesh_is_read_within_bounds_too(tmp_path, monkeypatch, name):
    sample = next(sample for sample in mutants.exports(tmp_path) if sample.name == name)
    (tmp_path / name).write_bytes(sample.content)
    xyz, quads = mutants.grid()
    found, faces = mesh_file.read(tmp_path / name, name)
    assert len(faces) == 2 * len(quads)
    assert (
        np.abs(
            found[faces].mean(axis=(0, 1)) - xyz[np.concatenate([quads[:, :3], quads[:, [0, 2, 3]]])].mean(axis=(0, 1))
        ).max()
        < 1e-3
    )
    monkeypatch.setattr(bounded, "MEMORY", 30_000_000)
    with pytest.raises(Rejected, match=r"needs more than 3[01] MB of memory to be read"):
        mesh_file.read(tmp_path / name, name)


def test_a_mesh_with_a_vertex_too_far_away(tmp_path):
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1e13 0\nf 1 2 3\n")
    with pytest.raises(
        Rejected, match=r"a\.obj holds a coordinate that is no number or larger than 1e\+12: it was damaged"
    ):
        mesh_file.read(tmp_path / "a.obj", "a.obj")

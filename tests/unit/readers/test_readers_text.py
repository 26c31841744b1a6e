"""Delimited text in its many layouts, and what of it can not be read, in one sentence."""

import numpy as np
import pytest

from raw_exports import POINTS, read, refusal


@pytest.mark.parametrize(
    ("text", "columns"),
    [
        ("1 2 3\n4 5 6\n", None),
        ("x,y,z\n1,2,3\n4,5,6\n", None),
        ("# X [mm]; Y [mm]; Z [mm]\n1;2;3\n4;5;6\n", None),
        ("2\n1\t2\t3\n4\t5\t6\n", None),
        ("\ufeffx y z\n\n1 2 3\n4 5 6", None),
        ("intensity,z,y,x\n9,3,2,1\n9,6,5,4\n", None),
        ("7 1 2 3 8\n7 4 5 6 8\n", ["-", "x", "y", "z", "-"]),
        ("P1 1 2 3\nP2 4 5 6\n", None),
        ("head line\nanother\n1 2 3\n4 5 6\n", ["x", "y", "z"]),
    ],
)
@pytest.mark.parametrize("end", [".xyz", ".csv", ".asc", ".txt"])
def test_delimited_text_in_its_many_layouts(tmp_path, text, columns, end):
    (tmp_path / f"a{end}").write_text(text, encoding="utf-8")
    xyz, normal, colour, _ = read(tmp_path / f"a{end}", columns)
    assert xyz.tolist() == [[1, 2, 3], [4, 5, 6]]
    assert normal is None and colour is None


def test_text_with_normals_or_colour_by_header_and_by_value(tmp_path):
    xyz, normal, colour = POINTS
    np.savetxt(tmp_path / "n.asc", np.column_stack([xyz, normal]), fmt="%.6f")
    np.savetxt(tmp_path / "c.asc", np.column_stack([xyz, colour]), fmt="%.6f")
    np.savetxt(tmp_path / "h.csv", np.column_stack([xyz, colour, normal]), fmt="%.6f", delimiter=",", comments="",
               header="x,y,z,r,g,b,nx,ny,nz")  # fmt: skip
    for name, has_normal, has_colour in (("n.asc", 1, 0), ("h.csv", 1, 1)):
        got = read(tmp_path / name)
        assert np.abs(got[0] - xyz).max() < 1e-6
        assert (got[1] is not None, got[2] is not None) == (bool(has_normal), bool(has_colour))
        assert np.abs(got[1] - normal).max() < 2e-6
    assert np.array_equal(read(tmp_path / "h.csv")[2], colour)
    np.savetxt(tmp_path / "c.asc", np.column_stack([xyz, colour]), fmt=["%.3f"] * 3 + ["%d"] * 3)
    assert np.array_equal(read(tmp_path / "c.asc")[2], colour)


@pytest.mark.parametrize(
    ("text", "columns", "sentence"),
    [
        ("1,5;2,5;3,5\n", None, "line 1: '1,5;2,5;3,5' has commas as decimal marks, which look the same as"),
        ("1,5 2,5 3,5\n", None, "has commas as decimal marks"),
        ("x;y;z\n1,5;2,5;3,5\n", None, "line 2: '1,5;2,5;3,5' has commas as decimal marks"),
        ("1,5,2,5,3,5\n2,5,3,5,4,5\n", None, "what its 6 columns hold is not clear without a header"),
        ("1 2 3 4\n1 2 3 4\n", None, "what its 4 columns hold is not clear without a header: name them"),
        ("east,north,up\n1,2,3\n", None, "line 1: the header 'east,north,up' names no columns x, y and z"),
        ("x y z\n", None, "holds no row of numbers"),
        ("x y z\n1 2 3\n4 a 6\n", None, "line 3, column 2 (y): 'a' is not a number: export it again."),
        (
            "1 2 3\n4 5\n",
            None,
            "line 2: 2 columns are there, 3 are needed (x, y, z): the file was cut short or damaged",
        ),
        ("5\n1 2 3\n4 5 6\n", None, "its first line promises 5 points, the file holds 2: it was cut short"),
        ("1 2 3\n", ["x", "y", "z", "-"], "3 columns are there, 4 are needed (x, y, z, -)"),
        ("1 2 3\n", ["x", "y", "y"], "hold 2 times 'y'; exactly one is needed."),
        ("", None, "is empty (0 bytes): copy or export it again."),
    ],
)
def test_text_that_can_not_be_read(tmp_path, text, columns, sentence):
    (tmp_path / "a.txt").write_text(text)
    assert sentence in refusal(tmp_path / "a.txt", columns)


def test_text_that_is_none(tmp_path):
    (tmp_path / "a.xyz").write_bytes(bytes(range(256)))
    assert "is not text in UTF-8" in refusal(tmp_path / "a.xyz")

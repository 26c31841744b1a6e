"""Lists of targets: layouts that are read, and the sentence for each that is not."""

import numpy as np
import pytest

from nightbay.core.errors import Rejected
from nightbay.matching import targets
from nightbay.planning.raw_files import Hashes


@pytest.fixture
def read(tmp_path):
    """A function that writes a list and reads it."""

    def go(text, units="mm", columns=None, unreadable=None):
        (tmp_path / "t.csv").write_text(text, encoding="utf-8")
        return targets.read(
            {"file": "t.csv", **Hashes(tmp_path).of("t.csv"), "units": units, "columns": columns}
            | ({"unreadable": unreadable} if unreadable else {}),
            day=tmp_path,
        )

    return go


@pytest.mark.parametrize(
    ("text", "columns", "ids"),
    [
        ("1,2,3\n4,5,6\n", None, None),
        ("1 2 3\n4 5 6\n", None, None),
        ("2\n1 2 3\n4 5 6\n", None, None),
        ("# made in the hall\nx;y;z\n1;2;3\n4;5;6\n", None, None),
        ("11 1 2 3\n12 4 5 6\n", None, ["11", "12"]),
        ("A1 1 2 3\nA1b 4 5 6\n", None, ["A1", "A1b"]),
        ("id\tx\ty\tz\n007\t1\t2\t3\n008\t4\t5\t6\n", None, ["007", "008"]),
        ("3 2 1 9 a\n6 5 4 9 b\n", ["z", "y", "x", "-", "id"], ["a", "b"]),
    ],
)
def test_layouts(read, text, columns, ids):
    got = read(text, columns=columns)
    assert got.xyz_mm.tolist() == [[1, 2, 3], [4, 5, 6]]
    assert got.xyz_mm.dtype == np.float64
    assert got.id == ids
    assert got.normal is None and got.diameter_mm is None
    assert len(got) == 2


@pytest.mark.parametrize(("units", "scale"), [("mm", 1), ("cm", 10), ("m", 1000), ("inch", 25.4)])
def test_units_scale_places_and_diameters_but_not_normals(read, units, scale):
    got = read("id x y z nx ny nz diameter\nA 1 2 3 0 0 0.999 0.25\n", units=units)
    assert got.xyz_mm == pytest.approx(np.array([[1, 2, 3]]) * scale)
    assert got.diameter_mm == pytest.approx([0.25 * scale])
    assert got.normal == pytest.approx(np.array([[0, 0, 1]]))


def test_normals_are_recognised_by_their_length(read):
    assert read("1 2 3 0.6 0 0.8\n4 5 6 0 -1 0\n").normal == pytest.approx(np.array([[0.6, 0, 0.8], [0, -1, 0]]))


def test_the_digits_of_far_coordinates_are_kept(read):
    assert read("4157222.543 664789.307 4774952.099\n", units="m").xyz_mm[0] == pytest.approx(
        [4157222543.0, 664789307.0, 4774952099.0], abs=1e-6
    )


@pytest.mark.parametrize(
    ("text", "units", "sentence"),
    [
        ("id x y z\n1 2 3 abc\n", "mm", "line 2, column 4 (z): 'abc' is not a number: correct it."),
        ("x,y,z\n1,2,3\n\n4,,6\n", "mm", "line 4, column 2 (y): '' is not a number"),
        ("1 2 3\n4 nan 6\n", "mm", "line 2, column 2 (y): 'nan' is not a number"),
        ("1 2 3\n4 inf 6\n", "mm", "line 2, column 2 (y): 'inf' is not a number"),
        ("1 2 3\n4 5\n", "mm", "line 2: 2 columns are there, 3 are needed (x, y, z): the file was cut short"),
        ("1,5;2,5;3,5\n", "mm", "has commas as decimal marks"),
        ("", "mm", "is empty: export the list of targets again."),
        ("x y z\n", "mm", "holds no row of numbers"),
        ("4\n1 2 3\n", "mm", "its first line promises 4 targets, 1 are there"),
        ("x [m],y [m],z [m]\n1,2,3\n", "mm", "its header gives m, the job sheet mm: correct the one"),
        ("x_mm,y_mm,z_mm\n1,2,3\n", "inch", "its header gives mm, the job sheet inch"),
        ("x y z nx ny nz\n1 2 3 0 0 0.1\n", "mm", "target 1: its normal has the length 0.1; 1 is needed"),
        ("1 2 3 4 5\n", "mm", "what its 5 columns hold is not clear without a header"),
    ],
)
def test_lists_that_can_not_be_read(read, text, units, sentence):
    with pytest.raises(Rejected) as caught:
        read(text, units=units)
    assert str(caught.value).startswith("t.csv") and sentence in str(caught.value)


def test_the_reason_why_a_file_is_missing_is_passed_on(read):
    with pytest.raises(Rejected, match="^van/t.csv does not exist: put it there."):
        read("1 2 3\n", unreadable="van/t.csv does not exist: put it there.")

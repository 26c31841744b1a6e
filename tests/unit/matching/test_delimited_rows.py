"""Rows and headers of delimited text: every field stands in its column, or the file is refused."""

import numpy as np
import pytest

from nightbay import readers
from nightbay.core.errors import Rejected
from nightbay.matching import targets
from nightbay.planning.raw_files import Hashes
from raw_exports import read, refusal


def listed(tmp_path, text, units="mm", columns=None):
    """The targets of a list with this text."""
    (tmp_path / "t.csv").write_text(text, encoding="utf-8")
    return targets.read({"file": "t.csv", **Hashes(tmp_path).of("t.csv"), "units": units, "columns": columns}, tmp_path)


def refused(tmp_path, text, **options):
    with pytest.raises(Rejected) as caught:
        listed(tmp_path, text, **options)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "ids"),
    [
        ('id,x,y,z\n"T,5",188.4,355.2,7\n"T,6",1,2,3\n', ["T,5", "T,6"]),
        ('"T;5";188.4;355.2;7\n"T;6";1;2;3\n', ["T;5", "T;6"]),
        ('id x y z\n"T 5"  188.4 355.2 7\nT6 1 2 3\n', ["T 5", "T6"]),
        ("id,x,y,z\nT5,188.4,355.2,7,,\nT6,1,2,3\n", ["T5", "T6"]),
        ("id,x,y,z,\nT5,188.4,355.2,7,\nT6,1,2,3,\n", ["T5", "T6"]),
        ("T5,188.4,355.2,7,\nT6,1,2,3,\n", ["T5", "T6"]),
        ("id\tx\ty\tz\n\t188.4\t355.2\t7\nT6\t1\t2\t3\n", ["", "T6"]),
        ("id x y z\nT#5 188.4 355.2 7 # seen twice\nT6 1 2 3\n", ["T#5", "T6"]),
        (",x,y,z\n4,188.4,355.2,7\n4,1,2,3\n", None),
        ("id,,x,y,z\nT5,wheel,188.4,355.2,7\nT6,sill,1,2,3\n", ["T5", "T6"]),
    ],
)
def test_every_field_of_a_target_stands_in_its_column(tmp_path, text, ids):
    got = listed(tmp_path, text)
    assert got.xyz_mm.tolist() == [[188.4, 355.2, 7], [1, 2, 3]]
    assert got.id == ids


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("id,x,y,z\nA,1,2,3\nT,5,188.4,355.2,0\n", "t.csv, line 3: 5 columns are there, 4 are expected (id, x, y, z)"),
        ("id x y z\nT 5 188.4 355.2 0\n", "t.csv, line 2: 5 columns are there, 4 are expected (id, x, y, z)"),
        ("# Format: x y z\n9 1 2 3\n8 4 5 6\n", "t.csv, line 2: 4 columns are there, 3 are expected (x, y, z)"),
    ],
)
def test_a_row_with_more_fields_than_columns_is_refused(tmp_path, text, sentence):
    assert sentence in refused(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "columns", "sentence"),
    [
        ("x,y,z\n1,2,3\n4,5,6,7\n", None, "line 3: 4 columns are there, 3 are expected (x, y, z)"),
        ("x y z\n1 2 3\n\n4 5 6 7\n", None, "line 4: 4 columns are there, 3 are expected"),
        ("x,y,z\n1,5,2,5,3,5\n", None, "line 2: 6 columns are there, 3 are expected"),
        ("x,y,z,intensity\n1,2,3,9\n4,5,6.1\n", None, "line 3: 3 columns are there, 4 are needed"),
        ("1 2 3 9\n4 5 6.1\n", ["x", "y", "z"], "line 2: 3 columns are there, 4 are needed"),
    ],
)
def test_rows_of_points_that_differ_in_length_are_refused(tmp_path, text, columns, sentence):
    (tmp_path / "a.txt").write_text(text)
    assert sentence in refusal(tmp_path / "a.txt", columns)


@pytest.mark.parametrize(
    "text",
    [
        "x,y,z\n1,2,3,\n4,5,6,,\n",
        "1;2;3;\n4;5;6;\n",
        '"x","y","z","note"\n"1","2","3","dull, dark"\n"4","5","6",""\n',
        "x y z\n1 2 3 # the first\n// between\n4 5 6\n",
        "x,y,z,r\n1,2,3,0.5\n4,5,6,0.7\n",
        "X,Y,Z,R,I\n1,2,3,200,5\n4,5,6,210,5\n",
        "x,y,z,nx\n1,2,3,1\n4,5,6,1\n",
    ],
)
def test_points_that_are_read(tmp_path, text):
    """Delimiters at the end are harmless; an R without G and B is no colour, a part of a normal no normal."""
    (tmp_path / "a.csv").write_text(text)
    xyz, normal, colour, _ = read(tmp_path / "a.csv")
    assert xyz.tolist() == [[1, 2, 3], [4, 5, 6]]
    assert normal is None and colour is None


@pytest.mark.parametrize(
    ("head", "units"),
    [
        ("X [inch],Y [inch],Z [inch]", "inch"),
        ("x_mm,y_mm,z_mm", "mm"),
        ("X(m),Y(m),Z(m)", "m"),
        ("X[mm];Y[mm];Z[mm]", "mm"),
        ("x in mm,y in mm,z in mm", "mm"),
        ("X Coord (cm),Y Coord (cm),Z Coord (cm)", "cm"),
        ("# X [mm] Y [mm] Z [mm]", "mm"),
        ("# Units: metres\nx,y,z", "m"),
        ("x,y,z", None),
    ],
)
@pytest.mark.parametrize("what", ["points", "targets"])
def test_units_in_a_header_must_be_those_of_the_job_sheet(tmp_path, head, units, what):
    mark = ";" if ";" in head else "," if "," in head else " "
    text = f"{head}\n" + "".join(mark.join(row) + "\n" for row in ("123", "456"))
    (tmp_path / "t.csv").write_text(text)

    def take(declared):
        if what == "targets":
            return listed(tmp_path, text, units=declared)
        return list(readers.blocks(tmp_path / "t.csv", "t.csv", units=declared))

    for declared in ("mm", "cm", "m", "inch"):
        if units in (None, declared):
            assert len(take(declared)) > 0
        else:
            with pytest.raises(Rejected) as caught:
                take(declared)
            assert str(caught.value) == (
                f"t.csv: its header gives {units}, the job sheet {declared}: correct the one that is wrong."
            )


def test_the_unit_of_every_axis_counts_and_that_of_an_id_does_not(tmp_path):
    assert "its header gives m, the job" in refused(tmp_path, "id,x,y,z_m\nA,1,2,3\n")
    assert "its header gives ft, the job" in refused(tmp_path, "id,x [ft],y [ft],z [ft]\nA,1,2,3\n")
    assert listed(tmp_path, "id [m],x,y,z\nA,1,2,3\n").xyz_mm.tolist() == [[1, 2, 3]]
    assert listed(tmp_path, "# units: m/s\nx,y,z\n1,2,3\n").xyz_mm.tolist() == [[1, 2, 3]]
    assert listed(tmp_path, "x y z m\n1 2 3 4\n").xyz_mm.tolist() == [[1, 2, 3]]


def test_quoted_numbers_are_numbers(tmp_path):
    rows = np.random.default_rng(1).uniform(-9, 9, (50, 3)).round(3)
    (tmp_path / "a.csv").write_text("x,y,z\n" + "".join('"{}","{}","{}"\n'.format(*row) for row in rows))
    assert np.array_equal(read(tmp_path / "a.csv")[0], rows)

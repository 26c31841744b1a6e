"""Files that no scanner writes: each is refused in one sentence, at once, and without much memory."""

import struct
import tracemalloc

import laspy
import numpy as np
import pytest

import e57_files
import mutants
from nightbay import readers
from nightbay.core.errors import Rejected
from nightbay.intake import raw_store
from raw_exports import POINTS, read, refusal

HEAD = "ply\nformat {kind} 1.0\nelement vertex 1\n"
XYZ = "".join(f"property float {axis}\n" for axis in "xyz")


def ply(path, kind="ascii", head=XYZ, body="0 0 0\n"):
    path.write_bytes(
        f"{HEAD.format(kind=kind)}{head}end_header\n".encode() + (body if isinstance(body, bytes) else body.encode())
    )
    return path


@pytest.mark.parametrize(
    ("head", "sentence"),
    [
        (XYZ + "element nothing 999999999999\n", "its element 'nothing' has 999999999999 rows and no properties"),
        (XYZ + "property float x\n", "its element 'vertex' has the property 'x' twice"),
        (XYZ + "element vertex 3\nproperty float x\n", "it declares the element 'vertex' twice"),
        (XYZ + "element face -1\n", "the line 'element face -1' of its header is not PLY"),
        (XYZ + "element face 1_0\n", "the line 'element face 1_0' of its header is not PLY"),
        (XYZ + f"element face {'9' * 24}\n", "of its header is not PLY"),
        (XYZ + "property float \u00e9\n", "of its header is not PLY"),
        (XYZ + "property list float int i\n", "has a list whose count is no whole number"),
        ("property float x\nproperty float y\nproperty list uchar float z\n", "declares no vertices with x, y and z"),
    ],
)
@pytest.mark.parametrize("kind", ["ascii", "binary_little_endian"])
def test_ply_headers(tmp_path, head, sentence, kind):
    assert sentence in refusal(ply(tmp_path / "a.ply", kind, head))


SHADES = "".join(f"property uchar {shade}\n" for shade in ("red", "green", "blue"))
FACE = "element face 1\nproperty list uchar int vertex_indices\n"


@pytest.mark.parametrize(
    ("head", "body", "sentence"),
    [
        (XYZ + SHADES, "0 0 0 0 300 0\n", "a point has green = 300, and 0 to 255 is what its header allows"),
        (XYZ + SHADES, "0 0 0 0 0 -1\n", "a point has blue = -1, and 0 to 255"),
        (XYZ + SHADES, "0 0 0 nan 0 0\n", "a point has red = nan, and 0 to 255"),
        (XYZ + SHADES.replace("uchar", "float"), "0 0 0 1e300 0 0\n", "a colour is 1e+300; 0 to 1, to 255 or to 65535"),
        (XYZ + FACE, "0 0 0\n3 0 0 -1\n", "row 1 of 'face' is '3 0 0 -1', which is no face"),
        (XYZ + FACE, f"0 0 0\n3 0 0 {'9' * 24}\n", "which is no face of at most 10000 vertices"),
        (XYZ + FACE, "0 0 0\n9 0 0 0\n", "row 1 of 'face' is '9 0 0 0', which is no face"),
        (XYZ + FACE, "0 0 0\n3 0 0 7\n", "face 1 refers to vertex 7, but there are 1 (0 to 0)"),
        (XYZ, "\n0 0 0\n", "its points can't be read as numbers after point 0 (1 of 1 rows hold no number)"),
        (XYZ, "1_0 0 0\n", "its points can't be read as numbers after point 0"),
        (XYZ, "\u0661 0 0\n", "its points can't be read as numbers after point 0"),
        (XYZ, f"{'x' * 5000} 0 0\n", "its points can't be read as numbers after point 0"),
    ],
)
def test_ascii_ply_rows(tmp_path, head, body, sentence):
    said = refusal(ply(tmp_path / "a.ply", "ascii", head, body))
    assert sentence in said and len(said) < 600


def test_binary_ply_lists(tmp_path):
    """Lists of any length before or in the faces are followed; what passes the end of the file is refused."""
    point, head = struct.pack("<3f", 0, 0, 0), XYZ + FACE.replace("uchar", "{count}")
    for count, body, sentence in (
        ("uchar", struct.pack("<B3i", 3, 0, 0, -7), "face 1 refers to vertex -7"),
        ("uint", struct.pack("<I3i", 2**32 - 1, 0, 0, 0), "promises 1 rows of 'face', the file holds 0"),
        ("char", struct.pack("<b3i", -1, 0, 0, 0), "promises 1 rows of 'face', the file holds 0"),
        ("uint", struct.pack("<I", 10_001) + bytes(40_004), "the list of row 1 has 10001 entries, at most 10000"),
    ):
        path = ply(tmp_path / "a.ply", "binary_little_endian", head.format(count=count), point + body)
        assert sentence in refusal(path)


@pytest.mark.parametrize("order", ["little", "big"])
def test_binary_ply_polygons_of_different_lengths(tmp_path, order):
    """A square and a triangle in the plane z = 0, with a list and a number before them in each row."""
    mark = "<" if order == "little" else ">"
    xyz = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0]], f"{mark}f4")
    head = HEAD.format(kind=f"binary_{order}_endian").replace("vertex 1", "vertex 5") + XYZ
    head += (
        "element face 2\nproperty short mark\nproperty list ushort int vertex_indices\nproperty list uchar float t\n"
    )
    rows = struct.pack(f"{mark}hH4iBf", 1, 4, 0, 1, 2, 3, 1, 0.5) + struct.pack(f"{mark}hH3iB", 2, 3, 1, 4, 2, 0)
    (tmp_path / "a.ply").write_bytes(head.encode() + b"end_header\n" + xyz.tobytes() + rows)
    found, normal, _, _ = read(tmp_path / "a.ply")
    assert np.array_equal(found, xyz)
    assert np.array_equal(normal, np.tile([0, 0, 1], (5, 1)))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (f"{'9' * 5000}\n1 2 3\n", "what its 1 columns hold is not clear without a header"),
        ("x y z\n\u0661 2 3\n", "line 2, column 1 (x): '\u0661' is not a number"),
        ("1 2 3\n1_0 2 3\n", "line 2, column 1 (x): '1_0' is not a number"),
        (f"1 2 3\n{'9' * 60_000} 2 3\n", "line 2: it has 50002 characters or more, at most 50000 are allowed"),
        (f"1 2 3\n{'9' * 4000} 2 x\n", "line 2, column 3 (z): 'x' is not a number"),
        ('x y z\n1 2 "' + "a" * 200_000 + '"\n', "characters or more, at most 50000"),
        ("a;1;2;3\n;\nb;1;2;3\n", "line 2: 2 columns are there, 4 are needed"),
        ("1 2 3\0\n", "is not text (it holds zero bytes)"),
        ("x,y,z,r,g,b\n1,2,3,-1,0,0\n", "a colour is -1; 0 to 1, to 255 or to 65535"),
        ("x,y,z,r,g,b\n1,2,3,nan,0,0\n", "a colour is nan; 0 to 1"),
        ("x,y,z\n1,2,\x1b[31m\u202e\n", "line 2, column 3 (z): '\\x1b[31m\\u202e' is not a number"),
    ],
)
def test_text(tmp_path, text, sentence):
    (tmp_path / "a.xyz").write_text(text)
    said = refusal(tmp_path / "a.xyz")
    assert sentence in said and said.isprintable() and len(said) < 600


def test_a_header_with_a_part_of_a_normal_is_read_without_it(tmp_path):
    (tmp_path / "a.csv").write_text("x,y,z,nx\n1,2,3,0\n4,5,6,1\n")
    xyz, normal, _, _ = read(tmp_path / "a.csv")
    assert xyz.tolist() == [[1, 2, 3], [4, 5, 6]] and normal is None


@pytest.mark.parametrize(
    ("face", "sentence"),
    [
        ("f 1 2 " + "9" * 24, "holds a face that is not numbers of vertices"),
        ("f 1 2 1_0", "holds a face that is not numbers of vertices"),
        ("f 1 2 -4", "face 1 refers to vertex -1, but there are 3 (0 to 2)"),
        ("f 1 2 9000000000000000000", "refers to vertex 8999999999999999999"),
        ("f" + " 1" * 10_001, "holds a face with 10001 corners; 3 to 10000 are allowed"),
    ],
)
def test_obj_faces(tmp_path, face, sentence):
    (tmp_path / "a.obj").write_text(f"v 0 0 0\nv 1 0 0\nv 0 1 0\n{face}\n")
    assert sentence in refusal(tmp_path / "a.obj")


def test_obj_corners_that_count_backwards_do_so_from_their_own_line(tmp_path):
    """Two squares, each face after its vertices: in the plane z = 0, and in x = 5."""
    squares = ("v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n", "v 5 0 0\nv 5 1 0\nv 5 1 1\nv 5 0 1\n")
    (tmp_path / "a.obj").write_text("".join(f"{square}f -4/1/1 -3 -2 -1\n" for square in squares))
    assert np.array_equal(read(tmp_path / "a.obj")[1], np.repeat([[0, 0, 1], [1, 0, 0]], 4, axis=0))


def test_vertices_without_numbers(tmp_path):
    """NumPy leaves such rows out, and all that follow would have the number of another."""
    (tmp_path / "a.obj").write_text("v 0 0 0\nv \nv 0 1 0\nf 1 2 3\n")
    assert "a.obj: vertex 2 is '', which is not a point" in refusal(tmp_path / "a.obj")
    (tmp_path / "a.stl").write_text("solid\nvertex 0 0 0\nvertex\nvertex 0 1 0\nendsolid\n")
    assert "a vertex after number 0 is not a point (1 of 3 rows hold no number)" in refusal(tmp_path / "a.stl")


def test_an_obj_of_a_single_line(tmp_path, monkeypatch):
    monkeypatch.setattr("nightbay.readers.obj.CHUNK", 1000)
    (tmp_path / "a.obj").write_text("v " + "1" * 5000)
    assert "has a line of 2000 bytes or more, so it is not an OBJ mesh" in refusal(tmp_path / "a.obj")


def las(path, point_format=6):
    data = laspy.LasData(laspy.LasHeader(point_format=point_format, version="1.4"))
    data.x, data.y, data.z = POINTS[0].T
    data.write(path)
    return bytearray(path.read_bytes())


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_las_of_a_version_that_there_is_not(tmp_path, name):
    whole = las(tmp_path / name)
    whole[24:26] = (9, 9)
    (tmp_path / name).write_bytes(whole)
    assert refusal(tmp_path / name) == f"{name}: its version is 9.9; LAS 1.0 to 1.4 are read: export it as LAS 1.4."


def test_laz_that_promises_more_points_than_it_can_hold(tmp_path):
    whole = las(tmp_path / "a.laz")
    struct.pack_into("<Q", whole, 247, 2**40)
    (tmp_path / "a.laz").write_bytes(whole)
    assert f"promises {2**40} points, more than its {len(whole)} bytes can hold" in refusal(tmp_path / "a.laz")


def test_laz_whose_points_have_two_sizes_takes_no_memory(tmp_path):
    """Left to the library, points of 65 kB each fill the memory."""
    whole = las(tmp_path / "a.laz")
    struct.pack_into("<H", whole, 105, 65_000)
    (tmp_path / "a.laz").write_bytes(whole)
    tracemalloc.start()
    said = refusal(tmp_path / "a.laz")
    assert "its points have 65000 bytes by its header and 30 by its compression" in said
    assert tracemalloc.get_traced_memory()[1] < 50_000_000
    tracemalloc.stop()


def test_e57_field_names_that_are_not_utf_8_or_text(tmp_path):
    path = tmp_path / "a.e57"
    e57_files.write(path, e57_files.places(POINTS[0]))
    xml = e57_files.xml_of(path)
    e57_files.put_xml(path, xml.replace(b"cartesianX", b"cartesian\xff"))
    assert "its XML section is not in UTF-8" in refusal(path)
    e57_files.put_xml(path, xml.replace(b"cartesianX", b"cartesian X"))
    assert "is damaged or cut short (" in refusal(path)


def test_e57_that_promises_more_points_than_it_can_hold(tmp_path):
    path = tmp_path / "a.e57"
    e57_files.write(path, e57_files.places(POINTS[0]))
    xml = e57_files.xml_of(path)
    e57_files.put_xml(path, xml.replace(b'recordCount="500"', b'recordCount="50000000000"'))
    assert "promises 50000000000 points, more than its" in refusal(path)


@pytest.mark.parametrize("value", ["1e160", "-1e308", "1e13"])
@pytest.mark.parametrize("ending", ["xyz", "ply", "obj"])
def test_coordinates_that_are_too_large(tmp_path, value, ending):
    path = tmp_path / f"a.{ending}"
    rows = [f"{at} 0 {at % 3}" for at in range(9)] + [f"0 {value} 0"]
    if ending == "ply":
        head = XYZ.replace("float", "double")
        path.write_text(
            HEAD.format(kind="ascii").replace("vertex 1", "vertex 10") + head + "end_header\n" + "\n".join(rows)
        )
    else:
        path.write_text("\n".join(("v " if ending == "obj" else "") + row for row in rows) + "\n")
    with pytest.raises(
        Rejected, match=r"1 of 10 points have no coordinates that are finite and at most 1e\+12 \(point 10 "
    ):
        raw_store.read_here(str(path), path.name, None, "mm", str(tmp_path))


def test_normals_that_no_number_holds_are_none(tmp_path):
    (tmp_path / "a.csv").write_text("x,y,z,nx,ny,nz\n1,2,3,1e300,0,0\n1,2,3,nan,0,0\n1,2,3,0,0,1\n")
    assert read(tmp_path / "a.csv")[1].tolist() == [[0, 0, 0], [0, 0, 0], [0, 0, 1]]


def test_sound_files_of_every_kind_are_read(tmp_path):
    for sample in mutants.exports(tmp_path):
        path = tmp_path / sample.name
        path.write_bytes(sample.content)
        count = sum(len(block.xyz) for block in readers.blocks(path, sample.name))
        assert count >= mutants.COUNT, sample.name


def test_a_ply_whose_points_follow_lists(tmp_path):
    head = "ply\nformat binary_big_endian 1.0\nelement strip 2\nproperty list int uchar s\nelement vertex 2\n" + XYZ
    rows = struct.pack(">i3Bi", 3, 1, 2, 3, 0) + struct.pack(">6f", 1, 2, 3, 4, 5, 6)
    (tmp_path / "a.ply").write_bytes(f"{head}end_header\n".encode() + rows)
    assert read(tmp_path / "a.ply")[0].tolist() == [[1, 2, 3], [4, 5, 6]]

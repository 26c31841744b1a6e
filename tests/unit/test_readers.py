"""Readers of raw exports: every format gives back what was written, and damage is said in one sentence."""

from pathlib import Path

import laspy
import numpy as np
import pye57
import pymeshlab
import pytest
import trimesh
from nightbay import readers
from nightbay.errors import Rejected

RANGE_MAP = Path(pymeshlab.__file__).parent / "tests/sample_meshes/rangemaps/face000.ply"
COUNT = 500
XYZ = "property float x\nproperty float y\nproperty float z\n"


@pytest.fixture
def points():
    """Points, unit normals and colours, (n, 3) each."""
    rng = np.random.default_rng(11)
    normal = rng.normal(size=(COUNT, 3))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return rng.uniform(-2000, 2000, (COUNT, 3)), normal, rng.integers(0, 256, (COUNT, 3)).astype(np.uint8)


def read(path, columns=None):
    blocks = list(readers.blocks(path, path.name, columns))
    return (
        np.concatenate([block.xyz for block in blocks]),
        None if blocks[0].normal is None else np.concatenate([block.normal for block in blocks]),
        None if blocks[0].colour is None else np.concatenate([block.colour for block in blocks]),
        sum(block.invalid for block in blocks),
    )


def refusal(path, columns=None):
    """The sentence that a file is refused with."""
    with pytest.raises(Rejected) as caught:
        list(readers.blocks(path, path.name, columns))
    sentence = str(caught.value)
    assert sentence.startswith(path.name) and sentence.endswith(".") and "\n" not in sentence
    return sentence


def write_ply(path, order, kind, xyz, normal=None, colour=None, before=b"", head=""):
    """A PLY file; ``order``: '<', '>' or 'ascii'; ``kind``: 'f4' or 'f8'."""
    columns = [(axis, kind) for axis in "xyz"]
    columns += [(axis, "f4") for axis in ("nx", "ny", "nz")] if normal is not None else []
    columns += [("scan", "u2")] + ([(one, "u1") for one in ("red", "green", "blue")] if colour is not None else [])
    names = {"f4": "float", "f8": "double", "u1": "uchar", "u2": "ushort"}
    records = np.zeros(len(xyz), [(name, (order if order != "ascii" else "<") + type_) for name, type_ in columns])
    for values, group in ((xyz, "xyz"), (normal, ("nx", "ny", "nz")), (colour, ("red", "green", "blue"))):
        if values is not None:
            for at, name in enumerate(group):
                records[name] = values[:, at]
    words = {"<": "binary_little_endian", ">": "binary_big_endian", "ascii": "ascii"}[order]
    text = f"ply\nformat {words} 1.0\n{head}element vertex {len(xyz)}\n"
    text += "".join(f"property {names[type_]} {name}\n" for name, type_ in columns) + "end_header\n"
    body = records.tobytes()
    if order == "ascii":
        body = "".join(" ".join(f"{value:.9g}" for value in row) + "\n" for row in records.tolist()).encode()
    path.write_bytes(text.encode() + before + body)


@pytest.mark.parametrize("order", ["<", ">", "ascii"])
@pytest.mark.parametrize("kind", ["f4", "f8"])
def test_ply_in_every_order_and_precision(tmp_path, points, order, kind):
    write_ply(tmp_path / "a.ply", order, kind, *points)
    xyz, normal, colour, invalid = read(tmp_path / "a.ply")
    # Half a step of a float32 at 2000 is 6e-5; the text has nine digits, the same or less.
    assert np.abs(xyz - points[0]).max() < (1e-4 if kind == "f4" or order == "ascii" else 1e-12)
    assert np.abs(normal - points[1]).max() < 1e-6
    assert np.array_equal(colour, points[2])
    assert invalid == 0


@pytest.mark.parametrize("order", ["<", ">", "ascii"])
def test_ply_with_elements_before_the_vertices(tmp_path, points, order):
    head = "comment any\nelement camera 2\nproperty float view\nproperty list uchar int marks\n"
    little = "<" if order == "ascii" else order
    before = b"".join(
        np.array([1.5], little + "f4").tobytes() + bytes([2]) + np.array([7, 8], little + "i4").tobytes() for _ in "ab"
    )
    if order == "ascii":
        before = b"1.5 2 7 8\n1.5 2 7 8\n"
    write_ply(tmp_path / "a.ply", order, "f4", points[0], before=before, head=head)
    assert np.abs(read(tmp_path / "a.ply")[0] - points[0]).max() < 1e-4


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


def sphere():
    return trimesh.creation.icosphere(3, 1000.0)


@pytest.mark.parametrize("name", ["a.obj", "a.ply", "b.ply", "a.stl", "b.stl"])
def test_meshes_give_points_with_the_normals_of_their_faces(tmp_path, name):
    text = {"b.ply": {"encoding": "ascii"}, "b.stl": {"file_type": "stl_ascii"}}.get(name, {})
    sphere().export(tmp_path / name, **text)
    xyz, normal, _, _ = read(tmp_path / name)
    assert len(xyz) == (3840 if name.endswith("stl") else 642)
    assert np.linalg.norm(xyz, axis=1) == pytest.approx(1000, abs=1e-3)
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    # 1280 faces on a sphere: an edge spans at most 9.3 deg, so a face leans at most about 6 deg from a corner's radius.
    assert np.sum(normal * xyz, axis=1).min() > 1000 * np.cos(np.radians(6))


def test_obj_with_polygons_backward_numbers_textures_and_colour(tmp_path):
    (tmp_path / "a.obj").write_text(
        "# a square and a triangle\nmtllib x.mtl\nv 0 0 0 1 0 0\nv 1 0 0 0 1 0\nv 1 1 0 0 0 1\nv 0 1 0 1 1 1\n"
        "vt 0 0\nvn 0 0 1\nf 1/1/1 2/1/1 3/1/1 4/1/1\nv 0 0 1 0 0 0\nf -1//1 -5//1 -2//1\n"
    )
    xyz, normal, colour, _ = read(tmp_path / "a.obj")
    assert xyz.shape == (5, 3)
    assert normal[1:3] == pytest.approx(np.array([[0, 0, 1], [0, 0, 1]]))
    assert normal[4] == pytest.approx([1, 0, 0])
    assert colour[:2].tolist() == [[255, 0, 0], [0, 255, 0]]


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_las_and_laz(tmp_path, points, name):
    las = laspy.LasData(laspy.LasHeader(point_format=7, version="1.4"))
    las.header.scales = np.full(3, 0.001)
    las.x, las.y, las.z = points[0].T
    las.red, las.green, las.blue = (points[2].astype(np.uint16) * 257).T
    las.withheld = np.arange(COUNT) % 10 == 0
    las.write(tmp_path / name)
    xyz, normal, colour, invalid = read(tmp_path / name)
    keep = np.arange(COUNT) % 10 != 0
    assert np.abs(xyz - points[0][keep]).max() <= 0.00051
    assert normal is None
    assert np.array_equal(colour, points[2][keep])
    assert invalid == COUNT // 10


def write_e57(path, scans):
    with pye57.E57(str(path), "w") as file:
        for data, rotation, translation in scans:
            file.write_scan_raw(data, rotation=np.array(rotation), translation=np.array(translation))


def test_e57_with_two_posed_scans_invalid_points_and_colour(tmp_path, points):
    xyz, _, colour = points
    data = {f"cartesian{axis}": xyz[:, at].copy() for at, axis in enumerate("XYZ")}
    data |= {f"color{one}": colour[:, at].copy() for at, one in enumerate(("Red", "Green", "Blue"))}
    invalid = {"cartesianInvalidState": (np.arange(COUNT) % 5 == 0).astype(np.int8)}
    half = float(np.sqrt(0.5))
    write_e57(
        tmp_path / "a.e57", [(data | invalid, [half, 0, 0, half], [1.0, 2.0, 3.0]), (data, [1.0, 0, 0, 0], [0.0, 0, 0])]
    )
    got, normal, shades, dropped = read(tmp_path / "a.e57")
    keep = np.arange(COUNT) % 5 != 0
    turned = xyz[keep] @ np.array([[0, 1, 0], [-1, 0, 0], [0, 0, 1.0]]) + [1, 2, 3]  # a quarter turn about z
    # pye57 writes coordinates as float32, as its own default is: half a step at 2000 is 6e-5.
    assert np.abs(got - np.concatenate([turned, xyz])).max() < 2e-4
    assert np.array_equal(shades, np.concatenate([colour[keep], colour]))
    assert dropped == COUNT // 5 and normal is None


def test_e57_with_range_and_angles(tmp_path):
    """ASTM E2807: azimuth from x to y, elevation from the xy plane; here 90 deg left, straight up, and between."""
    values = {
        "sphericalRange": np.array([2.0, 2.0, 2.0]),
        "sphericalAzimuth": np.radians([90.0, 0.0, 180.0]),
        "sphericalElevation": np.radians([0.0, 90.0, 45.0]),
    }
    e57 = pye57.libe57
    with pye57.E57(str(tmp_path / "a.e57"), "w") as file:
        image = file.image_file
        prototype, buffers = e57.StructureNode(image), e57.VectorSourceDestBuffer()
        for name, column in values.items():
            prototype.set(name, e57.FloatNode(image, 0.0, e57.FloatPrecision.E57_DOUBLE, -1e4, 1e4))
            buffers.append(e57.SourceDestBuffer(image, name, column, 3, True, True))
        scan = e57.StructureNode(image)
        points = e57.CompressedVectorNode(image, prototype, e57.VectorNode(image, True))
        scan.set("points", points)
        file.data3d.append(scan)
        writer = points.writer(buffers)
        writer.write(3)
        writer.close()
    root = np.sqrt(2)
    assert read(tmp_path / "a.e57")[0] == pytest.approx(np.array([[0, 2, 0], [0, 0, 2], [-root, 0, root]]), abs=1e-12)


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


def test_text_with_normals_or_colour_by_header_and_by_value(tmp_path, points):
    xyz, normal, colour = points
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
        ("1,5;2,5;3,5\n", None, "line 1: '1,5;2,5;3,5' has commas as decimal marks, which can't be told from"),
        ("1,5 2,5 3,5\n", None, "has commas as decimal marks"),
        ("x;y;z\n1,5;2,5;3,5\n", None, "line 2: '1,5;2,5;3,5' has commas as decimal marks"),
        ("1,5,2,5,3,5\n2,5,3,5,4,5\n", None, "what its 6 columns hold is not clear without a header"),
        ("1 2 3 4\n1 2 3 4\n", None, "what its 4 columns hold is not clear without a header: name them"),
        ("east,north,up\n1,2,3\n", None, "line 1: the header 'east,north,up' names no columns x, y and z"),
        ("x y z\n", None, "holds no row of numbers"),
        ("x y z\n1 2 3\n4 a 6\n", None, "line 3, column 2 (y): 'a' is not a number: export it again."),
        ("1 2 3\n4 5\n", None, "line 2: 2 columns are there, 3 are needed: the file was cut short or damaged"),
        ("5\n1 2 3\n4 5 6\n", None, "its first line promises 5 points, the file holds 2: it was cut short"),
        ("1 2 3\n", ["x", "y", "z", "-"], "3 columns are there, 4 are declared (x, y, z, -)"),
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


@pytest.mark.parametrize("order", ["<", ">", "ascii"])
def test_a_ply_that_promises_more_points_than_it_holds(tmp_path, points, order):
    write_ply(tmp_path / "a.ply", order, "f4", points[0])
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


def test_faces_that_name_missing_points(tmp_path):
    mesh = sphere()
    mesh.export(tmp_path / "a.ply")
    whole = bytearray((tmp_path / "a.ply").read_bytes())
    whole[-4:] = np.array([642], "<i4").tobytes()
    (tmp_path / "a.ply").write_bytes(bytes(whole))
    assert "face 1280 refers to vertex 642, but there are 642 (0 to 641)" in refusal(tmp_path / "a.ply")
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n")
    assert "face 1 refers to vertex 3, but there are 3 (0 to 2)" in refusal(tmp_path / "a.obj")


@pytest.mark.parametrize(
    ("name", "shares"),
    [("a.ply", (0.4, 0.9)), ("b.ply", (0.4, 0.9)), ("a.stl", (0.4, 0.9)), ("b.stl", (0.4, 0.9)), ("a.obj", (0.4,))],
)
def test_meshes_cut_short(tmp_path, name, shares):
    """OBJ names no counts: one that ends between two faces can't be told from a whole one."""
    text = {"b.ply": {"encoding": "ascii"}, "b.stl": {"file_type": "stl_ascii"}}.get(name, {})
    sphere().export(tmp_path / name, **text)
    whole = (tmp_path / name).read_bytes()
    for share in shares:
        (tmp_path / name).write_bytes(whole[: int(len(whole) * share)])
        assert "cut short" in refusal(tmp_path / name)


def test_an_obj_that_ends_in_a_face(tmp_path):
    (tmp_path / "a.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2")
    assert "holds a face with 2 corners; at least 3 are needed: it was cut short" in refusal(tmp_path / "a.obj")


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_las_cut_short(tmp_path, points, name):
    las = laspy.LasData(laspy.LasHeader(point_format=3, version="1.2"))
    las.x, las.y, las.z = points[0].T
    las.write(tmp_path / name)
    whole = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(whole[: len(whole) // 2])
    assert "cut short" in refusal(tmp_path / name)


@pytest.mark.parametrize(("name", "at"), [("a.las", 100), ("a.laz", 100), ("a.las", 94), ("a.laz", "table")])
def test_las_with_counts_that_can_not_be_true(tmp_path, points, name, at):
    """Left to the library, four thousand million records keep it busy for hours or ask for all memory."""
    las = laspy.LasData(laspy.LasHeader(point_format=6, version="1.4"))
    las.x, las.y, las.z = points[0].T
    las.write(tmp_path / name)
    whole = bytearray((tmp_path / name).read_bytes())
    data = int(np.frombuffer(whole[96:100], "<u4")[0])
    at = int(np.frombuffer(whole[data : data + 8], "<i8")[0]) + 4 if at == "table" else at
    whole[at : at + 4] = b"\xff" * 4
    (tmp_path / name).write_bytes(bytes(whole))
    assert "its header does not fit the file: it was cut short or damaged" in refusal(tmp_path / name)


def test_e57_damaged_or_cut_short(tmp_path, points):
    data = {f"cartesian{axis}": points[0][:, at].copy() for at, axis in enumerate("XYZ")}
    write_e57(tmp_path / "a.e57", [(data, [1.0, 0, 0, 0], [0.0, 0, 0])])
    whole = bytearray((tmp_path / "a.e57").read_bytes())
    (tmp_path / "a.e57").write_bytes(bytes(whole[: len(whole) // 2]))
    assert "is damaged or cut short (size in file header not same as actual" in refusal(tmp_path / "a.e57")
    whole[1500] ^= 255
    (tmp_path / "a.e57").write_bytes(bytes(whole))
    assert "is damaged or cut short (checksum mismatch" in refusal(tmp_path / "a.e57")


def test_blocks_are_bounded_and_numbered(tmp_path, points, monkeypatch):
    for module in ("ply", "text", "las", "e57", "obj", "stl"):
        monkeypatch.setattr(f"nightbay.readers.{module}.MOST", 120)
    write_ply(tmp_path / "a.ply", "<", "f4", points[0])
    write_ply(tmp_path / "b.ply", "ascii", "f4", points[0])
    np.savetxt(tmp_path / "a.xyz", points[0])
    sphere().export(tmp_path / "a.obj")
    sphere().export(tmp_path / "a.stl")
    sphere().export(tmp_path / "b.stl", file_type="stl_ascii")
    for path in sorted(tmp_path.iterdir()):
        first = 1
        for block in readers.blocks(path, path.name):
            assert len(block.xyz) <= 120 and block.first == first
            first += len(block.xyz)
        assert first - 1 in (500, 642, 3840)

"""LAS, LAZ and E57 exports give back what was written, and damage is said in one sentence."""

import laspy
import numpy as np
import pye57
import pytest

from nightbay import readers
from raw_exports import COUNT, POINTS, read, refusal


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_las_and_laz(tmp_path, name):
    las = laspy.LasData(laspy.LasHeader(point_format=7, version="1.4"))
    las.header.scales = np.full(3, 0.001)
    las.x, las.y, las.z = POINTS[0].T
    las.red, las.green, las.blue = (POINTS[2].astype(np.uint16) * 257).T
    las.withheld = np.arange(COUNT) % 10 == 0
    las.write(tmp_path / name)
    xyz, normal, colour, invalid = read(tmp_path / name)
    keep = np.arange(COUNT) % 10 != 0
    assert np.abs(xyz - POINTS[0][keep]).max() <= 0.00051
    assert normal is None
    assert np.array_equal(colour, POINTS[2][keep])
    assert invalid == COUNT // 10


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_las_with_normals_and_the_step_of_its_scale(tmp_path, name):
    las = laspy.LasData(laspy.LasHeader(point_format=0, version="1.2"))
    las.header.scales = np.array([0.001, 0.002, 0.0005])
    las.add_extra_dims([laspy.ExtraBytesParams(f"Normal{axis}", "f4") for axis in "XYZ"])
    las.x, las.y, las.z = POINTS[0].T
    for at, axis in enumerate("XYZ"):
        las[f"Normal{axis}"] = POINTS[1][:, at].astype(np.float32)
    las.write(tmp_path / name)
    assert np.array_equal(read(tmp_path / name)[1], POINTS[1].astype(np.float32))
    (block,) = readers.blocks(tmp_path / name, name)
    assert block.step == 0.002


def test_las_times_are_those_of_the_points_that_are_valid(tmp_path, monkeypatch):
    monkeypatch.setattr("nightbay.readers.las.MOST", 100)
    las = laspy.LasData(laspy.LasHeader(point_format=6, version="1.4"))
    las.x, las.y, las.z = POINTS[0].T
    las.gps_time = 5000.25 + np.arange(COUNT) / 64
    las.withheld = np.arange(COUNT) % 10 == 0
    las.write(tmp_path / "a.las")
    time = np.concatenate([block.time for block in readers.blocks(tmp_path / "a.las", "a.las")])
    assert np.array_equal(time, (5000.25 + np.arange(COUNT) / 64)[np.arange(COUNT) % 10 != 0])


def test_las_colours_of_16_bits_stay_so_in_dark_blocks(tmp_path, monkeypatch):
    monkeypatch.setattr("nightbay.readers.las.MOST", 100)
    las = laspy.LasData(laspy.LasHeader(point_format=2, version="1.2"))
    las.x, las.y, las.z = POINTS[0].T
    colour = np.full((COUNT, 3), 200, np.uint16)  # less than the lowest step of 8 bits
    colour[:50] = 51200
    las.red, las.green, las.blue = colour.T
    las.write(tmp_path / "a.las")
    assert np.array_equal(read(tmp_path / "a.las")[2], colour >> 8)


def test_las_that_holds_fewer_points_than_its_header_promises(tmp_path):
    las = laspy.LasData(laspy.LasHeader(point_format=0, version="1.2"))
    las.x, las.y, las.z = POINTS[0].T
    las.write(tmp_path / "a.las")
    (tmp_path / "a.las").write_bytes((tmp_path / "a.las").read_bytes()[:-20])  # a record of format 0 has 20 bytes
    assert f"its header promises {COUNT} points, the file holds {COUNT - 1}: it was cut" in refusal(tmp_path / "a.las")


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_las_cut_short(tmp_path, name):
    las = laspy.LasData(laspy.LasHeader(point_format=3, version="1.2"))
    las.x, las.y, las.z = POINTS[0].T
    las.write(tmp_path / name)
    whole = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(whole[: len(whole) // 2])
    assert "cut short" in refusal(tmp_path / name)


@pytest.mark.parametrize(("name", "at"), [("a.las", 100), ("a.laz", 100), ("a.las", 94), ("a.laz", "table")])
def test_las_with_counts_that_can_not_be_true(tmp_path, name, at):
    """Left to the library, four thousand million records keep it busy for hours or ask for all memory."""
    las = laspy.LasData(laspy.LasHeader(point_format=6, version="1.4"))
    las.x, las.y, las.z = POINTS[0].T
    las.write(tmp_path / name)
    whole = bytearray((tmp_path / name).read_bytes())
    data = int(np.frombuffer(whole[96:100], "<u4")[0])
    at = int(np.frombuffer(whole[data : data + 8], "<i8")[0]) + 4 if at == "table" else at
    whole[at : at + 4] = b"\xff" * 4
    (tmp_path / name).write_bytes(bytes(whole))
    assert "its header does not fit the file: it was cut short or damaged" in refusal(tmp_path / name)


def write_e57(path, scans):
    with pye57.E57(str(path), "w") as file:
        for data, rotation, translation in scans:
            file.write_scan_raw(data, rotation=np.array(rotation), translation=np.array(translation))


def test_e57_with_two_posed_scans_invalid__and_colour(tmp_path):
    xyz, _, colour = POINTS
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


def test_e57_damaged_or_cut_short(tmp_path):
    data = {f"cartesian{axis}": POINTS[0][:, at].copy() for at, axis in enumerate("XYZ")}
    write_e57(tmp_path / "a.e57", [(data, [1.0, 0, 0, 0], [0.0, 0, 0])])
    whole = bytearray((tmp_path / "a.e57").read_bytes())
    (tmp_path / "a.e57").write_bytes(bytes(whole[: len(whole) // 2]))
    assert "is damaged or cut short (its header promises 10240 bytes, the file has 5120)" in refusal(tmp_path / "a.e57")
    whole[1500] ^= 255
    (tmp_path / "a.e57").write_bytes(bytes(whole))
    assert "is damaged or cut short (checksum mismatch" in refusal(tmp_path / "a.e57")

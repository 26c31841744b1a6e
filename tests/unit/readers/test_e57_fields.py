"""Fields of E57 files in the types that exporters choose: normals of the extension, colours of any depth, steps."""

import numpy as np
import pytest

import e57_files
from e57_files import places, real, scaled, whole
from nightbay import readers
from raw_exports import COUNT, POINTS, read

COLOURS = ("colorRed", "colorGreen", "colorBlue")


def colours(node, values):
    return {name: (node, values[:, at]) for at, name in enumerate(COLOURS)}


def normals(prefix, values, node=None):
    return {f"{prefix}:normal{axis}": (node or real(single=True), values[:, at]) for at, axis in enumerate("XYZ")}


@pytest.mark.parametrize("prefix", ["nor", "n"])
@pytest.mark.parametrize(("node", "off"), [(real(single=True), 1e-7), (scaled(1e-4), 1e-4)])
def test_normals_of_the_extension_turn_with_the_pose(tmp_path, prefix, node, off):
    xyz, normal, _ = POINTS
    half = float(np.sqrt(0.5))
    e57_files.write(
        tmp_path / "a.e57", places(xyz) | normals(prefix, normal, node), prefix=prefix,
        pose=((half, 0.0, 0.0, half), (1.0, 2.0, 3.0)),
    )  # fmt: skip
    got, turned, _, _ = read(tmp_path / "a.e57")
    quarter = np.array([[0, 1, 0], [-1, 0, 0], [0, 0, 1.0]])  # about z
    assert np.abs(got - (xyz @ quarter + [1, 2, 3])).max() < 1e-9
    assert np.abs(turned - normal @ quarter).max() < 2 * off


@pytest.mark.parametrize(
    ("node", "values", "limits"),
    [
        (whole(255), 1, None),
        (whole(255), 1, 255),
        (whole(65535), 257, 65535),
        (whole(65535), 257, None),
        (real(single=True), 1 / 255, 1),
        (real(single=True), 1 / 255, None),
        (real(), 1.0, 255),
    ],
)
def test_colours_of_any_depth(tmp_path, node, values, limits):
    xyz, _, colour = POINTS
    stored = colour * np.float64(values)
    e57_files.write(tmp_path / "a.e57", places(xyz) | colours(node, stored), limits)
    assert np.array_equal(read(tmp_path / "a.e57")[2], colour)


def test_intensity_and_rows_are_passed_over_and_times_kept(tmp_path):
    xyz, _, colour = POINTS
    more = {
        "intensity": (real(single=True), np.linspace(0, 1, COUNT)),
        "timeStamp": (real(), np.arange(COUNT, dtype=float)),
        "rowIndex": (whole(70_000), np.full(COUNT, 66_000)),
        "columnIndex": (whole(COUNT), np.arange(COUNT)),
        "returnIndex": (whole(3), np.zeros(COUNT, int)),
        "cartesianInvalidState": (whole(2), np.arange(COUNT) % 2 * 2),
    }
    e57_files.write(tmp_path / "a.e57", places(xyz) | colours(whole(255), colour.astype(np.uint16)) | more)
    got, normal, shades, invalid = read(tmp_path / "a.e57")
    assert np.array_equal(got, xyz[::2]) and np.array_equal(shades, colour[::2])
    assert normal is None and invalid == COUNT // 2
    time = np.concatenate([block.time for block in readers.blocks(tmp_path / "a.e57", "a.e57")])
    assert np.array_equal(time, np.arange(COUNT)[::2])


def test_coordinates_in_steps(tmp_path):
    e57_files.write(tmp_path / "a.e57", places(POINTS[0], scaled(0.001)))
    assert np.abs(read(tmp_path / "a.e57")[0] - POINTS[0]).max() < 0.00051

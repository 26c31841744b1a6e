"""Samples of raw exports: which rows are taken, in each format, and what is refused all the same."""

import laspy
import numpy as np
import pytest
import trimesh

from nightbay.core import ply_header
from nightbay.core.errors import Rejected
from nightbay.release import sampling

COUNT, MOST = 50_000, 4_000


@pytest.fixture(scope="module")
def points():
    """Points whose X is their number in the file."""
    rng = np.random.default_rng(1)
    return np.column_stack([np.arange(COUNT, dtype=float), rng.uniform(0, 1000, (COUNT, 2))]).round(3)


def taken(path, tmp_path, columns=None):
    """The points that are read of a file, and the sample."""
    folder = tmp_path / "scratch"
    folder.mkdir(exist_ok=True)
    found, sample = sampling.blocks(path, path.name, columns, "mm", MOST, folder)
    return np.concatenate([block.xyz for block in found]), sample


def check(xyz, sample, points, all_rows=False, step=1.5):
    number = np.round(xyz[:, 0]).astype(int)
    assert 0.8 * MOST < len(xyz) <= 1.1 * MOST
    assert sample.read == len(xyz)
    assert sample.of == pytest.approx(COUNT, rel=0.02)
    assert sample.all_rows is all_rows
    assert np.all(np.diff(number) > 0)
    np.testing.assert_allclose(xyz, points[number], atol=0.01)
    # evenly spread: no gap is much longer than two shares of the file
    assert np.diff(number, prepend=0, append=COUNT).max() < 2 * step * sampling.RUN * COUNT / MOST


def test_rows_are_spread_and_all_where_they_are_few():
    assert sampling.rows(10, 100).tolist() == list(range(10))
    rows = sampling.rows(1_000_000, 1000)
    assert len(rows) == 1000
    assert rows.max() < 1_000_000
    assert np.histogram(rows, 10, (0, 1_000_000))[0].tolist() == [100] * 10


def write_ply(path, points, order="<"):
    records = np.empty(len(points), [(name, order + "f4") for name in ("x", "y", "z", "nx", "ny", "nz")])
    for at, name in enumerate("xyz"):
        records[name], records[f"n{name}"] = points[:, at], at == 2
    head = ply_header.write([ply_header.Element("vertex", len(points), ply_header.properties_of(records.dtype))])
    if order == ">":
        head = head.replace(b"little", b"big")
    path.write_bytes(head + records.tobytes())


@pytest.mark.parametrize("order", ["<", ">"])
def test_binary_ply(points, tmp_path, order):
    write_ply(tmp_path / "a.ply", points, order)
    check(*taken(tmp_path / "a.ply", tmp_path), points)


def test_ascii_ply(points, tmp_path):
    rows = "\n".join(" ".join(f"{value:.3f}" for value in row) for row in points)
    head = f"ply\nformat ascii 1.0\nelement vertex {COUNT}\nproperty float x\nproperty float y\nproperty float z\n"
    (tmp_path / "a.ply").write_text(f"{head}end_header\n{rows}\n")
    check(*taken(tmp_path / "a.ply", tmp_path), points)


def test_delimited_text_with_a_header(points, tmp_path):
    np.savetxt(tmp_path / "a.csv", points, "%.3f", ",", header="x,y,z", comments="")
    check(*taken(tmp_path / "a.csv", tmp_path), points)


def test_columns_of_text_as_the_job_sheet_declares_them(points, tmp_path):
    np.savetxt(tmp_path / "a.xyz", points[:, ::-1], "%.3f")
    check(*taken(tmp_path / "a.xyz", tmp_path, ["z", "y", "x"]), points)


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_las_and_laz(points, tmp_path, ending):
    header = laspy.LasHeader(point_format=2, version="1.2")
    header.scales, header.offsets = np.full(3, 0.001), np.zeros(3)
    las = laspy.LasData(header)
    las.x, las.y, las.z = points.T
    las.write(tmp_path / f"a.{ending}")
    xyz, sample = taken(tmp_path / f"a.{ending}", tmp_path)
    if ending == "las":
        check(xyz, sample, points)
    else:  # every row is read
        assert (sample.of, sample.all_rows) == (COUNT, True)
        assert 0 < len(xyz) < COUNT


def test_stl(tmp_path):
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=1000)
    mesh.export(tmp_path / "a.stl")
    xyz, sample = taken(tmp_path / "a.stl", tmp_path)
    assert sample.of == 3 * len(mesh.faces)
    assert len(xyz) == pytest.approx(MOST, rel=0.01)
    np.testing.assert_allclose(np.linalg.norm(xyz, axis=1), 1000, rtol=1e-5)


def test_a_small_file_is_read_as_a_whole(points, tmp_path):
    write_ply(tmp_path / "a.ply", points[:1000])
    xyz, sample = taken(tmp_path / "a.ply", tmp_path)
    assert (len(xyz), sample.read, sample.of, sample.all_rows) == (1000, 1000, 1000, False)


def test_a_file_that_is_cut_short_is_refused_by_its_own_name_and_count(points, tmp_path):
    write_ply(tmp_path / "a.ply", points)
    whole = (tmp_path / "a.ply").read_bytes()
    (tmp_path / "a.ply").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(Rejected, match=f"a.ply: its header promises {COUNT} points"):
        taken(tmp_path / "a.ply", tmp_path)


def test_units_in_a_header_are_compared_with_the_job_sheet(points, tmp_path):
    np.savetxt(tmp_path / "a.csv", points, "%.3f", ",", header="x_m,y_m,z_m", comments="")
    with pytest.raises(Rejected, match="its header gives m, the job sheet mm"):
        taken(tmp_path / "a.csv", tmp_path)

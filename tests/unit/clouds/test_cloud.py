import numpy as np
import plyfile
import pytest

from nightbay.clouds import cloud


def joined(clouds):
    """One cloud of several with the same attributes and origin."""
    clouds = list(clouds)
    return cloud.Cloud(**{name: np.concatenate([getattr(c, name) for c in clouds]) for name in clouds[0].attributes})


def blocks(rng, sizes=(5000, 1, 7000)):
    return [
        cloud.Cloud(
            rng.uniform(-1500, 1500, (n, 3)).astype(np.float32),
            rng.normal(0, 1, (n, 3)).astype(np.float32),
            rng.integers(0, 256, (n, 3), dtype=np.uint8),
        )
        for n in sizes
    ]


@pytest.fixture
def written(tmp_path):
    pieces = blocks(np.random.default_rng(5))
    return joined(pieces), cloud.write(tmp_path / "cloud", pieces, (1e6, 2.5, -3.0), 500.0)


def sorted_rows(points):
    return points[np.lexsort(points.xyz_mm.T)]


def test_every_point_comes_back_with_its_attributes(written):
    given, file = written
    back = joined(file.blocks(4096))
    assert file.attributes == ("xyz_mm", "normal", "colour")
    for name in file.attributes:
        assert np.array_equal(getattr(sorted_rows(given), name), getattr(sorted_rows(back), name))
    assert np.array_equal(file.origin_mm, [1e6, 2.5, -3.0])


def test_tiles_partition_the_points_and_bound_them(written):
    _, file = written
    assert file.tiles["count"].sum() == len(file)
    for number, tile in enumerate(file.tiles):
        xyz = file.tile(number).xyz_mm
        assert np.all(np.floor(xyz / 500.0) == tile["index"])
        assert np.array_equal(xyz.min(axis=0), tile["low_mm"])
        assert np.array_equal(xyz.max(axis=0), tile["high_mm"])


def test_near_finds_what_a_full_search_finds(written):
    given, file = written
    low, high = (-700, -20, 100), (300, 900, 1400)
    found, rows = file.near(low, high)
    inside = np.all((given.xyz_mm >= low) & (given.xyz_mm <= high), axis=1)
    assert len(found) == np.count_nonzero(inside) > 0
    assert np.array_equal(file.take(rows).xyz_mm, found.xyz_mm)
    assert len(file.near((9000, 0, 0), (9001, 1, 1))[0]) == 0


def test_subset_keeps_order_tiles_and_flags(written, tmp_path):
    _, file = written
    rng = np.random.default_rng(6)
    keep, flag = rng.random(len(file)) < 0.3, rng.integers(0, 2, len(file), dtype=np.uint8)
    subset = cloud.write_subset(tmp_path / "kept", file, keep, flag)
    whole = joined(file.blocks())
    back = joined(subset.blocks())
    assert np.array_equal(back.xyz_mm, whole.xyz_mm[keep])
    assert np.array_equal(back.flag, flag[keep])
    for number, tile in enumerate(subset.tiles):
        assert np.all(np.floor(subset.tile(number).xyz_mm / 500.0) == tile["index"])


def test_same_blocks_same_bytes_and_block_borders_do_not_matter(tmp_path):
    whole = joined(blocks(np.random.default_rng(7)))
    cloud.write(tmp_path / "a", [whole], (0, 0, 0), 500.0)
    cloud.write(tmp_path / "b", [whole[:300], whole[300:]], (0, 0, 0), 500.0)
    for name in ("cloud.ply", "tiles.npy"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_any_ply_reader_opens_it(written):
    _, file = written
    ply = plyfile.PlyData.read(str(file.folder / "cloud.ply"))
    assert len(ply["vertex"]) == len(file)
    assert "origin_mm 1000000.0 2.5 -3.0" in ply.obj_info


def test_empty_cloud(tmp_path):
    file = cloud.write(tmp_path / "none", [], (0, 0, 0), 500.0)
    assert len(file) == 0
    assert len(file.near((-1, -1, -1), (1, 1, 1))[0]) == 0
    assert len(cloud.write_subset(tmp_path / "still none", file, np.empty(0, bool))) == 0


def test_points_out_of_reach_are_an_error(tmp_path):
    far = cloud.Cloud(np.array([[2e7, 0, 0]], np.float32))
    with pytest.raises(ValueError, match="from the cloud's origin"):
        cloud.write(tmp_path / "far", [far], (0, 0, 0), 500.0)

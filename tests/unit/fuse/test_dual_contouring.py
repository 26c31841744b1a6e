"""The dual contour of a field: manifold whatever the field, and the same from one tile or from many."""

import numpy as np
import pytest

from fuse_scenes import fans
from nightbay.fuse import dual_contouring, dual_table, signed_distance, tile_stitching
from nightbay.meshes import surface

CELLS = 12


def random_nodes(seed, holes):
    """Values of (3 CELLS, ...) nodes, noise smoothed a little, with a share of nodes that have none (nan)."""
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(3 * CELLS,) * 3)
    for axis in range(3):
        values += 0.4 * np.roll(values, 1, axis)
    values[rng.random(values.shape) < holes] = np.nan
    return values


def tile_field(values, tile, cells):
    """The field that a tile of ``cells`` cells would have; outside of the array there are no nodes."""
    margin = dual_contouring.MARGIN
    rim = 3 * CELLS + margin
    padded = np.pad(values, rim, constant_values=np.nan)
    low = np.array(tile) * cells - margin + rim
    window = padded[tuple(slice(a, a + cells + 2 * margin) for a in low)]
    known = np.isfinite(window)
    node = np.full(window.shape, -1, np.int32)
    node[known] = np.arange(known.sum())
    sums = np.zeros((known.sum(), signed_distance.COLUMNS), np.float32)
    sums[:, [signed_distance.WEIGHT, signed_distance.NORMAL]] = 1
    sums[:, signed_distance.COUNT] = dual_contouring.FEWEST
    return signed_distance.Field(node, sums, window[known].astype(np.float32), margin)


def worked(values, cells, folder):
    """The patches of all tiles of ``cells`` cells."""
    count = 3 * CELLS // cells
    tiles = [(i, j, k) for i in range(-1, count) for j in range(-1, count) for k in range(-1, count)]
    patches = tile_stitching.Patches(folder / str(cells), np.array(tiles))
    patches.folder.mkdir()
    for number, tile in enumerate(tiles):
        patch = dual_contouring.contour(tile_field(values, tile, cells), cells, 1.0)
        place = (patch.position + np.array(tile) * cells).astype(np.float32)
        patches.save(number, patch, {"xyz_mm": place, "normal": np.zeros(place.shape, np.int8)})
    return patches


def contoured(values, cells, folder):
    """The whole surface, welded from tiles of ``cells`` cells."""
    joined = tile_stitching.stitch(worked(values, cells, folder), (), 0.0)
    return surface.Surface(joined.vertices_mm[:], joined.faces[:])


def undirected(faces):
    pairs = np.concatenate([faces[:, pair] for pair in ([0, 1], [1, 2], [2, 0])])
    return pairs, np.unique(np.sort(pairs, axis=1), axis=0, return_counts=True)[1]


@pytest.mark.parametrize(("seed", "holes"), [(1, 0.0), (2, 0.02), (3, 0.1)])
def test_any_field_gives_a_manifold(seed, holes, tmp_path):
    whole = contoured(random_nodes(seed, holes), 3 * CELLS, tmp_path)
    assert len(whole.faces) > 5000
    directed, meeting = undirected(whole.faces)
    assert meeting.max() == 2
    assert len(np.unique(directed, axis=0)) == len(directed)
    assert fans(whole.faces, len(whole.vertices_mm)).max() == 1


@pytest.mark.parametrize("cells", [4, 12])
def test_tiles_agree(cells, tmp_path):
    values = random_nodes(4, 0.05)
    large, small = contoured(values, 3 * CELLS, tmp_path), contoured(values, cells, tmp_path)
    corners = [np.sort(one.vertices_mm[one.faces].reshape(-1, 9), axis=0) for one in (large, small)]
    assert np.allclose(*corners, atol=1e-5)
    assert len(large.vertices_mm) == len(small.vertices_mm)


def test_a_vertex_that_a_tile_lacks_is_no_surface(tmp_path):
    """Tiles that saw different points don't fit; that would be a bug, and must not pass for a surface."""
    patches = worked(random_nodes(5, 0.0), 12, tmp_path)
    number = max(range(len(patches)), key=lambda one: len(patches.load(one)["key"]))
    with patches.load(number) as known:
        arrays = {name: known[name] for name in known.files}
    keys = arrays.pop("key")
    np.savez(patches.folder / f"{number}.npz", key=keys + 1, **arrays)
    with pytest.raises(RuntimeError, match="does not have"):
        tile_stitching.stitch(patches, (), 0.0)


def test_no_configuration_has_two_faces_passed_twice():
    for configuration in range(256):
        passed = [
            face
            for face in range(6)
            if any(
                {dual_table._edge(c, d) for c, d in zip(ring, ring[1:] + ring[:1], strict=True)} <= set(loop)
                for ring in [dual_table._face_corners(face)]
                for loop in dual_table.loops(dual_table.successors(configuration))
            )
        ]
        assert len(passed) <= 1
        assert dual_table.TWICE[configuration] == (passed[0] if passed else -1)


def test_pairing_the_other_way_splits_a_loop():
    for configuration in np.flatnonzero(dual_table.TWICE >= 0):
        plain, other = (
            dual_table.loops(dual_table.NEXT[row]) for row in (configuration, dual_table.ALTERNATIVE[configuration])
        )
        assert len(other) == len(plain) + 1

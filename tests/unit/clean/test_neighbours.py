"""Cells: every point in one, every neighbour found; components against SciPy's."""

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from nightbay.clean import neighbours
from nightbay.clouds import cloud


@pytest.fixture(scope="module")
def cells():
    rng = np.random.default_rng(1)
    xyz = rng.uniform(-50, 50, (4000, 3)).astype(np.float32)
    xyz[0] = xyz.min(axis=0)  # a point in the corner of the grid
    return neighbours.sort_into_cells(cloud.Cloud(xyz, np.tile(np.float32([0, 0, 1]), (4000, 1))), 6.0)


def test_every_point_stands_in_one_cell_with_what_is_near(cells):
    assert np.array_equal(np.sort(cells.order), np.arange(4000))
    cell = np.repeat(np.arange(len(cells)), np.diff(cells.start))
    low = cells.xyz_mm.min(axis=0)
    assert np.array_equal(cells.index[cell], np.floor((cells.xyz_mm - low) / 6.0).astype(int) + 1)


def test_runs_are_the_touching_cells(cells):
    for at in range(0, len(cells), 97):
        found = np.concatenate([np.arange(*run) for run in cells.runs[at]])
        touching = np.flatnonzero(np.all(np.abs(cells.index - cells.index[at]) <= 1, axis=1))
        assert np.array_equal(np.sort(found), touching)


def test_components_are_those_of_scipy(cells):
    member = np.random.default_rng(2).random(len(cells)) < 0.15
    ours = neighbours.components(cells.runs, member)
    centres = cells.index[member].astype(float)
    pairs = cKDTree(centres).query_pairs(np.sqrt(3) + 1e-6, output_type="ndarray")
    graph = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(centres), len(centres)))
    count, theirs = connected_components(graph, directed=False)
    assert count > 20
    assert ours[member].max() + 1 == count
    assert len(np.unique(np.column_stack([ours[member], theirs]), axis=0)) == count
    assert np.all(ours[~member] == -1)


def test_coarse_cells_hold_the_fine_ones(cells):
    member = np.ones(len(cells), bool)
    group, runs = neighbours.coarsen(cells.index, 3, member)
    coarse = (cells.index - 1) // 3
    assert len(np.unique(np.column_stack([group, coarse]), axis=0)) == len(runs) == group.max() + 1


def test_spacing_is_that_of_the_density(tmp_path):
    rng = np.random.default_rng(3)
    xyz = np.zeros((40_000, 3), np.float32)
    xyz[:, :2] = rng.uniform(0, 400, (40_000, 2))  # 0.25 points a mm2: 2 mm
    source = cloud.write(tmp_path / "c", [cloud.Cloud(xyz)], np.zeros(3), 500.0)
    # the sixth neighbour's squared distance has a standard deviation of 1/sqrt(6); the median of 2000 is good to 2 %
    assert neighbours.spacing_mm(source) == pytest.approx(2.0, rel=0.05)


def test_a_grid_too_large_is_refused():
    far = cloud.Cloud(np.float32([[0, 0, 0], [1e6, 0, 0]]), np.float32([[0, 0, 1], [0, 0, 1]]))
    with pytest.raises(ValueError, match="cells of 0.5 mm on an axis"):
        neighbours.sort_into_cells(far, 0.5)

"""A step round a hole is told from surface that just ends."""

import numpy as np

from nightbay.coverage import edges

CELL = 20.0


def ring(step_mm, seed=1):
    """Points round and in the edge of a square hole of 400 mm in a curved panel: (mask, plane, depth)."""
    rng = np.random.default_rng(seed)
    plane = rng.uniform(0, 1000, (30_000, 2))
    off = np.max(np.abs(plane - 500), axis=1)
    depth = 1e-4 * (plane[:, 0] - 300) ** 2 + rng.normal(0, 0.1, len(plane))
    flange = (off < 200) & (off > 185)
    depth[flange] -= step_mm
    keep = (off >= 200) | (flange if step_mm else np.zeros(len(off), bool))
    mask = np.zeros((50, 50), bool)
    mask[15:35, 15:35] = True
    return mask, plane[keep], depth[keep]


def test_a_flange_all_round_is_an_edge():
    mask, plane, depth = ring(5.0)
    assert edges.edged(mask, np.zeros(2), CELL, plane, depth) > 0.8


def test_surface_that_just_ends_has_none():
    mask, plane, depth = ring(0.0)
    assert edges.edged(mask, np.zeros(2), CELL, plane, depth) < 0.1


def test_without_surface_beside_it_nothing_is_known():
    mask, _, _ = ring(0.0)
    assert edges.edged(mask, np.zeros(2), CELL, np.empty((0, 2)), np.empty(0)) is None


def test_a_flange_that_lies_no_farther_off_than_allowed_is_none():
    mask, plane, depth = ring(5.0)
    behind_all = float(depth.min())
    assert edges.edged(mask, np.zeros(2), CELL, plane, depth, beyond_mm=behind_all) < 0.1
    assert edges.edged(mask, np.zeros(2), CELL, plane, depth, beyond_mm=1e6) > 0.8


def test_wider_cells_have_their_edge_farther_off():
    """A flange that lies 40 mm outside of the cells of the hole."""
    mask, plane, depth = ring(5.0)
    narrow = np.zeros_like(mask)
    narrow[17:33, 17:33] = True
    assert edges.edged(narrow, np.zeros(2), CELL, plane, depth) < 0.5
    assert edges.edged(narrow, np.zeros(2), CELL, plane, depth, near_mm=50.0) > 0.8

"""Duplicate layers: found, the right copy kept where one can tell, flagged where not; steps and panels are none."""

import numpy as np
import pytest

from nightbay.clean import duplicate_layers, neighbours
from nightbay.clouds import cloud

NOISE_MM = 0.05
SPACING_MM = 1.5
RADIUS_MM = 300.0


def sheet(rng, low, high, *, off_mm=0.0, share=1.0, radius_mm=RADIUS_MM, outward=1.0):
    """Points and normals of a patch of a cylinder about the X axis, lifted ``off_mm`` along its outward normal.

    ``low`` and ``high``: (x, arc length) mm; ``share`` of the full density.
    """
    area = (high[0] - low[0]) * (high[1] - low[1])
    count = int(share * area / SPACING_MM**2)
    x, arc = rng.uniform(low[0], high[0], count), rng.uniform(low[1], high[1], count)
    angle = arc / radius_mm
    normal = outward * np.column_stack([np.zeros(count), np.sin(angle), np.cos(angle)])
    tilt = normal + rng.normal(0, np.radians(1.5), (count, 3))
    tilt /= np.linalg.norm(tilt, axis=1)[:, None]
    height = (radius_mm + outward * off_mm + rng.normal(0, NOISE_MM, count))[:, None]
    return height * outward * normal + np.column_stack([x, np.zeros((count, 2))]), tilt


def find(*pieces):
    """Layers of some sheets: the result, and ``gone`` and ``undecided`` a piece."""
    xyz = np.concatenate([points for points, _ in pieces])
    block = cloud.Cloud(
        (xyz - xyz.mean(axis=0)).astype(np.float32), np.concatenate([n for _, n in pieces]).astype("f4")
    )
    cells = neighbours.sort_into_cells(block, 3 * SPACING_MM)
    found = duplicate_layers.find(cells, np.ones(len(xyz), bool), NOISE_MM, 6.0)
    ends = np.cumsum([len(points) for points, _ in pieces])[:-1]
    back = np.argsort(cells.order)
    return found, np.split(found.gone[back], ends), np.split(found.undecided[back], ends)


@pytest.mark.parametrize("off_mm", [0.5, 1.0, 3.0, -0.5, -2.0])
def test_a_copy_of_a_part_goes_and_the_surface_stays(off_mm):
    rng = np.random.default_rng(int(10 * off_mm) + 100)
    found, gone, undecided = find(
        sheet(rng, (0, 0), (150, 150)), sheet(rng, (40, 40), (110, 110), off_mm=off_mm, share=0.6)
    )
    assert gone[1].mean() >= 0.95
    assert gone[0].mean() <= 0.001
    assert not undecided[0].any()
    largest = max(found.areas, key=lambda area: area.area_mm2)
    assert largest.kept == ("inner" if off_mm > 0 else "outer")
    # the median over some hundred cells of offsets whose sd is about noise / sqrt(5)
    assert largest.apart_mm == pytest.approx(abs(off_mm), abs=NOISE_MM)


def test_the_one_that_goes_on_stays_even_with_fewer_points():
    rng = np.random.default_rng(3)
    _, gone, _ = find(
        sheet(rng, (0, 0), (150, 150), share=0.5), sheet(rng, (40, 40), (110, 110), off_mm=1.0, share=0.6)
    )
    assert gone[1].mean() >= 0.95
    assert gone[0].mean() <= 0.002


def test_two_equal_copies_are_flagged_not_removed():
    rng = np.random.default_rng(4)
    found, gone, undecided = find(sheet(rng, (0, 0), (100, 100)), sheet(rng, (0, 0), (100, 100), off_mm=1.0))
    assert not gone[0].any() and not gone[1].any()
    # along the rim of the patch, half a disc wide, the sheets can't be told
    assert undecided[0].mean() >= 0.9 and undecided[1].mean() >= 0.9
    assert [area.kept for area in found.areas] == ["both"]


def test_copies_sampled_thinly_are_told_apart():
    """A fifth of the segment's usual points, as where a surface turns away: 10 of each copy within 4 spacings."""
    rng = np.random.default_rng(12)
    pieces = [sheet(rng, (0, 0), (150, 150), share=0.2), sheet(rng, (0, 0), (150, 150), share=0.2, off_mm=0.6)]
    _, gone, undecided = find(*pieces)
    assert not gone[0].any() and not gone[1].any()
    assert undecided[0].mean() >= 0.9 and undecided[1].mean() >= 0.9


def nothing_found(*pieces):
    found, gone, undecided = find(*pieces)
    assert found.areas == []
    assert not any(one.any() for one in (*gone, *undecided))


def test_a_single_sheet_is_one():
    nothing_found(sheet(np.random.default_rng(5), (0, 0), (300, 300)))


def test_a_sheet_of_threefold_noise_is_one():
    """Black trim and chrome scatter more than the scanner's data sheet says."""
    rng = np.random.default_rng(6)
    points, normals = sheet(rng, (0, 0), (200, 200))
    nothing_found((points + rng.normal(0, 3 * NOISE_MM, (len(points), 1)) * normals, normals))


@pytest.mark.parametrize("share", [1.0, 0.2])
@pytest.mark.parametrize("step_mm", [0.5, 1.0, 3.0])
def test_a_step_is_no_layer(step_mm, share):
    rng = np.random.default_rng(7)
    nothing_found(
        sheet(rng, (0, 0), (100, 150), share=share), sheet(rng, (100, 0), (200, 150), off_mm=step_mm, share=share)
    )


def test_a_door_gap_is_no_layer():
    """Two panels 4 mm apart, one 1 mm lower, and the gap's bottom 3 mm below them."""
    rng = np.random.default_rng(8)
    nothing_found(
        sheet(rng, (0, 0), (100, 150)),
        sheet(rng, (104, 0), (200, 150), off_mm=-1.0),
        sheet(rng, (100, 0), (104, 150), off_mm=-3.0, share=0.4),
    )


def test_the_sides_of_a_panel_are_no_layer():
    rng = np.random.default_rng(9)
    nothing_found(sheet(rng, (0, 0), (150, 150)), sheet(rng, (0, 0), (150, 150), off_mm=3.0, outward=-1.0))


def test_a_rod_and_a_tight_fold_are_no_layer():
    rng = np.random.default_rng(10)
    nothing_found(sheet(rng, (0, 0), (300, 2 * np.pi * 3), radius_mm=3.0))
    nothing_found(sheet(rng, (0, 0), (300, np.pi / 2 * 5), radius_mm=5.0))

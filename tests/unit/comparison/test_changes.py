"""Changed areas: those that are there are found, with their size, and few that are not."""

import numpy as np
import pytest

from nightbay.comparison import changes

OPTIONS = changes.Options(patch_mm=40.0, level=0.05, least_mm2=1000.0, least_mm=0.3)
SPACING = 10.0


def sheet(side=120, common_mm=0.05, noise_mm=0.05, spacing=SPACING):
    """Points of a plane of ``side`` by ``side`` spacings that deviates nowhere."""
    x, y = np.meshgrid(np.arange(side) * spacing, np.arange(side) * spacing, indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    full = np.ones(len(points))
    return changes.Compared(
        points,
        np.tile([0.0, 0.0, 1.0], (len(points), 1)),
        spacing**2 * full,
        0.0 * full,
        common_mm * full,
        noise_mm * full,
    )


def drawn(compared, random):
    """The same, deviating as its uncertainties let expect: by one common error a square of 160 mm, and by noise."""
    square = np.unique(np.floor(compared.points_mm[:, :2] / 160.0), axis=0, return_inverse=True)[1].reshape(-1)
    common = random.normal(size=square.max() + 1)[square] * compared.common_sd_mm
    noise = random.normal(size=len(square)) * compared.noise_sd_mm
    compared.deviation_mm[:] = common + noise
    return compared


def test_where_nothing_changed_hardly_any_job_lists_an_area():
    listed = [
        len(changes.find(drawn(sheet(60), np.random.default_rng(seed)), changes.Options(40.0, 0.05, 0.0, 0.0)).areas)
        for seed in range(200)
    ]
    # at most 5 % of the jobs are expected; 10 + 4 sqrt(10 * 0.95) of 200 is beyond chance
    assert np.count_nonzero(listed) <= 22


def test_a_large_change_does_not_let_false_areas_in():
    shares = []
    for seed in range(200):
        compared = drawn(sheet(), np.random.default_rng(seed))
        panel = compared.points_mm[:, 0] < 480.0  # three of the squares that share an error: 360 of 900 patches
        compared.deviation_mm[panel] -= 1.0
        found = changes.find(compared, changes.Options(40.0, 0.05, 0.0, 0.0))
        assert found.area_of[panel].any()
        shares.append(np.mean([area.low_mm[0] >= 480.0 for area in found.areas]))
    # 5 % of the areas are expected; a share between 0 and 1 has at most the variance 0.05, and 4 sd are beyond chance
    assert np.mean(shares) <= 0.05 + 4 * np.sqrt(0.05 / len(shares))


def test_few_points_that_scatter_more_than_stated_are_no_change():
    listed = []
    for seed in range(200):
        compared = sheet(60, common_mm=0.0, spacing=20.0)  # four points a patch: a t test with 3 degrees of freedom
        compared.deviation_mm[:] = np.random.default_rng(seed).normal(size=len(compared.deviation_mm))
        listed.append(len(changes.find(compared, changes.Options(40.0, 0.05, 0.0, 0.0)).areas))
    # as above, where nothing changed
    assert np.count_nonzero(listed) <= 22


def test_a_dent_is_found_where_it_is_and_as_large():
    compared = drawn(sheet(), np.random.default_rng(1))
    away = np.linalg.norm(compared.points_mm[:, :2] - [500.0, 700.0], axis=1)
    compared.deviation_mm[:] -= np.where(away < 75.0, 1.0, 0.0)
    found = changes.find(compared, OPTIONS)
    assert len(found.areas) == 1
    area = found.areas[0]
    assert area.largest_mm == pytest.approx(-1.0, abs=4 * 0.06)
    assert np.linalg.norm(area.at_mm - [500.0, 700.0, 0.0]) < 75.0
    # the circle's area, and at most the patches that its edge crosses too
    assert 0.6 * np.pi * 75**2 < area.area_mm2 < np.pi * (75 + 40) ** 2
    assert np.array_equal(np.unique(found.area_of), [0, 1])
    assert np.all(away[found.area_of == 1] < 75.0 + 57.0)


def test_neighbours_that_deviate_either_way_are_two_areas():
    compared = sheet()
    compared.deviation_mm[:] = np.sign(compared.points_mm[:, 0] - 595.0) * (
        np.abs(compared.points_mm[:, 1] - 500) < 200
    )
    found = changes.find(compared, OPTIONS)
    assert [abs(area.largest_mm) for area in found.areas] == [1.0, 1.0]
    assert {np.sign(area.mean_mm) for area in found.areas} == {-1.0, 1.0}


def test_what_is_too_small_or_too_shallow_is_not_listed():
    compared = sheet(common_mm=0.01, noise_mm=0.01)
    compared.deviation_mm[:] = np.where(compared.points_mm[:, 0] < 400.0, 0.2, 0.0)
    assert changes.find(compared, OPTIONS).areas == []
    assert len(changes.find(compared, changes.Options(40.0, 0.05, 1000.0, 0.1)).areas) == 1
    assert changes.find(compared, changes.Options(40.0, 0.05, 1e6, 0.1)).areas == []


def test_points_without_counterpart_or_area_do_not_count():
    compared = sheet()
    compared.deviation_mm[:] = np.nan
    found = changes.find(compared, OPTIONS)
    assert (found.areas, found.patches, found.least_z) == ([], 0, None)
    assert not found.area_of.any()


def test_a_bent_patch_is_not_tested():
    compared = sheet()
    edge = np.abs(compared.points_mm[:, 0] - 600.0) < 30.0
    compared.normals[edge & (compared.points_mm[:, 0] > 600.0)] = [0.7, 0.0, 0.714]
    compared.deviation_mm[:] = np.where(edge, 1.0, 0.0)
    tested = changes.find(compared, OPTIONS)
    assert tested.areas == [] or max(area.area_mm2 for area in tested.areas) < 0.5 * 60 * 1200


def test_false_discoveries_as_published():
    """Fifteen probabilities of Y. Benjamini, Y. Hochberg (1995), section 4: four are discoveries at 0.05.

    Values from memory; the rule itself decides: p of rank 4 is below 4/15 * 0.05 = 0.0133, that of rank 5 is not.
    """
    p = np.array([1e-4, 4e-4, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.324, 0.4262, 0.5719, 0.6528])
    p = np.append(p, [0.759, 1.0])
    assert changes.false_discovery_rows(p[::-1], 0.05).tolist() == [11, 12, 13, 14]
    assert len(changes.false_discovery_rows(np.empty(0), 0.05)) == 0
    # twice as many tests halve the limits: that of rank 2 is then 2/30 * 0.05 = 0.0033, of rank 4 0.0067
    assert changes.false_discovery_rows(p, 0.05, tests=30).tolist() == [0, 1, 2]

"""Quantities of the artefacts against closed forms and published spheres, independent of the project."""

import numpy as np
import pytest
from scipy import integrate, stats

import artefact_scenes as scenes
from nightbay.artefact import (
    artefact,
    directions,
    plate_search,
    sphere_points,
    sphere_quantities,
    sphere_search,
    uncertainty,
    widths,
)

SD_MM, COUNT = 0.05, 4000


def expected_range(count):
    """Expected range of ``count`` standard normal values: the integral of 1 - F^n - (1 - F)^n (L. Tippett, Biometrika
    17 (1925) 364; the formula from memory)."""
    return integrate.quad(lambda x: 1 - stats.norm.cdf(x) ** count - stats.norm.sf(x) ** count, -8, 8)[0]


@pytest.mark.parametrize("count", [100, 300])  # fewer than 334 points: 0.3 % of them is none
def test_the_form_of_normal_residuals_has_the_expected_range(count):
    rng = np.random.default_rng(count)
    drawn = [widths.form(rng.normal(size=count))[0] for _ in range(2000)]
    error = np.std(drawn) / np.sqrt(len(drawn))
    assert np.mean(drawn) == pytest.approx(expected_range(count), abs=4 * error)


def test_the_form_of_many_normal_residuals_ends_at_a_quantile():
    """0.3 % dropped leave 2.968 standard deviations either way (quantile of 0.9985)."""
    rng = np.random.default_rng(0)
    drawn = [widths.form(rng.normal(size=40_000)) for _ in range(100)]
    assert all(dropped == 120 for _, dropped in drawn)
    error = np.std([width for width, _ in drawn]) / 10
    assert np.mean([width for width, _ in drawn]) == pytest.approx(2 * stats.norm.ppf(0.9985), abs=4 * error + 0.005)


def test_the_95_percent_form_of_normal_residuals():
    """A normal distribution's central 95 % are 3.92 standard deviations wide; the narrowest of a sample is a little
    less."""
    rng = np.random.default_rng(1)
    drawn = [widths.form_95(rng.normal(size=40_000)) for _ in range(100)]
    assert 3.92 - 0.05 < np.mean(drawn) < 3.92


def whole_sphere(rng):
    normal = directions.even(COUNT)
    return (25.0 + rng.normal(0, SD_MM, COUNT))[:, None] * normal


def fitted(points):
    found = sphere_points.SpherePoints(points, np.arange(len(points)), 0, 1.0)
    return sphere_quantities.fit(found, SD_MM / 100)


def test_a_whole_sphere_has_the_closed_covariance():
    """sd of each centre coordinate sigma sqrt(3 / N), of the radius sigma / sqrt(N)."""
    rng = np.random.default_rng(2)
    fits = [fitted(whole_sphere(rng)) for _ in range(200)]
    centre = np.array([fit.fit.centre_mm for fit in fits])
    radius = np.array([fit.fit.radius_mm for fit in fits])
    expected = SD_MM * np.sqrt(3 / COUNT)
    # a standard deviation from 200 draws (600 for the centre) is good to 5 % (2.9 %); four times that
    assert np.sqrt((centre**2).mean()) == pytest.approx(expected, rel=0.12)
    assert np.std(radius) == pytest.approx(SD_MM / np.sqrt(COUNT), rel=0.2)
    stated = np.mean([np.diag(fit.covariance) for fit in fits], axis=0)
    # the largest of the formal covariance and three jackknifes: above the closed form, by less than the 27 % that the
    # coarsest of them scatters by twice over
    for found, closed in ((np.sqrt(stated[:3].mean()), expected), (np.sqrt(stated[3]), SD_MM / np.sqrt(COUNT))):
        assert 1.0 < found / closed < 1.54


def test_the_noise_and_its_uncertainty():
    """The sd of a standard deviation of N normal values is sigma / sqrt(2 N)."""
    rng = np.random.default_rng(3)
    patchings = [np.arange(COUNT) % count for count in uncertainty.PATCHES]
    drawn = [uncertainty.of_noise(rng.normal(0, SD_MM, COUNT), patchings, 0) for _ in range(200)]
    assert np.mean([sd for sd, _ in drawn]) == pytest.approx(SD_MM, rel=0.005)
    # the largest of three estimates from 24, 12 and 8 patches: 15, 21 and 27 % off each (1 / sqrt(2 (k - 1)))
    stated = np.mean([own for _, own in drawn]) / (SD_MM / np.sqrt(2 * COUNT))
    assert 1.0 < stated < 1.27


def test_a_cap_makes_the_radius_as_uncertain_as_geometry_says():
    """Radius and axial position over a cap down to cosine a: sd(r) = sigma / sqrt(N (1 - E[z]^2 / E[z^2]))."""
    z = directions.even(8 * COUNT)
    cap = z[z[:, 2] > 0.5]
    rows = np.column_stack([-cap, -np.ones(len(cap))])
    rng = np.random.default_rng(4)
    patchings = [directions.cell(cap, 4 * count) for count in uncertainty.PATCHES[:1]]
    stated = [uncertainty.of_fit(rows, rng.normal(0, SD_MM, len(cap)), patchings)[0][3, 3] for _ in range(50)]
    expected = SD_MM / np.sqrt(len(cap) * (1 - 0.75**2 / (7 / 12)))
    assert np.sqrt(np.mean(stated)) == pytest.approx(expected, rel=0.15)


def test_spheres_through_four_points():
    """OSGeoLab, Budapest University of Technology and Economics (tutorial, CC0): printed to three decimals."""
    points = np.array([(2, 3, 4), (-3, 1, 3), (-2, -4, 2), (-5, 2, -4)], float)
    start = np.array([1.0, 0.0, -2.0])
    repeated = np.repeat(points, 5, axis=0)  # the robust fit asks for twenty points
    found = sphere_search.refined(repeated, start, 6.8, 0.001)
    assert found.centre_mm == pytest.approx((1.357, 0.214, -2.214), abs=0.0006)
    assert found.radius_mm == pytest.approx(6.840, abs=0.0006)


def test_the_outline_of_a_turned_rectangle():
    rng = np.random.default_rng(5)
    turn = np.array([[np.cos(0.4), np.sin(0.4)], [-np.sin(0.4), np.cos(0.4)]])
    corners = np.array([(0, 0), (200, 0), (200, 120), (0, 120)], float)
    points = np.vstack([corners, rng.uniform((0, 0), (200, 120), (500, 2))]) @ turn + [30, 40]
    axes, middle, size = plate_search.outline(points)
    assert size == pytest.approx((200, 120)) and middle == pytest.approx([100, 60] @ turn + [30, 40])
    assert np.abs(axes @ turn.T) == pytest.approx(np.eye(2), abs=1e-9)


def test_a_perfect_scanner_has_no_error(tmp_path):
    """Without noise only float32 is left: a micrometre on half a metre."""
    bench = scenes.Bench(np.random.default_rng(6), noise_mm=1e-4)
    bench.sphere((0, 0, 45), 38.1, stand_mm=0).sphere((500, 0, 45), 38.1, stand_mm=0)
    taken = scenes.upstream(tmp_path, bench)
    result = artefact.artefact({"intake": [taken]}, scenes.sheet([scenes.bar_entry()]), scenes.SETTINGS, tmp_path, 1)
    errors = [
        quantity["value_mm"]
        for quantity in result["artefacts"][0]["views"][0]["quantities"]
        if quantity["calibrated_mm"] is not None
    ]
    assert len(errors) == 3 and np.abs(errors).max() < 0.001

"""How closely parts can be fitted to a part, by what was withheld from the fits and by the surface's noise."""

from dataclasses import replace

import numpy as np
import pytest

from nightbay.meshes.surface import Surface
from nightbay.network.result import CheckTargets
from nightbay.refine.result import Contradictions, Discrepancy, DoubtedSegment, SurfaceRegistration
from nightbay.report import fitness_for_use
from nightbay.report.part import Part, parts_of
from typed_results import made

STATE = {"load": "empty", "tyre_pressure_kpa": 300.0, "ride_height": "springs", "temperature_c": 20}


def strip(spread_mm, count=4.0):
    """A strip of quads, each of 1 mm2; ``spread_mm`` of its vertices from one end to the other."""
    n = len(spread_mm)
    vertices = np.array([(x, y, 0.0) for x in range(n) for y in (0, 1)], np.float32)
    faces = [(2 * k, 2 * k + 2, 2 * k + 1) for k in range(n - 1)] + [
        (2 * k + 1, 2 * k + 2, 2 * k + 3) for k in range(n - 1)
    ]
    vertex = {
        "spread_mm": np.repeat(np.asarray(spread_mm, np.float32), 2),
        "count": np.full(2 * n, count, np.float32),
    }
    return Surface(vertices, np.array(faces, np.int32), vertex, {"filled": np.zeros(len(faces), np.uint8)})


@pytest.fixture
def part(whole) -> Part:
    part = parts_of(whole)[0]
    checks = CheckTargets(count=40, needed=0, rms_mm=0.3, expected_rms_mm=0.3, p95_mm=0.5, max_mm=0.6, errors=[])
    pair = made(Discrepancy, segments=["left", "roof"], patches=30, withheld_rms_after_mm=0.1)
    return replace(
        part,
        network=replace(part.network, check_targets=checks, scale_bars=[]),
        refine=replace(part.refine, discrepancies=[pair], by_surfaces=[]),
    )


def test_equal_errors_give_the_normal_quantile():
    assert fitness_for_use.covering(np.full(7, 0.5), np.ones(7)) == pytest.approx(0.5 * 1.959964, abs=1e-3)


def test_the_tolerance_covers_95_of_100_simulated_errors_of_a_mixture(part):
    spread = np.linspace(0.05, 2.0, 2001)
    model = strip(spread)
    found = fitness_for_use.fitness_for_use(part, model, STATE)
    noise, _ = fitness_for_use._noise(model)
    errors = np.random.default_rng(5).normal(0, np.hypot(noise, 0.3 / np.sqrt(3)), (100, len(noise)))
    covered = (np.abs(errors) < found.tolerance_mm).mean()
    assert covered == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / errors.size))
    worst = np.sort(noise)[-len(noise) // 20 :]
    assert found.worst_mm == pytest.approx(fitness_for_use.covering(np.hypot(worst, 0.3 / 3**0.5), worst**0), rel=0.01)


def test_filled_faces_and_places_without_a_spread_do_not_count(part):
    model = strip([0.2] * 10 + [np.nan] * 5 + [9.0] * 5)
    model.face["filled"][np.isin(model.faces // 2, range(14, 20)).any(axis=1)] = 1
    noise, _ = fitness_for_use._noise(model)
    assert len(noise) and np.allclose(noise, 0.1)


def test_the_larger_of_targets_and_overlaps_counts(part):
    model = strip([1e-3] * 5)
    by_targets = fitness_for_use.fitness_for_use(part, model, STATE).tolerance_mm
    assert by_targets == pytest.approx(1.96 * 0.3 / np.sqrt(3), rel=1e-3)
    loose = made(SurfaceRegistration, segment="roof", position_sd_mm=0.8)
    by_surfaces = replace(part, refine=replace(part.refine, by_surfaces=[loose]))
    assert fitness_for_use.fitness_for_use(by_surfaces, model, STATE).tolerance_mm == pytest.approx(1.568, rel=1e-3)


def test_without_anything_withheld_there_is_no_tolerance(part):
    alone = replace(
        part, network=replace(part.network, check_targets=None), refine=replace(part.refine, discrepancies=[])
    )
    found = fitness_for_use.fitness_for_use(alone, strip([0.2] * 5), STATE)
    assert found.tolerance_mm is None and found.worst_mm is None
    assert "is not known" in fitness_for_use.sentences(alone, found)[0]


def test_what_no_uncertainty_covers_is_named(part):
    causes = fitness_for_use.causes_not_covered
    assert causes(None, None, {}) == [
        "the scanner's scale, which no scale bar checked",
        "the body's temperature, which is not known",
    ]
    assert causes("length", None, STATE) == ["the scanner's scale, which no scale bar checked"]
    assert causes("height", None, {**STATE, "load": "unknown"})[-1] == "load, which is not known"
    assert causes("height", None, {"temperature_c": 20})[-1] == (
        "load, tyre pressure and ride height, which are not known"
    )


def test_where_nothing_must_be_fitted_is_named(part):
    doubted = Contradictions(20.0, [], [DoubtedSegment("roof", 10, 40)], ["left"])
    found = fitness_for_use.fitness_for_use(replace(part, refine=replace(part.refine, contradiction=doubted)), None, {})
    words = fitness_for_use.sentences(part, found)[-1]
    assert words.startswith("Don't fit parts to filled surface (")
    assert "what segment roof shows, because it contradicts the others" in words
    assert "what segment left alone shows, because no overlap tests it" in words

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from nightbay.measure.result import Angle, Dimension, Tolerance, TouchPoints
from nightbay.report import axle_sizes

OVERHANG = Dimension("from the axle", 820.04, None, 0.31, 2, {}, [], TouchPoints(None, None), [])
ANGLE = Angle(
    "under the front", 17.44, 0.05, 2, {"unseen underbody": None}, ["unseen underbody"], True,
    np.array([-750.0, 10.0, 210.0]), [np.array([-93.0, 0.0, 6.0])],
)  # fmt: skip
NETWORK = SimpleNamespace(scale_bars=[1], scale=SimpleNamespace(temperature=1))
STATE = {"load": "kerb", "tyre_pressure_kpa": 250, "ride_height": "as found"}


def measured(dimensions=None, angles=None, not_stated=None):
    return SimpleNamespace(dimensions=dimensions or {}, angles=angles or {}, not_stated=not_stated or {})


def part(found):
    return SimpleNamespace(name="exterior", measure=found)


def test_rows_say_the_value_what_is_not_covered_and_what_can_not_be_stated():
    found = measured({"front_overhang": OVERHANG}, {"approach_angle": ANGLE}, {"track_front": "one wheel"})
    overhang, angle, track = axle_sizes.rows(found, NETWORK, STATE)
    assert overhang.title == "Front overhang" and overhang.value.startswith("820.04 ± 0.31")
    assert overhang.nominal == "not given" and overhang.verdict == "–" and overhang.meaning == "from the axle"
    assert angle.value == "≤ 17.440 ± 0.050°"
    assert angle.meaning == "under the front; not in the uncertainty: unseen underbody"
    assert (track.title, track.reason, track.value) == ("Track, first axle", "one wheel", "")


def test_an_angle_depends_on_how_the_vehicle_stood():
    (row,) = axle_sizes.rows(measured(angles={"approach_angle": ANGLE}), NETWORK, {})
    assert "load, tyre pressure and ride height (not known)" in row.meaning


@pytest.mark.parametrize(
    ("lower", "upper", "words"),
    [(-5.0, 5.0, "−5.0 mm … +5.0 mm"), (None, 2.0, "≤ +2.0 mm"), (-2.0, None, "≥ −2.0 mm")],
)
def test_tolerances_in_words(lower, upper, words):
    shown = axle_sizes.tolerance(Tolerance(lower, upper), OVERHANG)
    assert shown.replace("\u202f", " ") == words
    assert axle_sizes.tolerance(None, OVERHANG) == "–"


@pytest.mark.parametrize(
    ("verdict", "sign", "warned"), [("inside", "✓", 0), ("outside", "✗", 1), ("undecided", "?", 1)]
)
def test_a_verdict_has_a_sign_and_a_warning_where_it_is_not_inside(verdict, sign, warned):
    judged = replace(
        OVERHANG, nominal_mm=820.0, difference_mm=0.04, significant=False, tolerance=Tolerance(-1, 1), verdict=verdict
    )
    found = measured({"front_overhang": judged})
    assert axle_sizes.rows(found, NETWORK, STATE)[0].verdict.startswith(sign)
    warnings = axle_sizes.warnings(part(found), {})
    assert len(warnings) == warned
    assert all("Front overhang" in str(warning) for warning in warnings)


def test_what_the_sheet_orders_and_can_not_be_stated_is_a_warning():
    found = measured(not_stated={"ramp_angle": "the tread of its tyres was not scanned"})
    (warning,) = axle_sizes.warnings(part(found), {"nominal_deg": {"ramp_angle": 20}})
    assert "Ramp angle has a nominal value, but can't be stated: the tread" in str(warning)
    assert axle_sizes.warnings(part(found), {}) == []


def test_angles_are_drawn_from_the_tyre_past_the_body():
    (slope,) = axle_sizes.slopes(part(measured(angles={"approach_angle": ANGLE})))
    ((start, end),) = slope.lines
    assert start == pytest.approx([-93.0, 0.0, 6.0])
    # a quarter further than the point of the body
    assert end == pytest.approx(start + 1.25 * (np.array([-750.0, 0.0, 210.0]) - start))
    assert slope.label == "≤ 17.4°"

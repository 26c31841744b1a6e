"""A vehicle that does not fit the class on its job sheet is told of on the page and on the board."""

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
import yaml

from nightbay.frame.result import FrameResult
from nightbay.measure.result import Dimension, MeasureResult, UnscannedEnd
from nightbay.pipeline import stage, typed
from nightbay.pipeline.settings import settings
from nightbay.planning import day, parameters
from nightbay.report import class_fit, job_summary, report
from typed_results import made

SCHEMA = json.loads((Path(report.__file__).parents[3] / "schemas/report.schema.json").read_text(encoding="utf-8"))
EXTENTS = {
    "coach": {"length": [6500, 15300], "width": [2000, 2700], "height": [2500, 4200]},
    "compact": {"length": [3300, 4500], "width": [1400, 1950], "height": [1250, 1800]},
    "saloon": {"length": [4200, 5700], "width": [1600, 2100], "height": [1250, 1800]},
    "van": {"length": [3900, 7700], "width": [1600, 2300], "height": [1700, 3200]},
    "trailer": {},
}
OWN = {"report": {"language": "en", "customer_language": None, "most_faces": 10_000, "marked_openings": 5}}


def taken(uncertainty_mm=1.5, **values):
    """Dimensions as measure leaves them."""
    return {
        name: made(Dimension, value_mm=value, uncertainty_mm=uncertainty_mm, coverage=2)
        for name, value in values.items()
    }


CAR = taken(height=1490.0, length=4600.3, wheelbase=2700.0, width=1750.0, width_over_mirrors=2010.0)


def plain(sentence):
    return sentence.replace("\u202f", " ")


def test_a_car_declared_as_a_coach_is_told_with_values_ranges_and_what_to_do():
    assert plain(class_fit.warning("exterior", CAR, "coach", EXTENTS)) == (
        "The exterior does not fit vehicle class coach: length 4 600.3 ± 1.5 mm (plausible: 6 500 to 15 300 mm), "
        "width 1 750.0 ± 1.5 mm (plausible: 2 000 to 2 700 mm) and height 1 490.0 ± 1.5 mm (plausible: 2 500 to "
        "4 200 mm); check vehicle_class and units on the job sheet (its size fits saloon)."
    )


@pytest.mark.parametrize(
    ("length", "uncertainty_mm", "fits"),
    [
        (5700.0, 1.0, True),
        (5700.9, 1.0, True),
        (5701.1, 1.0, False),
        (5705.0, 6.0, True),
        (4200.0, 1.0, True),
        (4199.1, 1.0, True),
        (4198.9, 1.0, False),
    ],
)
def test_a_range_is_left_by_more_than_the_uncertainty(length, uncertainty_mm, fits):
    sizes = taken(uncertainty_mm, length=length, width=1750.0, height=1490.0)
    assert (class_fit.warning("exterior", sizes, "saloon", EXTENTS) is None) is fits


def test_only_what_was_measured_and_what_the_class_states_is_held_against_it():
    assert class_fit.warning("exterior", {}, "coach", EXTENTS) is None
    assert class_fit.warning("exterior", CAR, "trailer", EXTENTS) is None
    only = plain(class_fit.warning("exterior", taken(height=1490.0), "coach", EXTENTS))
    assert "height 1 490.0 ± 1.5 mm" in only and "length" not in only
    assert only.endswith("(its size fits compact and saloon).")


def test_a_size_that_fits_no_class_says_so():
    sentence = class_fit.warning("exterior", taken(length=460.0, width=175.0, height=149.0), "saloon", EXTENTS)
    assert sentence.endswith("check vehicle_class and units on the job sheet (its size fits no class).")


def test_an_end_that_was_not_scanned_makes_a_vehicle_too_long_but_not_too_short():
    unscanned = [made(UnscannedEnd, end="high")]
    short = {"length": replace(taken(length=4000.0)["length"], unscanned_ends=unscanned)}
    assert class_fit.warning("exterior", short, "saloon", EXTENTS) is None
    long = {"length": replace(taken(length=6000.0)["length"], unscanned_ends=unscanned)}
    assert class_fit.warning("exterior", long, "saloon", EXTENTS).endswith("(its size fits coach and van).")


def test_an_inside_may_be_smaller_than_its_class_but_not_larger():
    small = taken(inner_length=1200.0, inner_width=900.0, inner_height=700.0)
    assert class_fit.warning("interior", small, "coach", EXTENTS) is None
    large = taken(inner_length=3000.0, inner_width=2010.0, inner_height=1700.0)
    assert plain(class_fit.warning("interior", large, "compact", EXTENTS)) == (
        "The interior does not fit vehicle class compact: inner width 2 010.0 ± 1.5 mm (at most 1 950 mm on the "
        "outside); check vehicle_class and units on the job sheet (its size fits coach, saloon and van)."
    )


@pytest.mark.parametrize(("vehicle_class", "state"), [("coach", "complete with warnings"), ("saloon", "complete")])
def test_page_and_state_of_the_job_tell_it(tmp_path, vehicle_class, state):
    results = {
        "measure": made(MeasureResult, dimensions=CAR),
        "frame": made(FrameResult, state="vehicle", axes="design_grid"),
    }
    found = {
        name: [stage.Upstream(name, "larch", "exterior", None, "ok", [], [], typed.write(result), tmp_path / name)]
        for name, result in results.items()
    }
    sheet = {"vehicle_class": vehicle_class, "extents_mm": EXTENTS, "state": {}, "parameters": {}, "notes": []}
    folder = tmp_path / "report"
    folder.mkdir()
    result = report.report(found, sheet, settings(OWN), folder, 1)
    jsonschema.validate(result, SCHEMA)
    assert result["state"] == state
    page = (folder / "report.html").read_text(encoding="utf-8")
    sentence = "does not fit vehicle class coach"
    assert (sentence in page) is (sentence in " ".join(result["warnings"])) is (state == job_summary.WARNED)


def test_ranges_come_from_the_class_files(tmp_path):
    (tmp_path / "base.yaml").write_text("description: base\nextent_mm: {length: [1000, 2000], width: [500, 900]}\n")
    (tmp_path / "heir.yaml").write_text("description: heir\ninherits: base\nextent_mm: {length: [1500, 2500]}\n")
    (tmp_path / "broken.yaml").write_text("description: broken\nwheels: 4\n")
    assert parameters.extents(tmp_path) == {
        "base": {"length": [1000, 2000], "width": [500, 900]},
        "heir": {"length": [1500, 2500], "width": [500, 900]},
    }
    assert set(parameters.extents()) == set(parameters.classes())


def test_the_report_is_told_the_ranges_of_all_classes_and_measure_none(tmp_path):
    (tmp_path / "larch" / "raw").mkdir(parents=True)
    (tmp_path / "larch" / "raw" / "left.ply").write_text("ply")
    (tmp_path / "larch" / "job.yaml").write_text("vehicle_class: coach\nunits: mm\n")
    defaults = yaml.safe_load((parameters.CLASSES.parent / "config.yaml").read_text(encoding="utf-8"))
    job = day.plan(tmp_path, defaults).jobs["larch"]
    told = job.sheet("report")["extents_mm"]
    assert told == parameters.extents() and told["coach"] == job.extent_mm
    # so that a range, once changed, sets off no stage that is dear
    assert "extents_mm" not in job.sheet("measure", part="exterior")

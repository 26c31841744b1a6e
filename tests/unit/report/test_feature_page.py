"""Ordered features on the page: values, verdicts in words and signs, refusals on top, where they lie."""

import re
from dataclasses import replace

import numpy as np

import report_pages
from nightbay.core.axes import DESIGN_GRID, ISO_8855
from nightbay.features.result import At20C, Feature, FeaturesResult, Refused, Value
from nightbay.report import feature_views


def value(name, amount, uncertainty, unit="mm", **known):
    return Value(
        name, "between two points", unit, amount, uncertainty, 2, {"noise": uncertainty / 2}, **{"unknown": [], **known}
    )


def feature(number, kind, point, direction, *values):
    direction = None if direction is None else np.array(direction, float)
    return Feature(
        number, f"bracket <{number}>", kind, np.array(point, float), direction, list(values), 900, ["left"], 0.1
    )


def ordered():
    judged = {"nominal": 20.0, "lower": -0.5, "upper": 0.5}
    features = [
        feature(
            1,
            "hole",
            [800, -400, 300],
            [0, -1, 0],
            value("diameter", 20.1, 0.2, deviation=0.1, verdict="inside", **judged),
        ),
        feature(
            2,
            "hub",
            [1500, 400, 200],
            [0, 1, 0],
            value("diameter", 21.0, 0.2, deviation=1.0, verdict="outside", **judged),
        ),
        feature(
            3,
            "mount",
            [900, 0, 600],
            [0, 0, 1],
            value("diameter", 20.4, 0.2, deviation=0.4, verdict="undecided", **judged),
        ),
        replace(feature(4, "station", [100, 0, 0], [1, 0, 0]), points=0, segments=[], form_rms_mm=None),
    ]
    ends = [np.array([800.0, -400, 300]), np.array([1500.0, 400, 200])]
    at_20_c = At20C(1000.9, 0.5)
    distance = value(
        "wide",
        1000.5,
        0.4,
        at_20_c=at_20_c,
        between=["bracket <1>", "bracket <2>"],
        ends_mm=ends,
        unknown=["registration"],
    )
    angle = value("lean", 1.25, 0.031, "deg", between=["bracket <1>", "bracket <3>"])
    refused = [
        Refused("feature", "lost", "no hole lies near the point"),
        Refused("angle", "turn", "a sphere has no direction"),
    ]
    return FeaturesResult(features, [distance], [angle], refused)


def shown(tmp_path):
    found = report_pages.whole(tmp_path)
    report_pages.changed(found, "measure", features=report_pages.typed.write(ordered()))
    result, html = report_pages.page(found, tmp_path / "page")
    report_pages.check(html)
    return result, html, (tmp_path / "page" / "customer.html").read_text(encoding="utf-8")


def test_both_pages_show_values_verdicts_and_refusals(tmp_path):
    result, html, customer = shown(tmp_path)
    for text in (html, customer):
        section = text[text.index('id="features-exterior"') : text.index("Verdicts follow ISO 14253-1")]
        assert (
            "The feature &#39;lost&#39; of the job sheet can&#39;t be stated: no hole lies near the point." in section
        )
        assert "✓ inside the tolerance" in text and "✗ outside the tolerance" in text and "? not decided" in text
        assert "20.10 ± 0.20" in text and "1.250 ± 0.031°" in text
        assert "not in the uncertainty: registration" in text
        assert "bracket &lt;1&gt;" in text and "bracket <1>" not in text
        assert "station · X 100.0" in text
    warnings = [warning["sentence"] if isinstance(warning, dict) else str(warning) for warning in result["warnings"]]
    assert any("can't be stated: a sphere has no direction" in text for text in warnings)
    assert any(
        text.startswith("The diameter of 'bracket <2>' is outside its tolerance: 21.00 ± 0.20") for text in warnings
    )
    assert any("'bracket <3>' is inside its tolerance is not decided" in text for text in warnings)
    assert not any("bracket <1>" in text for text in warnings)


def test_a_page_without_orders_says_nothing_of_features(tmp_path):
    _, html = report_pages.page(report_pages.whole(tmp_path), tmp_path / "page")
    assert "features-exterior" not in html and "features.csv" not in html


def test_each_feature_is_numbered_in_the_view_that_it_faces():
    marks = feature_views.marks_of(ordered(), DESIGN_GRID)
    assert {name: [mark.number for mark in found] for name, found in marks.items()} == {
        "left": [1],
        "right": [2],
        "top": [3],
    }
    turned = feature_views.marks_of(ordered(), ISO_8855)
    assert {name: [mark.number for mark in found] for name, found in turned.items()} == {
        "right": [1],
        "left": [2],
        "top": [3],
    }
    circle, line = marks["left"][0].lines_mm
    assert np.allclose(np.linalg.norm(circle - [800, -400, 300], axis=1), 10.05) and np.allclose(circle[:, 1], -400)
    assert np.allclose(line, [[800, -400, 300], [1500, 400, 200]])


def test_the_picture_names_its_numbers(tmp_path):
    _, html, _ = shown(tmp_path)
    labels = re.findall(r'aria-label="(Features\. features [^"]*)"', html)
    assert [label.split(".")[1].strip() for label in labels] == ["features 1", "features 2", "features 3"]

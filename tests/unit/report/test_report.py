"""The page of a job: whole, refused, or with next to nothing measured."""

from dataclasses import replace

import numpy as np
import pytest
import yaml

from nightbay.clean.result import CleanResult
from nightbay.core.version import version
from nightbay.fill.result import FillResult
from nightbay.frame.result import FrameResult
from nightbay.intake.result import IntakeResult
from nightbay.measure.result import MeasureResult
from nightbay.network.result import Displacement, MovedGroup, NetworkResult, ScaleBar, VarianceFactor
from nightbay.pipeline import stage, typed
from nightbay.reduce.result import ReduceResult
from nightbay.refine.result import RefineResult
from nightbay.report import job_summary, report
from nightbay.report.part import parts_of
from nightbay.tracking.result import NOT_RIGID, ONLY_NOTED, UNDETERMINED, Slip, Tracking
from report_pages import SETTINGS, changed, check, page, sheet, upstream
from typed_results import made

REASON = {
    "stage": "network",
    "segment": None,
    "sentence": "Segment roof (roof.csv) shares 3 targets with control survey; at least four are needed.",
}


def test_page_tells_what_was_measured(whole, tmp_path):
    result, html = page(whole, tmp_path / "page")
    check(html)
    assert result["state"] == job_summary.WARNED and result["points"] == 60
    assert result["evidence"] == ["Exterior: overlaps agree to 0.14\u202fmm (rms of the worst pair)"]
    assert [(size["name"], size["value_mm"], size["uncertainty_mm"]) for size in result["sizes"]] == [
        ("Length", 2000.3, 0.62), ("Height", 600.1, 0.62), ("Wheelbase", 1200.0, 0.62),
    ]  # fmt: skip
    assert (
        "Length differs from its nominal value by +2.3\u202fmm, more than its uncertainty of 0.6\u202fmm."
        in result["warnings"]
    )
    assert any("Which end is the front" in sentence for sentence in result["warnings"])
    for text in (
        "Larch &lt;van&gt; &amp; more",
        "Length 2\u202f000.30 \u00b1 0.62\u202fmm",
        "Height 600.10 \u00b1 0.62\u202fmm",
        "Wheelbase 1\u202f200.00 \u00b1 0.62\u202fmm",
        "not in the uncertainty: drift",
        "800.0\u202fcm\u00b2",
        "outlier 10",
        "Noted.",
        "front 300",
        "qualified person",
        "no scale bar was measured",
        "left – roof: 0.310, 0.120",
        f"Made by Nightbay {version()}.",
    ):
        assert text in html, text
    assert "Check targets" in html and "not measured" in html
    assert html.count('class="drawing"') == 4 + 5 + 5 + 2 + 1  # views, coverage, scatter, left and right twice, oblique
    assert html.count('<g class="mark">') == 1 and 'class="rim over"' in html
    for text in (
        "Confidence of the measured surface",
        "0: few or scattered points",
        "filled to close a gap, not measured",
        "back of a surface, seen through an opening",
        "origin of the frame",
        "no surface: open or not seen by the scanner",
        "mm or more",
        "<td>Left side</td>",
        "800.0\u202fcm\u00b2 in 1 hole in a panel",
    ):
        assert text in html, text


def test_targets_that_moved_bars_that_fail_and_lists_that_disagree_are_warnings(whole, tmp_path):
    bar = made(
        ScaleBar, from_id="a", to_id="b", difference_mm=0.2, passed=False, measured_mm=1000.2, certified_mm=1000.0
    )
    moved = made(MovedGroup, segment="roof", body=made(Displacement, size_mm=3.1))
    changed(
        whole,
        "network",
        moved_groups=[moved],
        scale_bars=[bar, replace(bar, from_id="c", passed=True)],
        variance_factor=VarianceFactor(1.4, 0.9, 1.1, False, 80, 0.05),
    )
    result, html = page(whole, tmp_path / "page")
    check(html)
    assert result["warnings"][1:4] == [
        "Something moved by 3.10\u202fmm between the control survey and segment roof: the vehicle on its suspension, a "
        "door or a lid; see the notes.",
        "Scale bar a–b is off by +0.200\u202fmm, more than the uncertainties allow.",
        "The target lists agree worse than declared; the uncertainties were enlarged to match.",
    ]
    assert "checked with 2 scale bars" in html


def test_page_is_the_same_bytes_again(whole, tmp_path):
    assert page(whole, tmp_path / "a")[1] == page(whole, tmp_path / "b")[1]


def test_result_fits_its_schema(whole, tmp_path):
    record = stage.execute(
        report.report, stage="report", wildcards={"job": "larch"}, upstream=whole, sheet=sheet(), settings=SETTINGS,
        folder=tmp_path / "out", threads=1, accepts_rejected=True,
    )  # fmt: skip
    assert record["status"] == "ok" and set(record["files"]) == {
        "report.html",
        "customer.html",
        "parameters.yaml",
        "thumbnail.png",
    }


def test_parameters_can_be_read_back(whole, tmp_path):
    page(whole, tmp_path / "page")
    text = (tmp_path / "page" / "parameters.yaml").read_text()
    assert yaml.safe_load(text) == {"exterior": {"scan": {"resolution_mm": 2.0}}}


def test_refused_job_says_why_first(tmp_path):
    stages = ("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure")
    found = {name: [upstream(name, {}, tmp_path, status="rejected", reasons=[REASON])] for name in stages}
    found["intake"] = [upstream("intake", typed.write(made(IntakeResult, count=70)), tmp_path, segment="roof")]
    found["clean"] = [upstream("clean", typed.write(made(CleanResult, kept=60)), tmp_path, segment="roof")]
    result, html = page(found, tmp_path / "page")
    check(html)
    assert result["state"] == job_summary.REFUSED and result["reasons"] == [REASON] and result["thumbnail"] is None
    assert html.index("Why this job was refused") < html.index(REASON["sentence"]) < html.index("State of the vehicle")


def test_one_refused_part_leaves_the_other(whole, tmp_path):
    whole["network"].append(upstream("network", {}, tmp_path, part="interior", status="rejected", reasons=[REASON]))
    result, html = page(whole, tmp_path / "page")
    check(html)
    assert result["state"] == job_summary.WARNED
    assert "The interior was refused; the rest of the job was made without it." in result["warnings"]


def test_results_with_next_to_nothing_in_them_make_a_page(tmp_path):
    kinds = {
        "network": NetworkResult, "refine": RefineResult, "frame": FrameResult, "fill": FillResult,
        "reduce": ReduceResult, "measure": MeasureResult,
    }  # fmt: skip
    empty = {name: typed.write(made(kind)) for name, kind in kinds.items()}
    empty["frame"] |= {"state": "vehicle", "axes": "as_scanned"}
    found = {name: [upstream(name, result, tmp_path)] for name, result in empty.items()}
    for name, kind in (("intake", IntakeResult), ("clean", CleanResult)):
        found[name] = [upstream(name, typed.write(made(kind)), tmp_path, segment="left")]
    result, html = page(found, tmp_path / "page", state={})
    check(html)
    assert result["state"] == job_summary.COMPLETE and "Views: not measured." in html and "unknown" in html


def test_a_frame_as_scanned_names_its_views_by_their_axes(whole, tmp_path):
    changed(whole, "frame", axes="as_scanned")
    _, html = page(whole, tmp_path / "page")
    assert "Along +Y" in html and "Left side</figcaption>" not in html


def test_parts_are_sorted_exterior_first(tmp_path):
    found = [upstream("fill", {}, tmp_path, part=name, status="rejected") for name in ("interior", "exterior")]
    assert [part.name for part in parts_of({"fill": found})] == ["exterior", "interior"]


@pytest.mark.parametrize(
    ("slip", "sentence"),
    [
        (
            {"shift_mm": 3.24, "reason": ONLY_NOTED},
            "Segment left seems to have lost its track after 61 % of its points: what came later is displaced by about "
            "3.2 mm",
        ),
        ({"reason": UNDETERMINED}, "what came later is displaced by an amount that is not known"),
        ({"reason": NOT_RIGID}, "Segment left seems to have lost its track, but no rigid motion"),
        ({"moved": True}, "Segment left lost its track after 61 % of its points: what came later was moved back by"),
    ],
)
def test_a_run_that_lost_its_track_is_a_warning(whole, tmp_path, slip, sentence):
    slip = made(Slip, at_share=0.61, T_segment_later=np.eye(4), covariance=np.eye(6), **slip)
    changed(whole, "intake", tracking=typed.write(made(Tracking, slips=[slip])))
    result, html = page(whole, tmp_path / "page")
    assert result["state"] == "complete with warnings"
    (warning,) = [text for text in result["warnings"] if "lost its track" in text]
    assert sentence in warning and "can this run again" in warning and warning in html


def test_an_end_that_was_not_scanned_is_a_warning(whole, tmp_path):
    measured = whole["measure"][0].result["dimensions"]
    measured["length"] |= {
        "significant": None,
        "unknown": ["unscanned end"],
        "unscanned_ends": [{"end": "high", "beyond_mm": 2.35, "point_mm": [2000, 0, 300]}],
    }
    measured["width"] = measured["height"]
    result, html = page(whole, tmp_path / "page")
    assert result["state"] == "complete with warnings"
    assert any(one.startswith("Length may be larger by about 2.4") for one in result["warnings"])
    assert "not in the uncertainty: unscanned end" in html
    assert html.count("\u2265 2\u202f000.3") >= 3, "in the drawing, in its description and in the table"
    assert "at least 2\u202f000\u202fmm long" in result["summary"]
    assert [size["at_least"] for size in result["sizes"]] == [True, False, False, False]
    assert "Scan the rear again, or check the length by hand." in result["next_steps"]

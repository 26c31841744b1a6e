"""What a page and a board say of segments that are missing and of poses without targets."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

import marked_pages
from nightbay.clean.result import CleanResult
from nightbay.core import language
from nightbay.core.text_format import THIN
from nightbay.network.result import NetworkResult
from nightbay.pipeline import stage, typed
from nightbay.refine.result import (
    Alternative,
    LooseDirection,
    LooseOverlap,
    RefineResult,
    SurfaceRegistration,
    UnplacedSegment,
)
from nightbay.report import job_summary, job_warnings, loose_picture, registration, report
from nightbay.report.part import Part, Segment, parts_of
from typed_results import made
from unit.report.test_report import SETTINGS, sheet, upstream

KNOWN = SurfaceRegistration(
    "fore", "aft", 0.2, 0.005, 212, 0.21, ["aft", "fore"], Alternative("contradiction", 14.3), 0
)
SHIFT = LooseDirection("shift", np.array([1.0, 0, 0]), np.zeros(3), "a shift along the long axis of fore", None)
TURN = LooseDirection("turn", np.array([0, 0, 1.0]), np.zeros(3), "a turn about the short axis of fore", None)
SLIDES = LooseOverlap(
    ["fore"], ["aft"], [SHIFT, TURN], None, np.random.default_rng(1).uniform(0, 900, (50, 3)), np.eye(3) * 400
)


def part(names, set_aside=None, **refined):
    segments = {name: Segment(None, made(CleanResult, kept=1000)) for name in names}
    nothing = dict.fromkeys(("frame", "fuse", "fill", "reduce", "deliver", "measure"))
    network = made(NetworkResult, set_aside=set_aside or {})
    return Part("interior", [], segments, network, made(RefineResult, **refined), **nothing)


def missing(*names):
    return [UnplacedSegment(name, f"segments aft and {name} share no targets") for name in names]


def test_missing_segments_are_named_with_their_reasons():
    made_of = part(["aft", "fore", "tail"], unplaced=missing("tail"), poses={})
    assert registration.warnings(made_of) == [
        "The interior is made from 2 of its 3 segments, aft and fore. What only the missing segments saw is missing "
        "from the model.",
        "Segment tail is missing, because it could not be placed: segments aft and tail share no targets.",
    ]
    assert made_of.placed == ["aft", "fore"] and made_of.points == 2000
    assert job_summary.summary_of(made_of).startswith(f"The interior was made from 2 segments and 2{THIN}000 points")
    assert job_summary.state_of([made_of], job_warnings.warnings_of([made_of], sheet())) == job_summary.WARNED


def test_less_than_half_and_a_single_segment_are_said_plainly():
    few = part(["a", "b", "c", "d", "e"], unplaced=missing("c", "d", "e"), poses={})
    assert registration.warnings(few)[0].startswith(
        "Fewer than half of the segments of the interior could be placed, 2 of 5. The model is made from a and b, the "
        "largest set that fits together."
    )
    single = part(["a", "b", "c"], unplaced=missing("b", "c"), poses={})
    assert registration.warnings(single)[0].startswith(
        "Only 1 of the 3 segments of the interior could be placed. The model is segment a alone."
    )
    half = part(["a", "b", "c", "d"], unplaced=missing("c", "d"), poses={})
    assert registration.warnings(half)[0].startswith("The interior is made from 2 of its 4 segments")


def test_targets_that_were_not_used_are_named():
    why = "Segment tail (tail.csv) shares no more than three targets with the control survey."
    placed = part(["aft", "tail"], {"tail": why}, unplaced=[], poses={"aft": None, "tail": None})
    assert registration.warnings(placed) == [
        f"The targets of segment tail were not used, and its surfaces alone place it: {why}"
    ]
    left_out = part(["aft", "fore", "tail"], {"tail": why}, unplaced=missing("tail"), poses={})
    assert registration.warnings(left_out)[1] == (
        f"Segment tail is missing, because it could not be placed: {why} Without its targets, segments aft and tail "
        "share no targets."
    )


def test_surfaces_alone_say_how_sure_they_are():
    alone = part(["aft", "fore"], unplaced=[], by_surfaces=[KNOWN])
    assert registration.certainty(alone) == (
        "The interior was registered by surfaces alone: pose of fore relative to aft ±0.40\u202fmm, ±0.010° (95 %). "
        "212 patches of its overlaps, withheld from the fit, agree to 0.21\u202fmm (root mean square). The closest "
        "other pose contradicts the scans at least 14 times as often."
    )
    assert registration.short(alone) == "registered by surfaces alone: ±0.40\u202fmm, ±0.010° (95 %)"
    assert job_summary.evidence_of(alone) == [f"Interior: {registration.short(alone)}"]
    assert registration.certainty(part(["aft", "fore"], unplaced=[], by_surfaces=[])) is None


@pytest.mark.parametrize(
    ("changed", "end"),
    [
        ({"alternative": None}, "No other pose was found in which the surfaces fit."),
        ({"alternative": None, "point_pairs": 4}, "4 point pairs of the job sheet placed it."),
        (
            {"alternative": Alternative("contradiction", 2.04)},
            "The closest other pose contradicts the scans at least 2.0 times as often.",
        ),
        (
            {"alternative": Alternative("distance", 3.26)},
            "In the closest other pose the surfaces lie 3.3 times as far apart.",
        ),
        (
            {"alternative": Alternative("agreement", 3.26)},
            "Off floors and walls the surfaces agree here over 3.3 times as much as in the closest other pose.",
        ),
    ],
)
def test_how_a_pose_was_the_only_one(changed, end):
    alone = part(["aft", "fore"], unplaced=[], by_surfaces=[replace(KNOWN, **changed)])
    assert registration.certainty(alone).endswith(end)
    how = "by surfaces and point pairs" if "point_pairs" in changed else "by surfaces alone"
    assert how in registration.certainty(alone) and how in registration.short(alone)


def test_the_least_certain_of_several_counts_and_segments_with_targets_do_not():
    known = [KNOWN, replace(KNOWN, segment="roof", position_sd_mm=0.5)]
    held = [replace(found, relative_to="control survey") for found in known]
    mixed = part(["aft", "fore", "roof"], unplaced=[], by_surfaces=held)
    assert registration.certainty(mixed).startswith(
        "2 segments of the interior were registered by surfaces alone: pose of roof relative to the control survey, "
        "the least certain, ±1.00\u202fmm"
    )
    whole = part(["aft", "fore", "roof"], unplaced=[], by_surfaces=known)
    assert registration.certainty(whole).startswith(
        "The interior was registered by surfaces alone: pose of roof relative"
    )


def test_directions_that_rest_on_point_pairs_are_a_warning():
    fixed = replace(SLIDES, fixed_by="point pairs", directions=[replace(SHIFT, sd=2.5), replace(TURN, sd=0.1)])
    by_points = part(["aft", "fore"], unplaced=[], loose=[fixed, SLIDES])
    assert registration.warnings(by_points) == [
        "The overlap of fore with aft leaves a shift along the long axis of fore and a turn about the short axis of "
        "fore loose. Only the point pairs of the job sheet determine these: ±5.0\u202fmm, ±0.20° (95 %)."
    ]


def test_every_word_of_a_picture_of_what_is_loose_is_a_message():
    with language.use(marked_pages.LANGUAGE):
        figure = loose_picture.draw(SLIDES)
    texts = [text.get_text() for text in figure.findobj(Text)]
    assert any("shift" in text for text in texts)
    assert marked_pages.unmarked("\n".join(texts), {"fore", "aft"}) == []


def test_a_page_draws_what_is_loose_though_the_part_was_refused(tmp_path):
    reason = {"stage": "refine", "segment": None, "sentence": "segment fore has no targets"}
    refused = upstream("refine", {"loose": [typed.write(SLIDES)]}, tmp_path, status="rejected", reasons=[reason])
    (made_of,) = parts_of({"refine": [refused]})
    np.testing.assert_array_equal(made_of.loose[0].overlap_mm, SLIDES.overlap_mm)
    record = stage.execute(
        report.report,
        stage="report",
        wildcards={"job": "larch"},
        upstream={"refine": [refused]},
        sheet=sheet(),
        settings=SETTINGS,
        folder=tmp_path / "page",
        threads=1,
        accepts_rejected=True,
    )
    assert record["status"] == "ok", record["reasons"]
    html = (tmp_path / "page" / "report.html").read_text(encoding="utf-8")
    assert "What the overlap of fore with aft leaves loose: a shift along the long axis of fore, a turn about" in html
    assert html.count('src="data:image/png;base64,') == 1


def test_the_picture_has_a_panel_for_each_direction_and_shows_the_shift_along_x():
    figure = loose_picture.draw(SLIDES)
    assert [axes.get_title() for axes in figure.axes] == [
        "A shift along the long axis of fore",
        "A turn about the short axis of fore",
    ]
    (arrow,) = figure.axes[0].patches
    (x0, y0), (x1, y1) = arrow._posA_posB
    assert abs(x1 - x0) > 100 and abs(y1 - y0) < 1e-9

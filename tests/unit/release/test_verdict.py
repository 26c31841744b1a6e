"""Verdicts, the sentences that a technician acts on, and the page."""

import json
import re
from dataclasses import replace
from functools import partial

import jsonschema
import numpy as np
import pytest

import marked_pages
from nightbay.core import language
from nightbay.core.axes import DESIGN_GRID
from nightbay.core.paths import SCHEMAS
from nightbay.coverage import sentences
from nightbay.coverage.coverage import Surface
from nightbay.coverage.places import Location
from nightbay.coverage.result import Area, Coverage
from nightbay.coverage.signs import Signs
from nightbay.network.result import Displacement, MovedGroup
from nightbay.pipeline import typed
from nightbay.release import check, command, floors, page, picture, surface, ties
from nightbay.release.findings import Finding, Findings
from nightbay.release.result import PartCheck, ReleaseResult, SampledFile, SegmentTargets

SQUARE = np.array([[0.0, 500], [300, 500], [300, 800], [0, 800]])


def area(number, verdict):
    at = np.array([150.0, -800, 650])
    return Area(
        number,
        verdict,
        "left",
        Location("body", "left", 0.65, 0.15, None, 0, False),
        9e4,
        1e5,
        at,
        at - 150,
        at + 150,
        Signs(0.9, False, 0.0, False, False, None, False),
        {"left": [SQUARE]},
    )


COVERAGE = Coverage([area(1, "never seen"), area(2, "open")], 20.0, 5e4, 8.0, 25.0)
PLACE = "left side, below the windows (0.1 m behind the front end, 0.7 m above the ground), 0.09\u202fm\u00b2"
EVIDENCE = "the other side has surface over 90\u202f% of it, this side has none"


def findings(*kinds, coverage=COVERAGE, reasons=None):
    todo = [Finding(kind, "exterior", "left", None, partial("Do this about {}.".format, kind)) for kind in kinds]
    part = PartCheck(
        "exterior",
        [SampledFile("job/raw/left.ply", 1000, 60_000_000, False), SampledFile("job/raw/roof.laz", 500, 4000, True)],
        [SegmentTargets("left", 30, 35, 0.05, 0.12)],
        "design_grid",
        coverage,
        None,
    )
    return Findings(todo, [part], reasons or {})


def result(*kinds, **known):
    return findings(*kinds, **known).in_words()


@pytest.mark.parametrize(
    ("kinds", "verdict"),
    [
        ((), "may leave"),
        (("copying",), "not yet"),
        (("file",), "not yet"),
        (("unknown",), "not yet"),
        (("area",), "scan again"),
        (("file", "moved"), "scan again"),
        (("registration", "copying"), "scan again"),
    ],
)
def test_the_verdict_follows_from_the_actions(kinds, verdict):
    assert result(*kinds).verdict == verdict


def test_actions_are_ordered_by_their_weight():
    kinds = [action.kind for action in result("area", "moved", "copying").actions]
    assert kinds == ["copying", "moved", "area"]


def test_a_refused_job_says_its_sentences():
    found = check.refused(["job.yaml is wrong."]).in_words()
    assert (found.verdict, found.actions[0].sentence) == ("not yet", "job.yaml is wrong.")


def test_a_fault_of_the_program_is_no_leave():
    found = check.failed("van", "ValueError: x").in_words()
    assert found.verdict == "not yet"
    assert found.actions[0].sentence == (
        "van can't be checked because of a fault in Nightbay (ValueError: x). Report it; look over the vehicle "
        "yourself."
    )


def test_areas_in_words():
    assert sentences.never_seen(area(3, "never seen")) == f"3: {PLACE}, never seen: {EVIDENCE}. Scan it again."
    assert sentences.open_area(area(4, "open")) == f"4: {PLACE}, open: {EVIDENCE}."


def test_open_areas_and_reasons_are_put_into_words():
    found = result(reasons={"exterior": lambda: "no reason"})
    assert found.open_areas == [f"2: {PLACE}, open: {EVIDENCE}."]
    assert found.parts[0].coverage_reason == "no reason" and result().parts[0].coverage_reason is None


def test_a_coverage_that_is_not_known_is_no_leave():
    checked = check.Checked()
    (found,) = check._areas(None, lambda: "no segment shows the ground", checked, "exterior")
    assert found.kind == "unknown"
    assert found.sentence().startswith("Whether anything is missing could not be checked: no segment shows the ground.")


def test_a_moved_group_in_words():
    moved = Displacement(np.array([0.0, 0, 4.2]), 4.2, 0.1, 0.12, 0.01)
    (found,) = ties.moved("exterior", [MovedGroup("roof", [1], [7, 8, 9, 10], 30, moved, moved, 1e-9)])
    assert (found.kind, found.segment) == ("moved", "roof")
    assert "the body and 4 other targets moved against each other by 4.2 mm and 0.12 degrees" in found.sentence()
    assert "scan the segment again" in found.sentence()


@pytest.mark.parametrize(
    ("direction", "side", "away"),
    [
        (None, "in one place", "away from those"),
        ((0, True), "towards the front", "at its rear end"),
        ((0, False), "towards the rear", "at its front end"),
        ((1, False), "towards the right", "towards the left"),
        ((2, True), "towards the bottom", "towards the top"),
    ],
)
def test_targets_at_one_side_in_words(direction, side, away):
    sentence = ties._weak(SegmentTargets("roof", 3, 9, 0.4, 0.12), direction)
    assert sentence == (
        f"Segment roof shares 3 targets with the others, all {side}: its far end is known to 0.40 mm only, and the "
        f"scan itself to 0.12 mm. Add two targets or more {away}, survey them, and scan the segment again."
    )


def test_the_segment_that_disagrees_with_most_moved():
    apart = {("front", "left"): 0.4, ("left", "rear"): 4.0, ("left", "right"): 4.1}
    assert floors._blamed(apart) == [("left", ["front", "rear", "right"], 4.1)]


def test_of_two_floors_alone_either_may_have_moved():
    ((segment, others, off),) = floors._blamed({("front", "left"): 3.0})
    sentence = floors._sentence(segment, others, off)
    assert "While segment front or left was scanned, the body stood 3.0 mm higher or lower" in sentence


def test_a_floor_that_several_segments_contradict_in_words():
    sentence = floors._sentence("left", ["front", "rear", "right"], 4.1)
    assert "While segment left was scanned" in sentence and "than in front, rear and right: somebody" in sentence


def test_the_json_fits_its_schema_and_is_read_back():
    record = json.loads(json.dumps(typed.write(result("area"))))
    jsonschema.validate(record, json.loads((SCHEMAS / "release.schema.json").read_text(encoding="utf-8")))
    assert typed.read(ReleaseResult, record).verdict == "scan again"


@pytest.fixture(scope="module")
def pictures():
    rng = np.random.default_rng(1)
    points = rng.uniform([-800, -800, 300], [3000, 800, 1400], (5000, 3))
    normals = np.tile([0.0, -1, 0], (5000, 1))
    return picture.draw(Surface(points, normals, np.empty((0, 3)), DESIGN_GRID, True), COVERAGE)


@pytest.fixture(scope="module")
def html(pictures):
    return page.html("van & co", result("area", "file"), pictures)


def test_every_word_of_the_page_is_a_message(pictures):
    moved = Displacement(np.array([0.0, 0, 4.2]), 4.2, 0.1, 0.12, 0.01)
    group = MovedGroup("roof", [1], [7, 8, 9, 10], 30, moved, moved, 1e-9)
    todo = [
        *check.refused(["job.yaml is wrong."]).todo,
        *check.failed("van", "ValueError").todo,
        *ties.moved("exterior", [group]),
        *check._areas(COVERAGE, None, check.Checked(), "exterior"),
        *check._areas(None, check._not_usable, check.Checked(), "exterior"),
    ]
    part = findings().parts[0]
    reasons = {"interior": partial(surface._no_room, "no flat floor was found")}
    found = Findings(todo, [part, replace(part, part="interior", coverage=None)], reasons, pictures)
    sparse = Findings(
        [], [replace(part, coverage=Coverage([], 20.0, 5e4, 80.0, 25.0))], {"exterior": check._not_usable}
    )
    with language.use(marked_pages.LANGUAGE):
        pages = [page.html("van", shown.in_words(), shown.pictures) for shown in (found, sparse)]
    for shown in pages:
        assert marked_pages.unmarked(shown, {"van", "left"}) == []


def test_the_terminal_has_english_and_the_page_the_language_in_use(tmp_path):
    found = findings("file")
    with language.use(marked_pages.LANGUAGE):
        left = page.leave(tmp_path, "van", found.in_words(), [])
    record = json.loads((tmp_path / "results/van/release/van.json").read_text(encoding="utf-8"))
    assert record["result"]["verdict"] == found.in_words().verdict == "not yet"
    assert record["result"]["open_areas"][0].startswith(marked_pages.OPEN)
    assert marked_pages.OPEN in left.read_text(encoding="utf-8")
    assert found.in_words().open_areas == [f"2: {PLACE}, open: {EVIDENCE}."]


def test_the_page_needs_no_other_file(html):
    assert not re.search(r'(?:src|href)="(?!data:)', html)
    assert "<script" not in html
    assert "@import" not in html


def test_the_page_says_what_to_do_and_shows_where(html):
    assert "Scan again before the vehicle leaves" in html
    assert "Do this about area." in html
    assert "van &amp; co" in html
    assert html.index("Left side: 1 never seen, 2 open") < html.index("Right side")  # what is missing comes first
    assert html.count('class="missing"') == 1
    assert html.count('class="opening"') == 1
    assert 'fill="url(#hatch)"' in html or "fill:url(#hatch)" in html
    assert "60\u202f004\u202f000 in 2 files; 1 had to be read as a whole" in html


def test_the_page_and_the_json_are_left_in_the_day(tmp_path):
    left = page.leave(tmp_path, "van", result(), [])
    assert left == tmp_path / "results/van/release/van/release.html"
    record = json.loads((tmp_path / "results/van/release/van.json").read_text(encoding="utf-8"))
    assert record["result"]["verdict"] == "may leave"


def test_the_terminal_says_the_verdict_first(tmp_path):
    lines = command._lines(tmp_path, "van", result("area"))
    assert lines[0] == "van: SCAN AGAIN"
    assert lines[1] == "  - Do this about area."
    assert lines[-1].endswith("release.html")


def test_a_changed_file_is_another_stamp(tmp_path):
    (tmp_path / "raw").mkdir()
    (tmp_path / "job.yaml").write_text("a")
    before = command._stamp(tmp_path)
    (tmp_path / "raw" / "left.ply").write_text("b")
    assert command._stamp(tmp_path) != before

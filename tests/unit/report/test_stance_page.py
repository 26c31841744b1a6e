"""The stance on a job's page: warnings at the top, the picture, the list of what moved, the other languages."""

from dataclasses import replace

import pytest

import part_results
import report_pages
from nightbay.core import language
from nightbay.pipeline import typed
from nightbay.report import stance_picture, stance_warnings
from nightbay.stance.result import Contradicted, DoubledWheel, LeftOut, MovedPanel, Movement, Stance, WheelRise

WHEELS = [
    WheelRise(f"{end} {side}", [x, y], 4.1, 0.2)
    for end, x in (("front", 400.0), ("rear", 1600.0))
    for side, y in (("left", -350.0), ("right", 350.0))
]
MOVED = Movement("roof", 4.1, 0.1, 2.2, 0.1, 0.31, 0.01, -0.05, 0.01, WHEELS)
PANEL = MovedPanel(
    ["left", "roof"], "agreement", "left", [900.0, -400.0, 500.0], [600.0, -410.0, 300.0], [1200.0, -390.0, 700.0],
    240_000.0, 2.0, 3.1, 0.05, 0.19, 0.01, 0.12,
)  # fmt: skip
DOUBLED = DoubledWheel("front left", ["left", "roof"], 1.2, 0.1, 0.05, 0.0, 4.0, 0.02)
SOUND = Stance(["left", "roof"], ["left", "roof"], "nothing moved", [], [], 0.02, 0.03)
SUNK = replace(
    SOUND,
    used=["left"],
    chosen_by="agreement",
    movements=[MOVED],
    left_out=[LeftOut("roof", 812, 9300.0, "wheels", [0.0, -400.0, 0.0], [1700.0, 400.0, 600.0])],
)


def frame(stance):
    return replace(part_results.frame([0, -400, 0], [2000, 400, 600]), stance=stance)


def sentences(stance):
    return stance_warnings.warnings(frame(stance))


def test_a_sound_stance_is_no_warning():
    assert sentences(SOUND) == []
    assert sentences(None) == []
    assert stance_warnings.warnings(None) == []


def test_a_movement_says_how_much_and_what_is_used():
    (warning,) = sentences(SUNK)
    assert "In segment roof the body stood differently on its wheels." in warning
    assert "4.1 ± 0.2" in warning
    assert "0.31° ± 0.02° to the right" in warning
    assert "come from the segments that agree: left." in warning
    assert "wheels_from" in warning.step


def test_what_is_not_decided_says_so_and_what_the_job_sheet_decided_does_not():
    (warning,) = sentences(replace(SUNK, chosen_by="extent"))
    assert "nothing shows which segments are right" in warning
    assert sentences(replace(SUNK, chosen_by="job sheet")) == []


def test_places_of_the_floor_stand_in_for_wheels():
    moved = replace(MOVED, drop_front_mm=None, drop_front_sd_mm=None, drop_rear_mm=None, drop_rear_sd_mm=None)
    (warning,) = sentences(replace(SUNK, movements=[moved]))
    assert "lower by up to 4.1 ± 0.4" in warning


def test_a_wheel_with_two_surfaces_is_named_unless_one_is_left_out():
    (warning,) = sentences(replace(SOUND, doubled_wheels=[DOUBLED]))
    assert "Wheel front left stood differently in the segments left and roof" in warning
    assert "4.00° ± 0.04°" in warning
    assert len(sentences(replace(SUNK, doubled_wheels=[DOUBLED]))) == 1


def test_a_panel_is_named_with_its_place():
    (warning,) = sentences(replace(SOUND, panels=[PANEL]))
    assert "left side, X 600 to 1" in warning
    assert "2.0 ± 0.1" in warning
    assert "panels_from" in warning.step
    (warning,) = sentences(replace(SOUND, panels=[replace(PANEL, chosen_by="extent")]))
    assert "nothing shows which segment is right" in warning
    assert sentences(replace(SOUND, panels=[replace(PANEL, chosen_by="job sheet")])) == []


def test_surface_that_another_segment_contradicts_is_named():
    board = Contradicted("roof", "left", 4100, 160_000.0, "left", [500.0, -600.0, 300.0], [900.0, -550.0, 700.0])
    (warning,) = sentences(replace(SOUND, looked_through=[board]))
    assert "of segment roof stand where segment left looked through" in warning
    assert "left side, X 500 to 900" in warning


def test_wheels_that_lean_together_count_where_no_segments_could_be_compared():
    leaning = replace(SOUND, lean_deg=0.4, lean_sd_deg=0.02)
    assert sentences(leaning) == []
    (warning,) = sentences(replace(leaning, compared=[]))
    assert "All wheels lean to the right together by 0.40°" in warning
    assert sentences(replace(leaning, compared=[], lean_sd_deg=0.2)) == []


@pytest.mark.parametrize("axes", ["design_grid", "iso_8855"])
def test_the_picture_has_a_number_at_each_wheel(axes):
    found = stance_picture.draw(replace(frame(SUNK), axes=axes))
    texts = [text.get_text() for text in found.axes[0].texts]
    assert sum("4.1" in text for text in texts) == 4
    assert stance_picture.draw(frame(SOUND)) is None
    assert stance_picture.draw(frame(None)) is None


@pytest.mark.parametrize("code", ["en", "de"])
def test_the_page_shows_the_stance(tmp_path, code):
    found = report_pages.whole(tmp_path)
    part = frame(replace(SUNK, panels=[PANEL]))
    plain = typed.write(part)
    report_pages.changed(found, "frame", stance=plain["stance"], segments=plain["segments"])
    options = {"report": {**report_pages.SETTINGS["report"], "language": code}}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(report_pages, "SETTINGS", options)
        result, html = report_pages.page(found, tmp_path / "page")
    checker = report_pages.Checker()
    checker.feed(html)
    assert checker.open == []
    assert all(source.startswith("data:image/png") for source in checker.loads)
    assert result["state"] == "complete with warnings"
    with language.use(language.of_code(code)):
        title, side = language.say("Stance on the wheels"), language.say("left side")
    assert title in html
    assert side in html
    assert (title == "Stance on the wheels") == (code == "en")

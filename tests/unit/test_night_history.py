"""The history of scanners after a night: what can't be written is said in one sentence, and the night goes on."""

import json

import night_history
from nightbay.report import board, scanner_history


def with_board(day, rows):
    """A day whose board holds the ``rows`` of artefacts."""
    (day / board.JSON).parent.mkdir(parents=True)
    (day / board.JSON).write_text(json.dumps({"result": {"artefacts": rows}}), encoding="utf-8")
    return day


def test_a_day_without_artefacts_leaves_no_file_beside_it(tmp_path):
    day = with_board(tmp_path / "day", [])
    assert night_history.add(day) is None
    assert not scanner_history.place(day, None).exists()


def test_a_file_that_can_not_be_written_is_named(tmp_path):
    day = with_board(tmp_path / "day", [])
    scanner_history.place(day, None).mkdir()
    said = night_history.add(day)
    assert said is not None and str(scanner_history.place(day, None)) in said and "move it away" in said


def test_a_board_that_is_missing_is_named(tmp_path):
    said = night_history.add(tmp_path)
    assert said is not None and "board.json" in said

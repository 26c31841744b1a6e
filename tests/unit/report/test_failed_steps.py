"""What the board says of a stage that failed: why, with which figures, where its log is, what to do."""

import pytest

from board_days import FAULTS, error, failing, info, night, rows, run, tried


@pytest.mark.parametrize("said", FAULTS)
def test_each_way_to_fail_is_said_with_its_figures_its_log_and_what_to_do(day, said):
    night(day, *failing(day, 1, "van", FAULTS[said]))
    row = rows(run(day, ["van"])[0])["van"]
    (sentence,) = row["sentences"]
    assert row["state"] == "failed" and sentence.startswith("Stage fuse of exterior ")
    assert said in sentence.replace("\u202f", " ") and "logs/van/fuse/exterior.log" in sentence
    assert "same command" in " ".join(row["next_steps"])
    assert ("--memory" in row["next_steps"][0]) is ("memory" in said)


def test_a_record_of_a_step_that_was_done_before_says_nothing_of_its_failure(day):
    log = tried(day, "van/fuse/exterior")
    (day.folder / log).write_text("ValueError: a new fault\n")
    night(day, info(1, "fuse", "van", part="exterior"), error(1, log))
    (sentence,) = rows(run(day, ["van"])[0])["van"]["sentences"]
    assert sentence.endswith("It ends with: ValueError: a new fault")


def test_a_failed_stage_is_named_with_its_log_and_its_last_words(day):
    log = day.folder / "logs/hazel/fuse/exterior.log"
    log.parent.mkdir(parents=True)
    log.write_text("Traceback\n  line\nMemoryError: no \x1b[31m room\n\n====\n")
    night(day, info(1, "fuse", "hazel", part="exterior"), error(1, "logs/hazel/fuse/exterior.log"))
    row = rows(run(day, ["hazel"])[0])["hazel"]
    assert row["sentences"] == [
        "Stage fuse of exterior failed; its log is logs/hazel/fuse/exterior.log. It ends with: MemoryError: no "
        r"\x1b[31m room"
    ]
    assert row["logs"] == ["logs/hazel/fuse/exterior.log"]
    assert row["next_steps"][0] == "Read the end of logs/hazel/fuse/exterior.log."

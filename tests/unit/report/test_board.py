"""The day board: every job has a row, whatever became of it, the most urgent first, with what to do next."""

import json
import os

import marked_pages
from board_days import DAYS, FAULTS, SENTENCE, SIZE, error, failing, info, night, rows, run, tried
from nightbay.core import language
from nightbay.core.version import version
from nightbay.report import board, board_changes, stage_costs


def test_every_job_has_a_row_the_most_urgent_first(day):
    day("alder", thumbnail="thumbnail.png")
    day("birch", state="refused", reasons=[SENTENCE], next_steps=["Export it."])
    day("fir", status="rejected", reasons=[SENTENCE])
    day("gorse", state="complete with warnings", warnings=["Its front is assumed."], next_steps=["State the front."])
    day("aspen")
    night(day, info(1, "fuse", "hazel", part="exterior"), error(1, "logs/hazel/fuse/exterior.log"))
    jobs = ["alder", "aspen", "birch", "cedar", "fir", "gorse", "hazel"]
    result, html = run(day, jobs, {"elm": ["elm/job.yaml: units is missing; add units."]}, scanned=DAYS)
    assert [(row["job"], row["state"]) for row in result["jobs"]] == [
        ("hazel", "failed"), ("birch", "refused"), ("elm", "refused"), ("fir", "refused"), ("cedar", "not finished"),
        ("gorse", "complete with warnings"), ("alder", "complete"), ("aspen", "complete"),
    ]  # fmt: skip
    assert result["counts"] == {
        "failed": 1, "refused": 3, "not finished": 1, "complete with warnings": 1, "in work": 0, "complete": 2,
    }  # fmt: skip
    steps = {job: row["next_steps"] for job, row in rows(result).items()}
    assert steps["alder"] == ["Deliver."] and steps["gorse"] == ["State the front."]
    assert steps["elm"] == ["Add units.", "Then run the same command."]
    assert steps["fir"] == ["Export a/raw/left.ply again.", "Then run the same command."]
    assert steps["cedar"] == ["Run the same command: it goes on where it stopped."]
    assert rows(result)["alder"]["page"] == "results/alder/report/alder/report.html"
    for file in ("report.html", "customer.html"):
        assert f'href="../../alder/report/alder/{file}"' in html
    assert html.count("<img ") == 1 and 'src="data:image/png;base64,' in html and 'alt="Left side of The alder"' in html
    for text in (
        "<h1>1 March 2026</h1>", "Monday &lt;2&gt;", "notes.txt is no job.", "</span>: 1 job</li>",
        "</span>: 3 jobs</li>", "Length</dt><dd>5\u202f401.23 ± 0.62\u202fmm",
        "3\u202f000\u202f000 points", "high-voltage", "airbag", "roof may", "licensed practice",
        f"Made by Nightbay {version()}.",
    ):  # fmt: skip
        assert text in html, text
    for word in (state for state, count in result["counts"].items() if count):
        assert f"{word[0].upper()}{word[1:]}</span>" in html
    assert "http-equiv" not in html


def test_every_word_of_the_board_is_a_message(day):
    """Sizes, next steps and evidence come from the reports, in their language."""
    said = "\u27e6of the report\u27e7"
    size = {**SIZE, "name": said}
    of_report = {"title": "larch", "sizes": [size], "evidence": [said], "next_steps": [said], "joined": said}
    day("alder", **of_report)
    board.write(day.folder, *run(day, ["alder"]))
    parameters = {"exterior": {"fuse": {f"k{at}": at for at in range(8)}}}
    moved = {**size, "part": "interior", "key": "width"}
    day("alder", **of_report | {"state": "refused", "reasons": [SENTENCE], "sizes": [moved], "parameters": parameters})
    day("birch", **of_report)
    day("fir").write_text("[1]")
    night(
        day,
        info(1, "fuse", "hazel", part="exterior"), error(1, "fuse.log"),
        info(2, "clean", "cedar", part="exterior", segment="left"),
        info(3, "intake", "birch", part="exterior", segment="left"), {"event": "job_finished", "job_id": 3},
    )  # fmt: skip
    (day.folder / "fuse.log").write_text("MemoryError")
    check = day.folder / "results/alder/release/alder.json"
    check.parent.mkdir()
    check.write_text(json.dumps({"result": {"verdict": "not yet", "actions": []}}))
    tried(day, "alder/fuse/exterior.left")
    tried(day, "alder/report/alder", peak_mb=None)
    faults = {f"fault-{at}": fault for at, fault in enumerate(FAULTS)}
    night(
        day,
        *(
            event
            for number, name in enumerate(faults)
            for event in failing(day, 10 + number, name, FAULTS[faults[name]])
        ),
    )
    jobs = ["alder", "birch", "cedar", "fir", "hazel", "oak", *faults]
    of_code = {"fault", "SIGSEGV", "logs", "KeyError", "lost"}
    own = {
        *jobs,
        *of_code,
        "elm",
        "larch",
        "van",
        "fuse",
        "report",
        "left",
        "March",
    }  # the locale has the names of months
    by_files = {"days": DAYS["days"], "by": "newest raw files"}
    for running in (None, ["birch", "cedar", "oak"]):
        with language.use(marked_pages.LANGUAGE):
            result, html = run(day, jobs, {"elm": ["a"]}, scanned=by_files, running=running)
        assert rows(result)["alder"]["changes"]
        assert marked_pages.unmarked(html, own) == []


def test_a_job_without_a_report_has_the_title_of_its_sheet(day):
    day("birch").write_text("[1]")
    night(day, info(1, "fuse", "hazel", part="exterior"), error(1, "fuse.log"))
    jobs = ["birch", "cedar", "elder", "hazel"]
    shown = rows(run(day, jobs, titles={job: f"Sheet of {job}" for job in jobs[:2] + jobs[3:]}, running=["cedar"])[0])
    assert {job: row["title"] for job, row in shown.items()} == {
        "birch": "Sheet of birch", "cedar": "Sheet of cedar", "elder": "elder", "hazel": "Sheet of hazel",
    }  # fmt: skip


def test_a_job_whose_rerun_failed_does_not_stand_there_as_complete(day):
    day("hazel")
    night(day, info(1, "fuse", "hazel", part="exterior"), error(1, "fuse.log"))
    row = rows(run(day, ["hazel"])[0])["hazel"]
    assert row["state"] == "failed" and row["sizes"] == [] and row["page"]


def test_a_report_that_was_written_after_the_events_holds(day):
    """Plain Snakemake, which finished the job later, writes no events."""
    path = day("hazel")
    night(day, info(1, "fuse", "hazel", part="exterior"), error(1, "fuse.log"))
    os.utime(path, (5e9, 5e9))  # the year 2128, two years after the events
    assert rows(run(day, ["hazel"])[0])["hazel"]["state"] == "complete"


def test_a_night_that_ended_early_is_not_a_failure(day):
    day("hazel")
    night(day, info(1, "clean", "hazel", part="exterior", segment="left"), {"event": "stopped"}, error(1, "clean.log"))
    shown = rows(run(day, ["hazel", "cedar"])[0])
    assert shown["hazel"]["state"] == shown["cedar"]["state"] == "not finished"
    assert shown["hazel"]["sentences"] == [
        "The night ended before the job was finished; it had reached stage clean of exterior left.",
        "The page is that of the run before.",
    ]


def test_while_the_night_runs_its_jobs_are_in_work_and_the_page_renews_itself(day):
    day("alder")
    night(
        day,
        info(1, "intake", "hazel", part="exterior", segment="left"),
        {"event": "job_finished", "job_id": 1},
        info(2, "fuse", "hazel", part="exterior"),
        info(3, "fuse", "oak", part="exterior"),
        error(3, "fuse.log"),
    )
    result, html = run(day, ["alder", "hazel", "cedar", "oak", "elder"], running=["alder", "hazel", "cedar", "oak"])
    shown = {job: (row["state"], *row["sentences"]) for job, row in rows(result).items()}
    assert shown["hazel"] == ("in work", "1 step is done; now: stage fuse of exterior.")
    assert shown["cedar"] == ("in work", "Waiting for its turn.")
    assert shown["oak"][0] == "failed" and shown["alder"] == ("complete",) and shown["elder"][0] == "not finished"
    assert '<meta http-equiv="refresh" content="60">' in html and "in work since 1 March 2126, 23:10" in html
    ended, html = run(day, ["alder", "hazel", "cedar", "oak"])
    assert "http-equiv" not in html and "Night run from 1 March 2126, 23:10" in html
    assert ended["counts"]["in work"] == 0


def test_an_empty_day_has_a_board_too(day):
    result, html = run(day, [])
    assert result["jobs"] == [] and "No job was found." in html and "<h1>Monday &lt;2&gt;</h1>" in html


def test_board_is_the_same_bytes_again(day):
    day("alder")
    first = run(day, ["alder"])
    board.write(day.folder, *first)
    assert run(day, ["alder"]) == first
    before = (day.folder / board.JSON).read_bytes(), (day.folder / board.PAGE).read_bytes()
    board.write(day.folder, *run(day, ["alder"]))
    assert ((day.folder / board.JSON).read_bytes(), (day.folder / board.PAGE).read_bytes()) == before


def test_what_a_rerun_changed_stays_on_the_board_until_the_next(day):
    day("alder")
    board.write(day.folder, *run(day, ["alder"]))
    moved = {**SIZE, "value_mm": 5401.53}
    day("alder", state="complete with warnings", sizes=[moved], parameters={"exterior": {"fuse": {"weight": 0.5}}})
    said = [
        "State: complete with warnings; before: complete.",
        "Length (exterior): +0.30\u202fmm against before.",
        "Parameter exterior.fuse.weight: 0.5; before: 0.25.",
    ]
    for _ in range(2):
        result, html = run(day, ["alder"])
        assert rows(result)["alder"]["changes"] == said and "What the last run changed" in html
        board.write(day.folder, result, html)
    night(day, info(1, "fuse", "alder", part="exterior"))
    for _ in range(2):  # in work, its report does not count, and what it says is kept for the comparison
        in_work = run(day, ["alder"], running=["alder"])
        assert rows(in_work[0])["alder"]["state"] == "in work" and rows(in_work[0])["alder"]["changes"] == []
        board.write(day.folder, *in_work)
    (day.folder / "logs/night/1.events.jsonl").unlink()
    assert rows(run(day, ["alder"])[0])["alder"]["changes"] == said
    day("alder", summary="Other words.", state="complete with warnings", sizes=[moved],
        parameters={"exterior": {"fuse": {"weight": 0.5}}})  # fmt: skip
    assert rows(run(day, ["alder"])[0])["alder"]["changes"] == [board_changes.NOTHING]


def test_the_release_check_stands_beside_a_job(day):
    actions = [{"sentence": "Scan the roof."}, {"sentence": "Wait for the copy."}]
    records = {
        "beech": {"result": {"verdict": "scan again", "actions": actions}},
        "birch": [1],
        "cedar": {"result": {"verdict": "may leave", "actions": []}},
        "elder": {"result": {"verdict": 1, "actions": []}},
    }
    for job, record in records.items():
        day(job)
        path = day.folder / f"results/{job}/release/{job}.json"
        path.parent.mkdir()
        path.write_text(json.dumps(record))
    result, html = run(day, sorted(records))
    assert rows(result)["birch"]["release_check"] is rows(result)["elder"]["release_check"] is None
    for text in (
        "Release check: scan again. Scan the roof. Wait for the copy.",
        "Release check: may leave. Nothing to do.",
    ):
        assert text in html


def test_time_and_memory_of_each_step(day):
    day("van")
    tried(day, "van/intake/exterior.left", seconds=31.17, peak_mb=347.43)
    tried(day, "van/fuse/exterior", "memory", seconds=20.0, peak_mb=1900.0)
    tried(day, "van/fuse/exterior", seconds=4000.2, peak_mb=2600.0)
    tried(day, "van/report/van", seconds=0.05, peak_mb=None)
    (day.folder / "logs/van/fuse/interior.attempts.json").write_bytes(b"\xff\x00")
    result, html = run(day, ["van"])
    assert [tuple(row.values()) for row in rows(result)["van"]["stages"]] == [
        ("intake", "exterior left", 31.17, 347.43), ("fuse", "exterior", 4000.2, 2600.0),
        ("fuse", "interior", None, None), ("report", "", 0.05, None),
    ]  # fmt: skip
    assert "Time and memory of 4 steps" in html and "1\u202fh 06\u202fmin" in html and "31.2\u202fs" in html
    assert "2.6\u202fGB" in html and "347.4\u202fMB" in html and html.count('class="n">not measured</td>') == 3
    assert stage_costs.of_job(day.folder / "nowhere", ("fuse",)) == []

"""The day board: every job has a row, whatever became of it, the most urgent first, with what to do next."""

import json
import os
from dataclasses import asdict
from html.parser import HTMLParser

import pytest

import marked_pages
from nightbay.core import language
from nightbay.core.version import version
from nightbay.pipeline import attempts
from nightbay.report import board, board_changes, board_rows, stage_costs

SIZE = {
    "part": "exterior", "key": "length", "name": "Length", "value_mm": 5401.23, "uncertainty_mm": 0.62,
    "at_least": False,
}  # fmt: skip
SENTENCE = {"stage": "intake", "segment": "left", "sentence": "a/raw/left.ply holds 3 points: export it again."}
DAYS = {"days": ["2026-03-01"], "by": "job sheets"}


@pytest.fixture
def day(tmp_path):
    """A folder of a day, and a function that writes the report of a job into it."""

    def write(job, status="ok", reasons=(), **result):
        whole = {
            "state": "complete", "summary": "", "title": f"The {job}", "vehicle_class": "van", "points": 3_000_000,
            "sizes": [SIZE], "evidence": ["Exterior: overlaps agree to 0.1 mm"], "joined": None, "warnings": [],
            "reasons": [], "next_steps": ["Deliver."], "parameters": {"exterior": {"fuse": {"weight": 0.25}}},
            "page": "report.html", "customer_page": "customer.html", "thumbnail": None, **result,
        }  # fmt: skip
        path = tmp_path / board_rows.report_of(job)
        path.with_suffix("").mkdir(parents=True, exist_ok=True)
        (path.with_suffix("") / "thumbnail.png").write_bytes(b"picture")
        path.write_text(json.dumps({"status": status, "reasons": list(reasons), "result": whole}))
        return path

    write.folder = tmp_path
    return write


def run(day, jobs, refused=None, **known):
    return board.board(
        day.folder, name="Monday <2>", jobs=jobs, refused=refused or {}, notes=["notes.txt is no job."], **known
    )


def rows(result):
    return {row["job"]: row for row in result["jobs"]}


def night(day, *events):
    path = day.folder / "logs/night/1.events.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [json.dumps({**event, "time": "2126-03-01T23:10:00+01:00"}) for event in events]
    with open(path, "a", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")


def info(number, stage, job, **of):
    return {
        "event": "job_info", "jobid": number, "rule_name": stage, "wildcards": {"job": job, **of}, "reason": "",
    }  # fmt: skip


def error(number, log):
    return {"event": "job_error", "jobid": number, "log": [log]}


def tried(day, step, cause="done", detail="", peak_mb=100.0, allowed_mb=200.0, seconds=1.0, allowed_s=900):
    """Add an attempt to the record of a step, as "van/fuse/exterior"; its log, relative to the day."""
    log = day.folder / "logs" / f"{step}.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    log.write_text("the log\n")
    before = [asdict(attempt) for attempt in attempts.read(log)]
    one = attempts.Attempt(
        len(before) + 1, cause, detail, peak_mb, allowed_mb, seconds, seconds, allowed_s, f"{step}.attempt-1.log"
    )
    log.with_suffix(attempts.ENDING).write_text(json.dumps([*before, asdict(one)]))
    return f"logs/{step}.log"


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


# Attempts at stage fuse, and what the board has to say of them.
ONCE, ALL = {"cause": "memory", "peak_mb": 1620.0, "allowed_mb": 1500.0}, {"peak_mb": 20100.0, "allowed_mb": 20000.0}
FAULTS = {
    "was stopped: it used 1.62 GB of memory, 1.50 GB were allowed": [ONCE],
    "was stopped twice: it used 20.10 GB of memory where 20.00 GB were allowed, all that the night may use, and before "
    "that 1.50 GB were allowed": [ONCE, ONCE | ALL],
    "ran out of memory: the machine had no more when it used 1.20 GB of 1.50 GB allowed": [ONCE | {"peak_mb": 1200.0}],
    "ran out of memory; where it stood is in": [ONCE | {"allowed_mb": None}],
    "was stopped after 45 min, far longer than vehicles of this size take": [{"cause": "time", "allowed_s": 2700}],
    "crashed (SIGSEGV); where it stood is in": [{"cause": "crash", "detail": "SIGSEGV"}],
    "ended by itself with exit code 7 and left no result": [{"cause": "exit", "detail": "7"}],
    "It ends with: KeyError: 'lost'": [{"cause": "exception", "detail": "KeyError: 'lost'\nand more"}],
}


def failing(day, number, job, tries):
    """The events of a stage of a job that fails in these attempts."""
    for known in tries:
        log = tried(day, f"{job}/fuse/exterior", **known)
    return info(number, "fuse", job, part="exterior"), error(number, log)


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


@pytest.mark.parametrize("left", ["", "[1]", "{}", '{"status": "ok", "result": {}}', '{"status": "rejected"}'])
def test_a_damaged_report_costs_no_other_job_its_row(day, left):
    day("alder")
    day("birch").write_text(left)
    result, html = run(day, ["alder", "birch"])
    birch, alder = result["jobs"]
    assert (alder["state"], birch["state"]) == ("complete", "failed")
    (sentence,) = birch["sentences"]
    assert sentence.startswith("The job's report can't be read (")
    assert birch["next_steps"] == ["Remove the folder results/birch/report and run the same command."]
    assert birch["next_steps"][0] in html


def test_a_lost_thumbnail_costs_no_other_job_its_row(day):
    day("alder")
    day("birch", thumbnail="lost.png")
    assert [row["state"] for row in run(day, ["alder", "birch"])[0]["jobs"]] == ["failed", "complete"]


@pytest.mark.parametrize(
    "left", ["", "[1]", "{}", '{"result": {"jobs": []}}', '{"result": {"reported": {"alder": 1}}}']
)
def test_a_board_before_that_can_t_be_read_is_no_board(day, left):
    day("alder")
    path = day.folder / board.JSON
    path.parent.mkdir(parents=True)
    path.write_text(left)
    assert rows(run(day, ["alder"])[0])["alder"]["changes"] == []


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


HOSTILE = "</style><script>alert(1)</script>\"'&\x1b[2J\x07\u202e\u200f\ud800\udcff" + "x" * 10_000


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.attributes = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]


def tags(html):
    parser = Tags()
    parser.feed(html)
    return parser.tags, parser.attributes


def test_hostile_texts_change_nothing_but_themselves(day):
    """Titles, names, sentences of files may hold anything: markup, quotes, controls, bidi marks, 10 000 letters."""

    def made(text):
        size = {**SIZE, "name": text}
        day("alder", title=text, vehicle_class=text, sizes=[size], evidence=[text], joined=text, warnings=[text],
            reasons=[{"stage": "x", "segment": None, "sentence": text}], next_steps=[text])  # fmt: skip
        check = day.folder / "results/alder/release/alder.json"
        check.parent.mkdir(exist_ok=True)
        check.write_text(json.dumps({"result": {"verdict": text, "actions": [{"sentence": text}]}}))
        return board.board(day.folder, name=text, jobs=["alder"], refused={text: [text]}, notes=[text])

    (hostile, html), (_, plain) = made(HOSTILE), made("plain")
    assert tags(html) == tags(plain)
    assert html.encode() and json.dumps(hostile, ensure_ascii=False).encode()
    assert not {"\x1b", "\x07", "\u202e", "\u200f"} & set(html + json.dumps(hostile, ensure_ascii=False))
    assert r"\x1b[2J\x07\u202e\u200f\ud800\udcff" in hostile["jobs"][0]["title"]

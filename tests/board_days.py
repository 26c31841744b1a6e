"""Days as the day board reads them: reports of jobs, events of nights, records of attempts."""

import json
from dataclasses import asdict

from nightbay.pipeline import attempts
from nightbay.report import board, board_rows

SIZE = {
    "part": "exterior", "key": "length", "name": "Length", "value_mm": 5401.23, "uncertainty_mm": 0.62,
    "at_least": False,
}  # fmt: skip
SENTENCE = {"stage": "intake", "segment": "left", "sentence": "a/raw/left.ply holds 3 points: export it again."}
DAYS = {"days": ["2026-03-01"], "by": "job sheets"}


def reported(folder):
    """A function that writes the report of a job into the ``folder`` of a day, which is its attribute."""

    def write(job, status="ok", reasons=(), **result):
        whole = {
            "state": "complete", "summary": "", "title": f"The {job}", "vehicle_class": "van", "points": 3_000_000,
            "sizes": [SIZE], "evidence": ["Exterior: overlaps agree to 0.1 mm"], "joined": None, "warnings": [],
            "reasons": [], "next_steps": ["Deliver."], "parameters": {"exterior": {"fuse": {"weight": 0.25}}},
            "page": "report.html", "customer_page": "customer.html", "thumbnail": None, **result,
        }  # fmt: skip
        path = folder / board_rows.report_of(job)
        path.with_suffix("").mkdir(parents=True, exist_ok=True)
        (path.with_suffix("") / "thumbnail.png").write_bytes(b"picture")
        path.write_text(json.dumps({"status": status, "reasons": list(reasons), "result": whole}))
        return path

    write.folder = folder
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


# Attempts at stage fuse, and what the board has to say of them.
ONCE, ALL = {"cause": "memory", "peak_mb": 1620.0, "allowed_mb": 1500.0}, {"peak_mb": 20100.0, "allowed_mb": 20000.0}
FAULTS = {
    "was stopped: it used 1.62 GB of memory, 1.50 GB were allowed": [ONCE],
    "was stopped twice: it used 20.10 GB of memory where 20.00 GB were allowed, all that the night may use, and before "
    "that 1.50 GB were allowed": [ONCE, ONCE | ALL],
    "had no more when it used 1.20 GB of 1.50 GB allowed": [ONCE | {"peak_mb": 1200.0}],
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

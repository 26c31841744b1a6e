"""What happened in the nights of a day, from the events that workflow/logger writes, a line of JSON each."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

FOLDER = "logs/night"  # of the day
ENDING = ".events.jsonl"


@dataclass(frozen=True)
class Step:
    """One job of Snakemake: a stage over a segment, a part or a vehicle; ``subject`` as "van exterior left"."""

    stage: str
    subject: str
    reason: str
    number: int

    @property
    def job(self) -> str:
        """The job that it belongs to."""
        return self.subject.split(" ")[0]

    @property
    def unit(self) -> str:
        """What of the job it works on, as "exterior left"; empty for the whole job."""
        return " ".join(self.subject.split(" ")[1:])


@dataclass(frozen=True)
class Attempt:
    """The latest run of a step. A night that was stopped leaves "stopped" of what ran; ``logs``: its log files."""

    step: Step
    state: Literal["running", "done", "failed", "stopped"]
    logs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Unreported:
    """What was begun of a job after its last report: the ``attempts`` in the order of their first begin, and when the
    last of their events came, None where the events have no time."""

    attempts: list[Attempt]
    last: datetime | None


@dataclass(frozen=True)
class Nights:
    """All nights of a day: ``unreported`` by job, and when the last night that ran a step ``began`` and ``ended``."""

    unreported: dict[str, Unreported] = field(default_factory=dict)
    began: datetime | None = None
    ended: datetime | None = None


def events(lines: Iterable[str]) -> Iterator[dict[str, Any]]:
    """The events in lines of JSON, as they come; a line that a killed night left unfinished is skipped."""
    for line in lines:
        try:
            event = json.loads(line)
        except ValueError:
            continue
        if isinstance(event, dict) and "event" in event:
            yield event


def step_of(event: dict[str, Any]) -> Step:
    """The :class:`Step` that an event ``job_info`` announces."""
    wildcards = event["wildcards"]
    subject = " ".join(wildcards[key] for key in ("job", "part", "segment") if key in wildcards)
    return Step(event["rule_name"], subject, event["reason"], event["jobid"])


def read(day: Path) -> Nights:
    """The nights of a day from its event files, the oldest first."""
    found = _Reading()
    for path in sorted((day / FOLDER).glob(f"*{ENDING}")):
        found.night(path.read_text(encoding="utf-8", errors="replace").splitlines())
    return Nights(
        {
            job: Unreported(list(attempts.values()), found.last.get(job))
            for job, attempts in found.attempts.items()
            if attempts
        },
        found.began,
        found.ended,
    )


class _Reading:
    """Events of one night after another."""

    def __init__(self) -> None:
        self.attempts: dict[str, dict[tuple[str, str], Attempt]] = {}
        self.last: dict[str, datetime] = {}
        self.began: datetime | None = None
        self.ended: datetime | None = None

    def night(self, lines: Iterable[str]) -> None:
        """Follow one night."""
        self._stop()
        steps: dict[int, Step] = {}
        times, ran = [], False
        for event in events(lines):
            time = _time(event)
            times += [time] if time else []
            match event:
                case {"event": "job_info", "jobid": number, "wildcards": {"job": _}}:
                    steps[number], ran = step_of(event), True
                    self._put(steps[number], "running", time)
                case {"event": "job_finished", "job_id": number} if number in steps:
                    self._finish(steps[number], time)
                case {"event": "job_error", "jobid": number} if number in steps:
                    self._put(steps[number], "failed", time, tuple(event.get("log") or ()))
                case {"event": "stopped"}:  # what fails from here on was ended, and did not fail
                    self._stop()
                    steps.clear()
        if times and ran:
            self.began, self.ended = times[0], times[-1]

    def _put(
        self,
        step: Step,
        state: Literal["running", "done", "failed"],
        time: datetime | None,
        logs: tuple[str, ...] = (),
    ) -> None:
        self.attempts.setdefault(step.job, {})[step.stage, step.subject] = Attempt(step, state, logs)
        if time:
            self.last[step.job] = time

    def _finish(self, step: Step, time: datetime | None) -> None:
        if step.stage == "report":  # it comes last and needs all the others
            self.attempts[step.job] = {}
        else:
            self._put(step, "done", time)

    def _stop(self) -> None:
        for attempts in self.attempts.values():
            for key, attempt in attempts.items():
                if attempt.state == "running":
                    attempts[key] = replace(attempt, state="stopped")


def _time(event: dict[str, Any]) -> datetime | None:
    try:
        return datetime.fromisoformat(event["time"])
    except (KeyError, TypeError, ValueError):
        return None

"""Why a step of a night failed and what to do, in words: from the record of its attempts, or from its log alone."""

from collections.abc import Sequence
from pathlib import Path

from nightbay.core.language import say
from nightbay.core.text_format import THIN, listing, number
from nightbay.pipeline import attempts
from nightbay.pipeline.attempts import Attempt

TAIL_BYTES, LONGEST = 4000, 300  # of a log, whose last line is shown; letters of that line


def sentence_and_step(day: Path, step: str, logs: Sequence[str]) -> tuple[str, str]:
    """What happened and what to do. ``step`` in words, as "stage fuse of exterior"; ``logs``: its log files, relative
    to ``day``."""
    step = f"{step[0].upper()}{step[1:]}"
    known = attempts.read(day / logs[-1]) if logs else []
    if not known or known[-1].cause == "done":  # a night before this one left the record
        return _by_log(day, step, logs)
    last, log = known[-1], logs[-1]
    match last.cause:
        case "memory":
            return _of_memory(step, known, log)
        case "time":
            sentence = say(
                "{step} was stopped after {allowed}, far longer than vehicles of this size take; where it stood is in "
                "{log}.",
                step=step,
                allowed=_minutes(last.allowed_s),
                log=log,
            )
        case "crash":
            sentence = say(
                "{step} crashed ({signal}); where it stood is in {log}.", step=step, signal=last.detail, log=log
            )
        case "exit":
            sentence = say(
                "{step} ended by itself with exit code {code} and left no result; its log is {log}.",
                step=step,
                code=last.detail,
                log=log,
            )
        case _:
            sentence = say("{step} failed; its log is {logs}.", step=step, logs=log)
            sentence += " " + say("It ends with: {line}", line=_shortened(last.detail))
    return sentence, _report_it(log)


def _of_memory(step: str, known: Sequence[Attempt], log: str) -> tuple[str, str]:
    """With what each attempt was allowed and used; of a process that the system killed, the last look at it."""
    last = known[-1]
    more = say(
        "Give the night more memory (--memory) or a machine that has more, or export fewer points; then run the same "
        "command."
    )
    if last.allowed_mb is None or last.peak_mb is None:
        return say("{step} ran out of memory; where it stood is in {log}.", step=step, log=log), more
    values = {"step": step, "used": _gb(last.peak_mb), "allowed": _gb(last.allowed_mb), "log": log}
    if last.peak_mb <= last.allowed_mb:
        sentence = say(
            "{step} ran out of memory: the machine, or the container or service that the night runs in, had no more "
            "when it used {used} of {allowed} allowed; its log is {log}.",
            **values,
        )
        return sentence, say(
            "End other work there, let it have more memory, or export fewer points; then run the same command."
        )
    if len(known) == 1:
        sentence = say(
            "{step} was stopped: it used {used} of memory, {allowed} were allowed; its log is {log}.", **values
        )
    else:
        sentence = say(
            "{step} was stopped twice: it used {used} of memory where {allowed} were allowed, all that the night may "
            "use, and before that {first} were allowed; its log is {log}.",
            first=_gb(known[0].allowed_mb),
            **values,
        )
    return sentence, more


def _by_log(day: Path, step: str, logs: Sequence[str]) -> tuple[str, str]:
    """Of a step without a record of its attempts."""
    if not logs:
        return say("{step} failed.", step=step), say("Read the newest log in logs/night.")
    sentence = say("{step} failed; its log is {logs}.", step=step, logs=listing(logs))
    ending = _last_line(day / logs[-1])
    sentence += " " + say("It ends with: {line}", line=ending) if ending else ""
    return sentence, _report_it(logs[0])


def _report_it(log: str) -> str:
    return say("Read the end of {log}.", log=log)


def _gb(megabytes: float | None) -> str:
    return f"{number((megabytes or 0) / 1000, 2)}{THIN}GB"


def _minutes(seconds: float | None) -> str:
    return f"{number((seconds or 0) / 60)}{THIN}min"


def _last_line(path: Path) -> str | None:
    """The last line of a log that holds a letter or a digit, shortened."""
    try:
        with open(path, "rb") as file:
            file.seek(max(0, path.stat().st_size - TAIL_BYTES))
            lines = file.read().decode("utf-8", "replace").splitlines()
    except OSError:
        return None
    said = next((line.strip() for line in reversed(lines) if any(map(str.isalnum, line))), None)
    return _shortened(said) if said else None


def _shortened(line: str) -> str:
    """The first line of a text, of bearable length."""
    line = (line.splitlines() or [""])[0]
    return line if len(line) <= LONGEST else f"{line[:LONGEST]} …"

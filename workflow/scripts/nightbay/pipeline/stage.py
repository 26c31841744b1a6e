"""Runs one stage: binds what Snakemake hands over to a pure function and writes the stage's JSON.

A stage's function has the signature ``f(upstream, sheet, settings, folder, threads) -> dict``:

- ``upstream``: by name, one :class:`Upstream` or a list of them, each a stage's result with its data folder;
- ``sheet``: the entries of the job sheet that this stage needs;
- ``settings``: the resolved parameters, frozen: ``settings.<stage>``, and in ``settings.scan`` only the keys that the
  stage declares in :mod:`nightbay.pipeline.stages`;
- ``folder``: an empty folder for data files, which appears under its final name only when the stage has succeeded;
- ``threads``: how many threads or processes it may use.

It returns the stage's numbers. A key ``notes`` in them, a list of sentences, is shown in the report. Of a rejected
stage the numbers are the evidence that the rejection carries, none as a rule.
"""

import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema

from nightbay.core.errors import Rejected
from nightbay.core.hashing import sha256
from nightbay.core.paths import SCHEMAS
from nightbay.core.version import version
from nightbay.pipeline import attempts
from nightbay.pipeline.settings import settings as frozen

BESIDE = ".part"  # ending of a file's name until the file is complete


@dataclass(frozen=True)
class Upstream:
    """What a stage before this one left: its numbers and its data folder."""

    stage: str
    job: str
    part: str | None
    segment: str | None
    status: str
    reasons: list[dict[str, Any]]
    notes: list[str]
    result: dict[str, Any]
    folder: Path


def load(json_path: str | os.PathLike[str]) -> Upstream:
    """Read a stage's JSON as an :class:`Upstream`; its data folder lies beside it, with the same stem."""
    json_path = Path(json_path)
    record = json.loads(json_path.read_text(encoding="utf-8"))
    return Upstream(
        **{key: record[key] for key in ("stage", "job", "part", "segment", "status", "reasons", "notes", "result")},
        folder=json_path.with_name(json_path.name.removesuffix(".json")),
    )


def write_json(path: str | os.PathLike[str], record: Any) -> None:
    """Write JSON whole or not at all; the same record gives the same bytes. NaN and infinity are refused."""
    write_text(path, json.dumps(record, indent=1, sort_keys=True, allow_nan=False, ensure_ascii=False) + "\n")


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write a text as UTF-8, whole or not at all: an older file stays until the new one is complete."""
    path = Path(path)
    beside = path.with_name(path.name + BESIDE)
    beside.write_text(text, encoding="utf-8", newline="\n")
    os.replace(beside, path)


def run(snakemake: Any, function: Callable[..., dict[str, Any]], accepts_rejected: bool = False) -> None:
    """Run a stage's function for a Snakemake job and leave its JSON and its data folder.

    ``snakemake``: the object that Snakemake gives a script. The function runs within the limits of its rule and prints
    to the rule's log (:mod:`nightbay.pipeline.attempts`), or without limits to the terminal where the rule has no log.
    ``accepts_rejected``: the function runs even if an upstream stage was rejected, as the report does. Otherwise the
    function does not run, and the rejection is passed on with its reasons.
    """
    if not snakemake.log:
        _run(snakemake, function, accepts_rejected)
        return
    attempts.run(lambda: _run(snakemake, function, accepts_rejected), snakemake.log[0], snakemake.resources)


def _run(snakemake: Any, function: Callable[..., dict[str, Any]], accepts_rejected: bool) -> None:
    print(f"Nightbay {version()}, stage {snakemake.rule}", flush=True)
    record = execute(
        function,
        stage=snakemake.rule,
        wildcards=dict(snakemake.wildcards.items()),
        upstream={
            name: [load(path) for path in files] if isinstance(files, list) else load(files)
            for name, files in snakemake.input.items()
            if not name.endswith("_data")
        },
        sheet=snakemake.params.get("sheet", {}),
        settings=snakemake.params.get("settings", {}),
        folder=Path(snakemake.output.data),
        threads=snakemake.threads,
        accepts_rejected=accepts_rejected,
    )
    write_json(snakemake.output.json, record)


def execute(
    function: Callable[..., dict[str, Any]],
    *,
    stage: str,
    wildcards: Mapping[str, str],
    upstream: Mapping[str, Upstream | Sequence[Upstream]],
    sheet: Mapping[str, Any],
    settings: Mapping[str, Mapping[str, Any]],
    folder: Path,
    threads: int,
    accepts_rejected: bool = False,
) -> dict[str, Any]:
    """The record of one stage: status, reasons, numbers, files. Its data files are in ``folder`` when it returns.

    Raises ``jsonschema.ValidationError`` where the numbers do not fit the stage's schema, and whatever the function
    raises except :class:`Rejected`, which becomes the status.
    """
    scratch = folder.with_name(folder.name + ".scratch")
    _empty(scratch)
    segment = wildcards.get("segment")
    reasons = _reasons(upstream)
    result: dict[str, Any] = {}
    notes: list[str] = []
    status = "rejected"
    if accepts_rejected or not reasons:
        try:
            result = function(upstream, sheet, frozen(settings), scratch, threads)
            notes, status, reasons = result.pop("notes", []), "ok", []
            _validate(result, stage)
        except Rejected as rejection:
            print(f"rejected: {rejection}")
            result = dict(rejection.evidence)
            reasons = [*reasons, {"stage": stage, "segment": segment, "sentence": str(rejection)}]
            _empty(scratch)
    files = _files(scratch)
    shutil.rmtree(folder, ignore_errors=True)
    os.replace(scratch, folder)
    return {
        "stage": stage,
        "job": wildcards["job"],
        "part": wildcards.get("part"),
        "segment": segment,
        "settings": settings,
        "status": status,
        "reasons": reasons,
        "notes": notes,
        "result": result,
        "files": files,
    }


def _empty(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)


def _reasons(upstream: Mapping[str, Upstream | Sequence[Upstream]]) -> list[dict[str, Any]]:
    """Why upstream stages were rejected, each reason once, in the order of the stages."""
    results = [
        result for value in upstream.values() for result in ([value] if isinstance(value, Upstream) else list(value))
    ]
    reasons = [reason for result in results if result.status == "rejected" for reason in result.reasons]
    return [reason for at, reason in enumerate(reasons) if reason not in reasons[:at]]


def _validate(result: Mapping[str, Any], stage: str) -> None:
    schema = json.loads((SCHEMAS / f"{stage}.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(result, schema)


def _files(folder: Path) -> dict[str, dict[str, Any]]:
    """Size and hash of every file below a folder, by its path relative to that folder."""
    return {
        str(path.relative_to(folder)): {"bytes": path.stat().st_size, "sha256": sha256(path)}
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }

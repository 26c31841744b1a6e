"""Runs one stage: binds what Snakemake hands over to a pure function and writes the stage's JSON.

A stage's function has the signature ``f(upstream, sheet, settings, folder, threads) -> dict``:

- ``upstream``: by name, one :class:`Upstream` or a list of them, each a stage's result with its data folder;
- ``sheet``: what the job sheet says that this stage needs;
- ``settings``: the resolved parameters of this stage, ``settings.scan`` and ``settings.<stage>``, frozen;
- ``folder``: an empty folder for data files, which appears under its final name only when the stage has succeeded;
- ``threads``: how many threads or processes it may use.

It returns the stage's numbers. A key ``notes`` in them, a list of sentences, is shown in the report.
"""

import faulthandler
import json
import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import jsonschema

from nightbay.core.errors import Rejected
from nightbay.core.hashing import sha256
from nightbay.core.paths import SCHEMAS
from nightbay.pipeline.settings import settings as frozen

BESIDE = ".part"  # ends the name of a file until it is whole


@dataclass(frozen=True)
class Upstream:
    """What a stage before this one left: its numbers and its data folder."""

    stage: str
    job: str
    part: str | None
    segment: str | None
    status: str
    reasons: list
    notes: list
    result: dict
    folder: Path


def load(json_path):
    """Read a stage's JSON as an :class:`Upstream`; its data folder stands beside it under the same stem."""
    json_path = Path(json_path)
    record = json.loads(json_path.read_text(encoding="utf-8"))
    return Upstream(
        **{key: record[key] for key in ("stage", "job", "part", "segment", "status", "reasons", "notes", "result")},
        folder=json_path.with_name(json_path.name.removesuffix(".json")),
    )


def write_json(path, record):
    """Write JSON whole or not at all; the same record gives the same bytes. NaN and infinity are refused."""
    write_text(path, json.dumps(record, indent=1, sort_keys=True, allow_nan=False, ensure_ascii=False) + "\n")


def write_text(path, text):
    """Write a text as UTF-8, whole or not at all: what stood there before stays until the new file is complete."""
    path = Path(path)
    beside = path.with_name(path.name + BESIDE)
    beside.write_text(text, encoding="utf-8", newline="\n")
    os.replace(beside, path)


def _validate(record, stage):
    schema = json.loads((SCHEMAS / f"{stage}.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(record["result"], schema)


def run(snakemake, function, accepts_rejected=False):
    """Run a stage's function for a Snakemake job and leave its JSON and its data folder.

    ``accepts_rejected``: the function wants to see rejected upstream stages (the report does); others pass a
    rejection on, with its reasons, without running.
    """
    with open(snakemake.log[0], "w", encoding="utf-8") as log:
        os.dup2(log.fileno(), 1)  # native code prints to the descriptors, not to sys.stdout
        os.dup2(log.fileno(), 2)
        faulthandler.enable(log)
        stage = snakemake.rule
        upstream = {
            name: [load(path) for path in files] if isinstance(files, list) else load(files)
            for name, files in snakemake.input.items()
            if not name.endswith("_data")
        }
        record = execute(
            function,
            stage=stage,
            wildcards=dict(snakemake.wildcards.items()),
            upstream=upstream,
            sheet=snakemake.params.get("sheet", {}),
            settings=snakemake.params.get("settings", {}),
            folder=Path(snakemake.output.data),
            threads=snakemake.threads,
            accepts_rejected=accepts_rejected,
        )
        write_json(snakemake.output.json, record)
        sys.stdout.flush()


def execute(function, *, stage, wildcards, upstream, sheet, settings, folder, threads, accepts_rejected=False):
    """The record of one stage: status, reasons, numbers, files. Its data files stand in ``folder`` when it returns."""
    everything = [one for value in upstream.values() for one in (value if isinstance(value, list) else [value])]
    reasons = [reason for one in everything if one.status == "rejected" for reason in one.reasons]
    reasons = [reason for at, reason in enumerate(reasons) if reason not in reasons[:at]]
    record = {
        "stage": stage,
        "job": wildcards["job"],
        "part": wildcards.get("part"),
        "segment": wildcards.get("segment"),
        "settings": settings,
        "notes": [],
        "result": {},
        "files": {},
    }
    scratch = folder.with_name(folder.name + ".scratch")
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    if not reasons or accepts_rejected:
        try:
            result = function(upstream, sheet, frozen(settings), scratch, threads)
            record["notes"] = result.pop("notes", [])
            record["result"] = result
            record["status"] = "ok"
            record["reasons"] = []
            _validate(record, stage)
        except Rejected as rejection:
            print(f"rejected: {rejection}")
            reasons = [*reasons, {"stage": stage, "segment": record["segment"], "sentence": str(rejection)}]
            record["result"] = {}
            shutil.rmtree(scratch)
            scratch.mkdir()
    if "status" not in record:
        record["status"] = "rejected"
        record["reasons"] = reasons
    record["files"] = {
        str(path.relative_to(scratch)): {"bytes": path.stat().st_size, "sha256": sha256(path)}
        for path in sorted(scratch.rglob("*"))
        if path.is_file()
    }
    shutil.rmtree(folder, ignore_errors=True)
    os.replace(scratch, folder)
    return record

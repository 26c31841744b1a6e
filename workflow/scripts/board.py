"""Writes the day board from whatever reports exist."""

import os
from pathlib import Path

from nightbay.pipeline import stage
from nightbay.report import board

with open(snakemake.log[0], "w", encoding="utf-8") as log:  # noqa: F821
    os.dup2(log.fileno(), 1)
    os.dup2(log.fileno(), 2)
    given, output = snakemake.params, snakemake.output  # noqa: F821
    reports = {job: f"results/{job}/report/{job}.json" for job in given.jobs}
    result, html = board.board(given.jobs, given.refused, reports, day=Path.cwd().name, notes=given.notes)
    stage.write_text(output.page, html)
    stage.write_json(output.json, {"stage": "board", "status": "ok", "result": result})

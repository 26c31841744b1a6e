"""Writes the day board from whatever reports exist."""

import os
from pathlib import Path

from nightbay.report import board

with open(snakemake.log[0], "w", encoding="utf-8") as log:  # noqa: F821
    os.dup2(log.fileno(), 1)
    os.dup2(log.fileno(), 2)
    board.make(Path.cwd(), snakemake.params.plan)  # noqa: F821

"""Which names a job and a segment may have: they become names of folders, files and Snakemake's wildcards."""

import os
import re
from pathlib import Path

from nightbay.pipeline import stage
from nightbay.pipeline.stages import PARTS

NAME = re.compile(r"[a-z0-9][a-z0-9_-]*")
NAME_RULE = "allowed are small letters, digits, '-' and '_', with a letter or digit first"
# Snakemake takes a wildcard whose end repeats this often for a rule that calls itself without end, and stops the night.
REPEATS = 20
PERIODIC = re.compile(rf"(.+)\1{{{REPEATS - 1}}}$")
# The longest text that a night adds to a name in a file's name: stage.write_json beside
# results/<job>/report/<job>.json, and beside results/<job>/intake/<part>.<segment>.json.
ADDED_TO_JOB = len(".json" + stage.BESIDE)
ADDED_TO_SEGMENT = ADDED_TO_JOB + max(len(f"{part}.") for part in PARTS)


def fault(name: str, folder: Path, added: int) -> str | None:
    """Why a job or a segment of the day ``folder`` can't have this name, a clause; None if it can.

    ``added``: bytes that the night adds to it in the name of a file, :data:`ADDED_TO_JOB` or :data:`ADDED_TO_SEGMENT`.
    """
    if not NAME.fullmatch(name):
        return NAME_RULE
    longest = os.pathconf(folder, "PC_NAME_MAX") - added
    if len(name) > longest:
        return f"it has {len(name)} letters and at most {longest} leave room for the endings of its results"
    periodic = PERIODIC.search(name)
    if periodic:
        return f"it ends with '{periodic[1]}' {REPEATS} times over, and Snakemake takes such a name for an endless loop"
    return None

"""Adds what the day's artefacts showed of the scanners to the shop's history, after the jobs of a night.

Usage: python -m night_history DAY
The rows come from the day board; those that the file had of the day are replaced, so a rerun changes nothing.
"""

import json
import sys
from pathlib import Path

from nightbay.core.printable import printable
from nightbay.planning import parameters, yaml_file
from nightbay.report import board, scanner_history


def add(day: Path) -> str | None:
    """Bring the history up to date; a sentence where that is not possible."""
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    file = scanner_history.place(day, defaults["artefact"]["history"])
    try:
        rows = json.loads((day / board.JSON).read_text(encoding="utf-8"))["result"]["artefacts"]
        scanner_history.update(day, file, rows)
    except (OSError, ValueError, KeyError) as error:
        return (
            f"The history of scanners {file} could not be written ({error}): correct its permissions or move it away."
        )
    return None


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    fault = add(Path(sys.argv[1]))
    if fault:
        sys.exit(printable(fault))

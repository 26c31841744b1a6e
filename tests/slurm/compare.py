"""Compares the results of the nights of tests/cluster.sh, byte for byte; prints one JSON object.

Usage: python tests/slurm/compare.py SCRATCH
"""

import json
import sys
from pathlib import Path

from workflow import nights

BOARD = "board/"  # says when the night was


def results(day):
    """{path: hash} of all results of the jobs of a day."""
    return {path: of for path, of in nights.digests(day / "results").items() if not path.startswith(BOARD)}


def main(scratch):
    """Print the JSON; returns whether the nights were the same and everything happened that was to."""
    alone, cluster = (results(scratch / name / "day") for name in ("alone", "cluster"))
    differ = sorted(path for path in alone.keys() | cluster.keys() if alone.get(path) != cluster.get(path))
    print("\n".join(differ), file=sys.stderr)
    events = json.loads((scratch / "events.json").read_text(encoding="utf-8"))
    happened = (
        events["ended"] == 143
        and events["left_behind"] > 0
        and events["node_failures"] > 0
        and events["exit_code"] == 0
        and events["nothing_to_do"]
    )
    identical = int(bool(alone) and not differ and happened)
    print(json.dumps({"slurm_identical": identical, "files": len(alone), "differ": len(differ), **events}))
    return bool(identical)


if __name__ == "__main__":
    sys.exit(not main(Path(sys.argv[1])))

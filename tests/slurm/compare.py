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
    attempts = events.pop("attempts")
    happened = {
        "ended by a signal": events["ended"] == 143,
        "jobs left behind": events["left_behind"] > 0,
        "one call went on without a node": (events["exit_code_first"], events["calls_first"]) == (0, 1),
        "jobs taken over": events["taken_over"] > 0,
        "both nodes failed": min(events["node_failures"]) > 0,
        "both nodes worked": min(events["completed"]) > 0,
        "ended complete": events["exit_code"] == 0,
        "nothing to do": events["nothing_to_do"],
        "memory": not events["limit"] or _killed_once(attempts),
    }
    absent = [what for what, did in happened.items() if not did]
    identical = int(bool(alone) and not differ and not absent)
    events["attempts"] = [[attempt["cause"], attempt["detail"], attempt["allowed_mb"]] for attempt in attempts]
    counts = {"slurm_identical": identical, "files": len(alone), "differ": len(differ), "absent": absent}
    print(json.dumps(counts | events))
    return bool(identical)


def _killed_once(attempts):
    """Whether the kernel ended the first attempt for memory and the second, with three times as much, ended well."""
    ends = [(attempt["cause"], attempt["detail"]) for attempt in attempts]
    return ends == [("memory", "SIGKILL"), ("done", "")] and attempts[1]["allowed_mb"] == 3 * attempts[0]["allowed_mb"]


if __name__ == "__main__":
    sys.exit(not main(Path(sys.argv[1])))

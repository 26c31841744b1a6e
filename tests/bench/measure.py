"""What is measured on a vehicle, against simulated truth.

    bash tests/bench/run.sh measure [TOPIC ...]

Each topic is a benchmark of its own, tests/bench/measure_<topic>.py, which says what it simulates and has options. The
last line is one JSON object with the figures of all topics that were asked for, all by default.
"""

import importlib
import json
import sys
import time

TOPICS = ("frame", "stance", "features", "sections", "changes", "artefact")


def main(asked: list[str]) -> None:
    """Print the figures as one JSON object on the last line."""
    unknown = sorted(set(asked) - set(TOPICS))
    if unknown:
        raise SystemExit(f"{', '.join(unknown)}: no such topic; there are {', '.join(TOPICS)}")
    figures = {}
    for topic in asked or TOPICS:
        start = time.monotonic()
        figures |= importlib.import_module(f"measure_{topic}").measured()
        print(f"{topic}: {time.monotonic() - start:.0f} s", flush=True)
    print(json.dumps(figures, sort_keys=True))


if __name__ == "__main__":
    main(sys.argv[1:])

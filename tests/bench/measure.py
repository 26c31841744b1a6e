"""What is measured on a vehicle, against simulated truth.

    bash tests/bench/run.sh measure [TOPIC ...]

Each topic is a benchmark of its own, tests/bench/measure_<topic>.py, which says what it simulates and has options. The
last line is one JSON object with the figures of all topics that were asked for, all by default. Topics run beside each
other, as many as there are processors: no figure is a time on the clock.
"""

import importlib
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed

TOPICS = ("frame", "stance", "features", "sections", "changes", "artefact")


def main(asked: list[str]) -> None:
    """Print the figures as one JSON object on the last line."""
    unknown = sorted(set(asked) - set(TOPICS))
    if unknown:
        raise SystemExit(f"{', '.join(unknown)}: no such topic; there are {', '.join(TOPICS)}")
    figures = {}
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for done in as_completed([pool.submit(_figures, topic) for topic in asked or TOPICS]):
            topic, seconds, found = done.result()
            figures |= found
            print(f"{topic}: {seconds:.0f} s, {json.dumps(found, sort_keys=True)}", flush=True)
    print(json.dumps(figures, sort_keys=True))


def _figures(topic: str) -> tuple[str, float, dict]:
    start = time.monotonic()
    found = importlib.import_module(f"measure_{topic}").measured()
    return topic, time.monotonic() - start, found


if __name__ == "__main__":
    main(sys.argv[1:])

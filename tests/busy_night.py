"""How much of the processors a night of eight jobs uses, from its begin to its end."""

import os
import resource
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from workflow import nights

JOBS = {"larch-van": 3, "pebble-compact": 3, "larch-loadbay": 2}  # copies of each job of the demo


@dataclass(frozen=True)
class Night:
    """Seconds on the clock, of processors that the night and all that it waited for used, and of processors that nobody
    used in that time, of all that the machine has."""

    wall_s: float
    cpu_s: float
    idle_s: float
    cores: int

    @property
    def busy(self):
        """Share of the processors' time that the night used."""
        return self.cpu_s / (self.wall_s * self.cores)

    @property
    def busy_of_free(self):
        """The same of what other people's processes left to it. On a machine that others keep busy too, what the night
        leaves idle is taken by them: then this says little."""
        return self.cpu_s / (self.cpu_s + self.idle_s)


def make_day(folder, points, cores):
    """The day of eight jobs; its path."""
    subprocess.run(
        [
            *(sys.executable, str(nights.ROOT / "demo" / "make_day.py"), "--points", str(points)),
            *("--jobs", ",".join(JOBS), "--chord-mm", "1", "--cores", str(cores)),
            *("--out", str(folder / "made"), "--truth", str(folder / "truth")),
        ],
        check=True,
        stdout=sys.stderr,
        env={**os.environ, "PYTHONPATH": f"{nights.ROOT / 'workflow/scripts'}:{nights.ROOT / 'demo'}"},
    )
    for model, count in JOBS.items():
        for number in range(count):
            shutil.copytree(folder / "made" / model, folder / "day" / f"{model}-{number + 1}")
    return folder / "day"


def night(day, cores):
    """Run the night over a day that has no results yet. Raises SystemExit where a job failed."""
    used, idle, since = _used(), _idle(), time.monotonic()
    command = ["bash", str(nights.ROOT / "workflow" / "night.sh"), str(day), "--cores", str(cores)]
    done = subprocess.run(command, stdout=sys.stderr, check=False)
    found = Night(time.monotonic() - since, _used() - used, _idle() - idle, cores)
    if done.returncode:
        raise SystemExit(f"the night ended with {done.returncode}")
    return found


def _used():
    """Seconds of processors of all children that were waited for, with theirs."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def _idle():
    """Seconds that all processors have been idle or waiting for a disk since the system's start (proc(5))."""
    fields = Path("/proc/stat").read_text(encoding="utf-8").splitlines()[0].split()
    return (int(fields[4]) + int(fields[5])) / os.sysconf("SC_CLK_TCK")

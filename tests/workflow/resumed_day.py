"""A day whose night is killed half way; before the same command runs again, faulty jobs come to its sound one."""

import contextlib
import os
import shutil
import signal
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import e57_files
import killed_nights
from workflow import nights, watched

SOUND = "larch-loadbay"
ADDRESS = "192.0.2.1"  # belongs to nobody (RFC 5737)
SHEETS = {
    "list": "- van\n",
    "tagged": "vehicle_class: !!python/object/apply:os.getcwd []\n",
    "wrong-key": "vehicle_clas: van\nunits: mm\n",
}


@dataclass(frozen=True)
class Resumed:
    """``busy``: a second call while the night ran; ``half_way``: results of the sound job after the kill; ``watched``:
    the night that went on, as :func:`watched.run` tells of it."""

    day: Path
    busy: subprocess.CompletedProcess
    half_way: set[str]
    watched: tuple


def run(finished, folder):
    """Both nights of the day, in ``folder``. They have one processor, while those of ``finished`` may have two."""
    day = folder / "day"
    shutil.copytree(finished / SOUND, day / SOUND)
    command = ["bash", str(nights.ROOT / "workflow" / "night.sh"), str(day), "--cores", "1"]
    night = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
    results = day / "results" / SOUND
    while not list((results / "intake").glob("*.json")):
        assert night.poll() is None, f"the night ended, see {day / 'logs' / 'night'}"
        time.sleep(0.05)
    busy = nights.run_night(day)
    end(night, day)
    half_way = {str(path.relative_to(results)) for path in results.rglob("*.json")}
    add_faulty_jobs(finished, day)
    return Resumed(day, busy, half_way, watched.run(folder, *command))


def end(night, day):
    """Kill the night and every process of it, as a power cut would, until none of them is left."""
    night.kill()
    night.wait()
    while alive := killed_nights.processes(day):
        for process in alive:
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        time.sleep(0.05)


def add_faulty_jobs(finished, day):
    """Job sheets that can't be read, target lists exchanged, a raw file cut short, one that names an address."""
    for name, sheet in SHEETS.items():
        (day / name).mkdir()
        (day / name / "job.yaml").write_text(sheet)
    exchanged = day / "exchanged" / "raw"
    shutil.copytree(finished / "finch-compact", exchanged.parent)
    left, rear = exchanged / "left.targets.csv", exchanged / "rear.targets.csv"
    left.rename(exchanged / "aside")
    rear.rename(left)
    (exchanged / "aside").rename(rear)
    shutil.copytree(day / SOUND, day / "cut-short")
    raw = cut_short(day)
    raw.write_bytes(raw.read_bytes()[: raw.stat().st_size // 2])
    asking = day / "asking" / "raw" / "left.e57"
    asking.parent.mkdir(parents=True)
    (asking.parents[1] / "job.yaml").write_text("vehicle_class: van\nunits: m\n")
    e57_files.write(asking, e57_files.places(np.random.default_rng(1).uniform(-2, 2, (2000, 3))))
    declaration, rest = e57_files.xml_of(asking).split(b"\n", 1)
    e57_files.put_xml(asking, declaration + f'<!DOCTYPE e57Root SYSTEM "http://{ADDRESS}/any.dtd">'.encode() + rest)


def cut_short(day):
    """The raw file that is cut short."""
    return day / "cut-short" / "raw" / "aft.ply"

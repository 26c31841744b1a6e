"""Nights by the units of workflow/systemd on the systemd of tests/systemd/machine.sh: what each must be, as figures.

Usage: python nights.py SCRATCH PROCESS, of which PROCESS is the unshare that systemd is the child of. The last line is
one JSON object: 1 or 0 for each thing that must hold, and the seconds from the begin of a stop to its end.
"""

import json
import shutil
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import killed_nights

BOOT_S, START_S, NIGHT_S = 120, 150, 1200  # that each may take on a machine that is busy otherwise
SERVICE_USER = 990  # of machine.sh


class Machine:
    """The small system; ``number``: of its process 1 here."""

    def __init__(self, unshare):
        until = time.monotonic() + BOOT_S
        while time.monotonic() < until:
            children = Path(f"/proc/{unshare}/task/{unshare}/children").read_text().split()
            self.number = children[0] if children else ""
            if self.number and self.call("systemctl", "is-system-running").stdout.strip() == "running":
                return
            time.sleep(0.5)
        raise RuntimeError("systemd did not start; see systemd.log")

    def call(self, *command, check=False):
        """Run a command there: the finished process with its output as text."""
        command = ["nsenter", "--target", self.number, "--all", "--", *command]
        return subprocess.run(command, capture_output=True, text=True, check=check)

    def write(self, path, text):
        """Write a file of that system, and let systemd read its units again."""
        place = Path(f"/proc/{self.number}/root{path}")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text)
        self.call("systemctl", "daemon-reload", check=True)

    def state(self):
        """State and result of the service."""
        said = self.call("systemctl", "show", "nightbay.service", "--property=ActiveState,Result", "--value").stdout
        return tuple(said.split())

    def wait(self, what, seconds):
        """Wait until ``what()`` is true."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if what():
                return
            time.sleep(0.2)
        journal = self.call("journalctl", "--no-pager", "--unit=nightbay.service").stdout
        raise RuntimeError(f"{self.state()}\n{journal}")

    def wait_for_the_end(self):
        """Wait until the service has ended; whether it ended well."""
        self.wait(lambda: self.state()[-1] in ("inactive", "failed"), NIGHT_S)
        return self.state() == ("success", "inactive")


def fresh(scratch):
    """Today's day folder with raw files only, which belongs to the service user."""
    for old in (scratch / "scans").iterdir():
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    day = scratch / "scans" / f"{datetime.now():%F}"
    shutil.copytree(scratch / "made/small", day)
    for path in (day.parent, day, *day.rglob("*")):
        shutil.chown(path, SERVICE_USER, SERVICE_USER)
    return day


def told(scratch):
    """What the notification was told: lines of the outcome and the path of the board."""
    file = scratch / "scans/told"
    return file.read_text().splitlines() if file.exists() else []


def by_the_timer(machine, scratch, sound):
    """The timer starts a night, which ends well and has the bytes of one without systemd."""
    day = fresh(scratch)
    at = f"{datetime.now() + timedelta(seconds=5):%F %T}"
    machine.write("/etc/systemd/system/nightbay.timer.d/time.conf", f"[Timer]\nOnCalendar=\nOnCalendar={at}\n")
    machine.call("systemctl", "start", "nightbay.timer", check=True)
    machine.wait(lambda: (day / "logs/night").exists(), START_S)
    well = machine.wait_for_the_end()
    machine.call("systemctl", "stop", "nightbay.timer", check=True)
    same = killed_nights.results(day) == sound
    board = f"/srv/scans/{day.name}/results/board/board/index.html"
    return {"timer": int(well), "timer_identical": int(same), "told": int(told(scratch) == [f"complete {board}"])}


def stopped(machine, scratch, sound):
    """A night that is stopped in a stage, and the next one, which goes on."""
    day = fresh(scratch)
    machine.call("systemctl", "start", "nightbay.service", check=True)
    machine.wait(lambda: in_a_stage(machine), START_S)
    began = time.monotonic()
    machine.call("systemctl", "stop", "nightbay.service", check=True)
    seconds = time.monotonic() - began
    clean = machine.state() == ("success", "inactive")
    nothing_left = not machine.call("pgrep", "--uid", str(SERVICE_USER)).stdout
    board = day / "results/board/board/index.html"
    whole = board.exists() and "http-equiv" not in board.read_text(encoding="utf-8")
    outcome = [line.split()[0] for line in told(scratch)]
    machine.call("systemctl", "start", "nightbay.service", check=True)
    well = machine.wait_for_the_end()
    return {
        "stop_s": round(seconds, 2),
        "stop_clean": int(clean),
        "stop_left_nothing": int(nothing_left),
        "stop_board": int(whole),
        "stop_told": int(outcome == ["ended"]),
        "went_on": int(well),
        "went_on_identical": int(killed_nights.results(day) == sound),
    }


def in_a_stage(machine):
    """Whether a stage works."""
    return bool(machine.call("pgrep", "--uid", str(SERVICE_USER), "--full", "snakemake/scripts/").stdout)


def limited(machine, scratch, sound):
    """Within MemoryMax= the night takes nine tenths of that for its machine."""
    day = fresh(scratch)
    machine.write("/etc/systemd/system/nightbay.service.d/memory.conf", "[Service]\nMemoryMax=2500M\n")
    machine.call("systemctl", "start", "nightbay.service", check=True)
    well = machine.wait_for_the_end()
    log = next((day / "logs/night").glob("*.log")).read_text(encoding="utf-8")
    same = killed_nights.results(day) == sound
    return {"memory_max": int(well and "--resources mem_mb=2000" in log), "memory_max_identical": int(same)}


def main(scratch, unshare):
    """All nights; prints the figures."""
    sound = killed_nights.results(scratch / "alone")
    assert sound
    machine = Machine(unshare)
    figures = {}
    for night in (by_the_timer, stopped, limited):
        figures |= night(machine, scratch, sound)
        print(figures, file=sys.stderr, flush=True)
    journal = machine.call("journalctl", "--no-pager", "--unit=nightbay.service", "--unit=nightbay.timer").stdout
    (scratch / "journal").write_text(journal)
    sound_service = all(value for name, value in figures.items() if name != "stop_s") and figures["stop_s"] < 10
    print(json.dumps({"service_ok": int(sound_service), **figures}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])

"""Freeing the data of a finished day: nothing runs again for it, and what changes later computes its job whole."""

import shutil
import subprocess

from nightbay.planning import night
from workflow import nights


def test_a_freed_day_is_still_finished_and_a_change_computes_its_job_whole(finished, tmp_path):
    day = tmp_path / "day"
    shutil.copytree(finished[0], day, symlinks=True)
    kept = {path: path.read_bytes() for path in day.glob("results/*/deliver/*/*") if path.is_file()}
    refused = sorted(day.glob("results/finch-compact/*/*/*.ply"))
    command = ["bash", str(nights.ROOT / "workflow/space.sh"), str(day), "--free"]
    freed = subprocess.run(command, capture_output=True, text=True, check=False)
    assert freed.returncode == 0, freed.stderr
    assert "finch-compact" in freed.stdout and "it is refused: its data shows why" in freed.stdout
    assert not list(day.glob("results/larch-van/fuse/*/*"))
    assert refused and all(path.is_file() for path in refused)
    assert {path: path.read_bytes() for path in kept} == kept

    dry = nights.run_night(day, "--dry-run")
    assert dry.returncode == 0 and night.NOTHING in dry.stdout, dry.stdout
    nights.set_parameters(day, "pebble-compact", {"report": {"picture_px": 390}})
    dry = nights.run_night(day, "--dry-run")
    assert "intake   pebble-compact exterior front" in dry.stdout and "larch-van" not in dry.stdout, dry.stdout


def test_a_wrong_call_says_what_is_allowed():
    command = ["bash", str(nights.ROOT / "workflow/space.sh"), "/nowhere"]
    called = subprocess.run(command, capture_output=True, text=True, check=False)
    assert called.returncode == 2 and "The day folder /nowhere does not exist." in called.stderr

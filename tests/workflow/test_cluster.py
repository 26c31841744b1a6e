"""Nights on a cluster, as far as they go without one; `tests/cluster.sh` runs them on a real SLURM."""

import json
import os
import shutil
import time

import pytest

from workflow import nights

SHEET = """\
vehicle_class: compact
units: mm
parts: {exterior: {segments: {left: {file: raw/left.ply}, rear: {file: raw/rear.ply}}}}
"""


@pytest.fixture
def day(tmp_path):
    """A day of two jobs that were planned never, with raw files whose content no plan reads."""
    hour_ago = time.time() - 3600
    for job in ("hatch", "van"):
        (tmp_path / job / "raw").mkdir(parents=True)
        (tmp_path / job / "job.yaml").write_text(SHEET)
        for name in ("left", "rear"):
            file = tmp_path / job / "raw" / f"{name}.ply"
            file.write_text(f"{job} {name}")
            os.utime(file, (hour_ago, hour_ago))
    return tmp_path


def hashed(day):
    """The jobs whose raw files were hashed."""
    return {file.split("/")[0] for file in json.loads((day / ".nightbay/hashes.json").read_text())}


def test_a_node_plans_only_the_vehicle_that_it_works_on(day):
    targets = [f"{stage}:job=van,part=exterior,segment=left" for stage in ("intake", "clean")]
    done = nights.plain(day, nights.ROOT, "--target-jobs", *targets, "--mode", "remote", "--dry-run", "--cores", "1")
    assert done.returncode == 0, done.stderr
    assert "rule intake" in done.stdout and "job=van, part=exterior, segment=left" in done.stdout
    assert hashed(day) == {"van"}


def test_the_night_plans_all_vehicles_and_the_same_steps_on_a_cluster(day):
    alone, cluster = nights.run_night(day, "--dry-run"), nights.run_night(day, "--dry-run", "--cluster")
    assert (alone.returncode, cluster.returncode) == (0, 0), alone.stderr + cluster.stderr
    assert hashed(day) == {"hatch", "van"}
    assert sorted(alone.stdout.splitlines()) == sorted(cluster.stdout.splitlines())
    assert alone.stdout.startswith("26 steps would run:")


def test_a_wrong_call_is_reported(day):
    done = nights.run_night(day, "--cluster", "--cores", "2")
    assert done.returncode == 2
    assert "--cores, --memory and --release-check are of one machine" in done.stderr


def test_a_home_that_nodes_can_t_see_is_reported(day):
    done = nights.run_night(day, "--cluster", "--dry-run", env={**os.environ, "HOME": "/nonexistent"})
    assert done.returncode == 2
    assert "--cluster needs a home folder that all nodes see, and /nonexistent can't be written to" in done.stderr


@pytest.mark.skipif(shutil.which("sbatch") is not None, reason="this machine has SLURM")
@pytest.mark.parametrize("options", [("--cluster",), ()])
def test_a_machine_without_slurm_starts_no_night_beside_cluster_jobs(day, options):
    (day / ".nightbay").mkdir()
    (day / ".nightbay" / "submitted").touch()
    done = nights.run_night(day, *options)
    assert done.returncode == 2
    assert "SLURM's sbatch is not on PATH here: start its night on a login node" in done.stderr
    assert not (day / "results").exists()

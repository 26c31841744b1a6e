"""The release check as a technician calls it, on a small day of a plain car."""

import json
import os
import time

import numpy as np
import pytest
import yaml

import blockcar
from nightbay.core import ply_header, rigid
from workflow import nights

POINTS = 160_000
NUMBER_OF_TARGETS = 60


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """Three jobs: a whole car, one of whose files is cut short, and one whose job sheet is wrong."""
    day = tmp_path_factory.mktemp("release") / "day"
    rng = np.random.default_rng(5)
    mesh = blockcar.car(mirrors=False, antenna=False)
    points, normals = blockcar.scan(mesh, POINTS, 1)
    seen = points[:, 2] > 20
    floor = np.column_stack([rng.uniform(-1500, 4000, 30_000), rng.uniform(-1600, 1600, 30_000), np.zeros(30_000)])
    points = np.concatenate([points[seen], floor + rng.normal(0, 0.1, floor.shape) * [0, 0, 1]])
    normals = np.concatenate([normals[seen], np.tile([0.0, 0, 1], (len(floor), 1))])
    targets = points[rng.choice(len(points) - len(floor), NUMBER_OF_TARGETS)]
    for job in ("whole", "short"):
        _write(day / job, points, normals, targets, rng)
    short = day / "short" / "raw" / "front.ply"
    os.truncate(short, short.stat().st_size // 2)
    old = time.time() - 3600
    os.utime(short, (old, old))
    (day / "wrong").mkdir()
    (day / "wrong" / "job.yaml").write_text("vehicle_class: compact\nunits: furlong\n", encoding="utf-8")
    return day


def _write(folder, points, normals, targets, rng):
    raw = folder / "raw"
    raw.mkdir(parents=True)
    segments = {"front": -np.inf, "rear": 900.0}
    np.savetxt(raw / "control.csv", targets, "%.4f", ",", header="x,y,z", comments="")
    for name, start in segments.items():
        mine = (points[:, 0] > start) if name == "rear" else (points[:, 0] < 1600)
        own = (targets[:, 0] > start) if name == "rear" else (targets[:, 0] < 1600)
        T = rigid.pose(blockcar.rotation(rng), rng.uniform(-900, 900, 3))
        _write_ply(raw / f"{name}.ply", rigid.transform(T, points[mine]), rigid.rotate(T, normals[mine]))
        listed = rigid.transform(T, targets[own] + rng.normal(0, 0.05, targets[own].shape))
        np.savetxt(raw / f"{name}.targets.csv", listed, "%.4f", ",", header="x,y,z", comments="")
    part = {
        "control_survey": {"file": "raw/control.csv"},
        "segments": {
            name: {"file": f"raw/{name}.ply", "targets": f"raw/{name}.targets.csv"} for name in segments
        },
    }  # fmt: skip
    sheet = {"vehicle_class": "compact", "units": "mm", "parts": {"exterior": part}}
    (folder / "job.yaml").write_text(yaml.safe_dump(sheet), encoding="utf-8")


def _write_ply(path, points, normals):
    records = np.empty(len(points), [(name, "<f4") for name in ("x", "y", "z", "nx", "ny", "nz")])
    for at, name in enumerate("xyz"):
        records[name], records[f"n{name}"] = points[:, at], normals[:, at]
    vertex = ply_header.Element("vertex", len(points), ply_header.properties_of(records.dtype))
    path.write_bytes(ply_header.write([vertex]) + records.tobytes())


def test_each_job_has_its_verdict_and_leaves_its_page(day):
    done = nights.run_night(day, "--release-check")
    assert done.returncode == 1, done.stdout + done.stderr
    assert "whole: MAY LEAVE" in done.stdout
    assert "short: NOT YET" in done.stdout
    assert "short/raw/front.ply: its header promises" in done.stdout
    assert "wrong: NOT YET" in done.stdout
    assert "wrong/job.yaml" in done.stdout
    verdicts = {}
    for job in ("whole", "short", "wrong"):
        verdicts[job] = json.loads((day / f"results/{job}/release/{job}.json").read_text())["result"]["verdict"]
        assert "Release check" in (day / f"results/{job}/release/{job}/release.html").read_text(encoding="utf-8")
    assert verdicts == {"whole": "may leave", "short": "not yet", "wrong": "not yet"}
    # a night finds nothing of it in its way
    assert not (day / ".snakemake").exists()
    assert nights.run_night(day, "--dry-run", "--jobs", "whole").returncode == 0


def test_a_job_that_may_leave_ends_with_0_and_a_wrong_call_with_2(day):
    missing = nights.run_night(day, "--release-check", "--jobs", "hole")
    assert missing.returncode == 2
    assert "did you mean 'whole'?" in missing.stderr
    alone = nights.run_night(day, "--watch")
    assert alone.returncode == 2
    assert "--watch needs --release-check." in alone.stderr

"""The real night on the small demo day: what it leaves, what a second one does, what bad data and a kill do to it."""

import json
import os
import shutil
import signal
import subprocess
import time

import numpy as np
import pytest
from scipy.stats import chi2

from nightbay.core import hashing, rigid
from nightbay.meshes import surface, topology
from nightbay.pipeline import stage
from workflow import nights

PARTS = {"larch-van": ("exterior", "interior"), "pebble-compact": ("exterior",), "larch-loadbay": ("interior",)}
COMPLETE = tuple(PARTS)
EACH_PART = [(job, part) for job, parts in PARTS.items() for part in parts]
REFUSED = "finch-compact"


def report_of(day, job):
    return stage.load(day / "results" / job / "report" / f"{job}.json")


def test_three_jobs_complete_and_one_is_refused_with_its_reason(finished):
    day, process = finished
    assert process.returncode == 0, process.stdout + process.stderr
    board = json.loads((day / "results/board/board.json").read_text())["result"]
    states = {job["job"]: job["state"] for job in board["jobs"]}
    assert {job for job, state in states.items() if state.startswith("complete")} == set(COMPLETE)
    assert {job for job, state in states.items() if state == "refused"} == {REFUSED}
    assert REFUSED in process.stdout and "common targets" in process.stdout


@pytest.mark.parametrize(("job", "part"), EACH_PART)
def test_every_promised_file_exists(finished, job, part):
    day, _ = finished
    for name in nights_stages():
        record = json.loads((day / "results" / job / name / f"{part}.json").read_text())
        assert record["status"] == "ok", record["reasons"]
        for file, facts in record["files"].items():
            assert hashing.sha256(day / "results" / job / name / part / file) == facts["sha256"]
        assert (day / "logs" / job / name / f"{part}.log").is_file()
    delivered = {path.suffix for path in (day / "results" / job / "deliver" / part).iterdir()}
    assert {".ply", ".stl", ".obj", ".glb"} <= delivered
    assert (
        subprocess.run(
            ["sha256sum", "--check", "--quiet", "SHA256SUMS"], cwd=day / "results" / job / "deliver" / part, check=False
        ).returncode
        == 0
    )
    assert (day / "results" / job / "report" / job / "report.html").is_file()
    assert (day / "results" / job / "report" / job / "parameters.yaml").is_file()


def nights_stages():
    return ("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure")


@pytest.mark.parametrize(("job", "part"), EACH_PART)
def test_filled_surface_is_a_manifold_and_every_filled_face_has_area(finished, job, part):
    day, _ = finished
    numbers = json.loads((day / "results" / job / "fill" / f"{part}.json").read_text())["result"]
    filled = surface.read_ply(day / "results" / job / "fill" / part / "surface.ply")
    made_up = filled.face["filled"] == 1
    assert made_up.sum() == numbers["filled_faces"] > 0
    assert surface.face_areas(filled)[made_up].all()
    assert set(topology.defects(filled.faces, len(filled.vertices_mm)).values()) == {0}


def test_the_van_s_load_bay_is_joined_where_it_is_within_the_stated_covariance(finished):
    """The middle of the bay against the truth: of sound joins, one in a thousand is further off."""
    day, _ = finished
    joined = stage.load(day / "results" / "larch-van" / "join" / "larch-van.json")
    assert joined.status == "ok", joined.reasons
    sums = ["sha256sum", "--check", "--quiet", "SHA256SUMS"]
    assert subprocess.run(sums, cwd=joined.folder, check=False).returncode == 0
    assert (joined.folder / "interior-in-vehicle-frame.ply").is_file()
    true = json.loads((day.parent / "truth" / "larch-van" / "truth.json").read_text())["joined"]
    middle = np.array([true["segments"]["bay"]["middle_mm"]])
    T_found, T_true = np.array(joined.result["T_exterior_interior"]), np.array(true["T_exterior_interior"])
    at = rigid.transform(T_true, middle)
    error = (rigid.transform(T_found, middle) - at)[0]
    by_motion = np.hstack([-rigid.cross_matrix(at)[0], np.eye(3)])
    covariance = by_motion @ np.array(joined.result["covariance"]) @ by_motion.T
    assert error @ np.linalg.solve(covariance, error) < chi2.ppf(0.999, 3), error
    page = (day / "results/larch-van/report/larch-van/report.html").read_text(encoding="utf-8")
    assert (
        "The interior was set into the exterior by " in page and "(one standard uncertainty, worst direction)" in page
    )


def test_the_terminal_shows_each_step_and_the_log_has_snakemake_s_text(finished):
    day, process = finished
    shown = [line.split() for line in process.stdout.splitlines() if " of " in line[:12]]
    done = {(stage, " ".join(subject)) for _, _, _, stage, *subject in shown}
    assert ("clean", "larch-van exterior left") in done and ("report", REFUSED) in done
    records = [path for path in (day / "results").glob("*/*/*.json") if path.parent.parent.name != "board"]
    assert len(shown) == len(records)
    log = min((day / "logs" / "night").glob("*.log"))  # of the first night
    assert log.read_text().count("Finished jobid: ") >= len(shown)


def test_the_second_night_has_nothing_to_do(finished):
    day, _ = finished
    again = nights.run_night(day)
    assert again.returncode == 0
    assert "Nothing to do" in again.stdout


def test_a_dry_run_says_what_and_why_and_changes_nothing(finished, tmp_path):
    fresh = tmp_path / "day"
    shutil.copytree(finished[0], fresh, ignore=shutil.ignore_patterns("results", ".snakemake", "logs"))
    done = nights.run_night(fresh, "--dry-run")
    assert done.returncode == 0
    assert "larch-van exterior left" in done.stdout and "not made yet" in done.stdout
    assert not (fresh / "results").exists()


def lone_job(finished, tmp_path, job="larch-loadbay"):
    """A day of one of the demo's jobs, without results."""
    day = tmp_path / "day"
    shutil.copytree(finished[0] / job, day / job)
    return day


def test_bad_jobs_are_named_and_the_others_go_on(finished, tmp_path):
    day = lone_job(finished, tmp_path)
    for name, sheet in {
        "list": "- van\n",
        "tagged": "vehicle_class: !!python/object/apply:os.getcwd []\n",
        "wrong-key": "vehicle_clas: van\nunits: mm\n",
    }.items():
        (day / name).mkdir()
        (day / name / "job.yaml").write_text(sheet)
    exchanged = day / "exchanged" / "raw"
    shutil.copytree(finished[0] / REFUSED, exchanged.parent)
    left, rear = exchanged / "left.targets.csv", exchanged / "rear.targets.csv"
    left.rename(exchanged / "aside")
    rear.rename(left)
    (exchanged / "aside").rename(rear)
    shutil.copytree(day / "larch-loadbay", day / "cut-short")
    raw = max((day / "cut-short" / "raw").rglob("*.ply"), key=lambda path: path.stat().st_size)
    raw.write_bytes(raw.read_bytes()[: raw.stat().st_size // 2])
    shutil.copytree(
        finished[0] / "results",
        day / "results",
        ignore=lambda folder, names: set(names) - {"larch-loadbay"} if folder.endswith("results") else set(),
    )
    done = nights.run_night(day)
    assert done.returncode == 0, done.stdout + done.stderr
    board = json.loads((day / "results/board/board.json").read_text())["result"]
    jobs = {job["job"]: job for job in board["jobs"]}
    assert {name: job["state"].split()[0] for name, job in jobs.items()} == {
        "larch-loadbay": "complete", "list": "refused", "tagged": "refused",
        "wrong-key": "refused", "cut-short": "refused", "exchanged": "refused",
    }  # fmt: skip
    assert "vehicle_class" in " ".join(jobs["wrong-key"]["sentences"])
    assert raw.name in " ".join(jobs["cut-short"]["sentences"])
    said = " ".join(jobs["exchanged"]["sentences"])
    assert (
        "left.targets.csv does not belong to exchanged/raw/left.ply" in said and "lie on exchanged/raw/rear.ply" in said
    )


def test_killed_half_way_the_same_command_goes_on(finished, tmp_path):
    day = lone_job(finished, tmp_path)
    night = subprocess.Popen(
        ["bash", str(nights.ROOT / "workflow/night.sh"), str(day)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    waiting_for = day / "results" / "larch-loadbay" / "intake"
    deadline = time.time() + 60
    while not list(waiting_for.glob("*.json")) and time.time() < deadline:
        time.sleep(0.05)
    busy = nights.run_night(day)
    assert busy.returncode == 2 and "Another night run" in busy.stderr
    end_group(night)
    assert not (day / "results/larch-loadbay/report").exists()
    again = nights.run_night(day)
    assert again.returncode == 0, again.stdout + again.stderr
    assert nights.digests(day / "results" / "larch-loadbay") == nights.digests(
        finished[0] / "results" / "larch-loadbay"
    )


def end_group(night):
    """Kill the night and every process it started, as a power cut would."""
    for entry in os.listdir("/proc"):
        try:
            if entry.isdigit() and os.getsid(int(entry)) == night.pid:
                os.kill(int(entry), signal.SIGKILL)
        except ProcessLookupError:
            continue
    night.wait()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ((), "No day folder given."),
        (("no-such-day",), "The day folder no-such-day does not exist."),
        ((".", "--cores", "none"), "--cores is 'none': a whole number of at least 1 is needed."),
        ((".", "--fast"), "--fast is not an option of the night run."),
    ],
)
def test_a_wrong_call_is_reported(options, sentence, tmp_path):
    done = subprocess.run(
        ["bash", str(nights.ROOT / "workflow/night.sh"), *options],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 2
    assert sentence in done.stderr


def test_an_unknown_job_is_reported(finished):
    done = nights.run_night(finished[0], "--jobs", "panel-vam")
    assert done.returncode == 2
    assert "The day has no job 'panel-vam'" in done.stderr


def test_a_disk_that_may_get_full_is_reported_before_and_after(finished, tmp_path, monkeypatch):
    """With a ``df`` that finds 1 MB free, results that can't be written, and what a stage says without space."""
    day = lone_job(finished, tmp_path)
    stand_in = tmp_path / "bin" / "df"
    stand_in.parent.mkdir()
    stand_in.write_text("#!/bin/sh\necho head; echo disk 9 8 1000 99% /\n")
    stand_in.chmod(0o755)
    monkeypatch.setenv("PATH", f"{stand_in.parent}:{os.environ['PATH']}")
    assert " GB free" not in nights.run_night(day, "--dry-run").stderr
    (day / "results/larch-loadbay/network/interior.json.part").mkdir(parents=True)
    said = day / "logs" / "larch-loadbay" / "refine" / "interior.log"  # of a stage that does not come to run
    said.parent.mkdir(parents=True, exist_ok=True)
    said.write_text("OSError: [Errno 28] No space left on device\n")
    done = nights.run_night(day)
    assert done.returncode == 1
    assert "failed  network larch-loadbay interior: see logs/larch-loadbay/network/interior.log" in done.stdout
    assert "has 0.0 GB free, and results of up to" in done.stderr
    assert "is full: free some space and run the same command" in done.stderr

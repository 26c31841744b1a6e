"""Only what depends on a change runs again: for each kind of change, the list of steps that a dry run schedules.

Each test edits a copy of the finished small day, or of the project, never what others use. The jobs of a day do not
depend on each other, so one dry run tells of several changes, each to another job.
"""

import os
import re
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml

from nightbay.pipeline.stages import STAGES
from nightbay.planning import day as planning
from workflow import nights

DEFAULTS = yaml.safe_load((nights.ROOT / "config" / "config.yaml").read_text(encoding="utf-8"))

JOBS = {  # by job: its parts and the segments of each
    "larch-van": {"exterior": ("front", "left", "rear", "right", "roof"), "interior": ("bay",)},
    "pebble-compact": {"exterior": ("front", "left", "rear", "right")},
    "larch-loadbay": {"interior": ("aft", "fore")},
    "finch-compact": {"exterior": ("left", "rear")},
    "morning-check": {"artefact": ("bar",)},
}
VEHICLES = list(JOBS)[:4]
# A value that no default, class or job of the demo has, for each row of the table in config/README.md.
VALUES = {
    "scan.resolution_mm": 9.0,
    "scan.noise_mm": 0.12,
    "scan.smallest_mm": 7.0,
    "scan.target_noise_mm": 0.06,
    "scan.target_drift_mm_per_m": 0.04,
    "scan.standoff_mm": 650.0,
    "intake": {"tile_mm": 400.0},
    "clean": {"fewest_points": 1100},
    "network": {"normal_deg": 21.0},
    "refine": {"confidence": 0.97},
    "frame": {"coarse_mm": 22.0},
    "fuse": {"sparse_reach": 2.1},
    "fill": {"largest_gap_mm": 7.0},
    "reduce": {"levels": {"light": {"deviation_mm": 0.6}}},
    "deliver": {"formats": {"light": ["stl"]}},
    "measure": {"notice_mm": 11.0},
    "join": {"thickness_step_mm": 60.0},
    "artefact": {"covered_least": 0.3},
    "report": {"picture_px": 1300},
}


@dataclass(frozen=True)
class Change:
    """A change to one job of a finished day, made by ``make(day, job)``, and the steps that it has to rerun."""

    name: str
    job: str
    make: Callable[[Path, str], None]
    reruns: set


def steps(job, stages, parts=None):
    """Every step of these stages of a job, of all its parts or of those named."""
    found = set()
    for stage in (stage for stage in stages if STAGES[stage].runs_for(JOBS[job])):
        names = [part for part in parts or JOBS[job] if part in STAGES[stage].of]
        subjects = {
            "job": [job],
            "part": [f"{job} {part}" for part in names],
            "segment": [f"{job} {part} {name}" for part in names for name in JOBS[job][part]],
        }
        found |= {(stage, subject) for subject in subjects[STAGES[stage].unit]}
    return found


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{path} does not hold {old!r}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def add(path, text):
    with open(path, "a", encoding="utf-8") as file:
        file.write(text)


def flip_last_bit(day, job):
    raw = day / job / "raw" / "left.ply"
    data = bytearray(raw.read_bytes())
    data[-1] ^= 1
    raw.write_bytes(data)


def drop_last_target(day, job):
    targets = next((day / job / "raw").glob("left.targets.*"))
    lines = targets.read_text().splitlines(keepends=True)
    targets.write_text("".join(lines[:-1]))


def parameter(row, stages, job):
    """The change of a parameter that a row of the table in config/README.md is about."""
    section, _, key = row.partition(".")
    values = {section: {key: VALUES[row]} if key else VALUES[row]}
    return Change(row, job, lambda day, job: nights.set_parameters(day, job, values), steps(job, stages))


def promised():
    """The table in config/README.md: the stages that run again, by the parameter or the section that changes."""
    text = (nights.ROOT / "config" / "README.md").read_text(encoding="utf-8")
    table = re.search(r"<!-- reruns -->\n(.*)\n<!-- end of reruns -->", text, re.DOTALL)[1]
    rows = re.findall(r"^\| (?:any key of )?`([\w.]+)` \| (.*) \|$", table, re.MULTILINE)
    return {row: stages.split(", ") for row, stages in rows}


LEFT_ONLY = {("intake", "larch-van exterior left"), ("clean", "larch-van exterior left")}
POINT_PAIRS = """    point_pairs:
      - segments: [aft, fore]
        points: [[[0, 0, 0], [0, 0, 0]], [[900, 0, 0], [900, 0, 0]], [[0, 900, 0], [0, 900, 0]]]
        sd_mm: 5
"""
FROM_NETWORK = list(STAGES)[list(STAGES).index("network") :]
CHANGES = [
    Change("a raw file", "larch-van", flip_last_bit, LEFT_ONLY | steps("larch-van", FROM_NETWORK, ["exterior"])),
    Change("a target list", "pebble-compact", drop_last_target, steps("pebble-compact", FROM_NETWORK)),
    Change(
        "lost deliverables",
        "larch-loadbay",
        lambda day, job: shutil.rmtree(day / "results" / job / "deliver" / "interior"),
        steps("larch-loadbay", ("deliver", "report")),
    ),
    Change(
        "a comment on the job sheet",
        "finch-compact",
        lambda day, job: add(day / job / "job.yaml", "\n# seen by the workshop\n"),
        set(),
    ),
    Change(
        "a nominal dimension",
        "larch-van",
        lambda day, job: edit(day / job / "job.yaml", "length: 5400", "length: 5410"),
        steps("larch-van", ("measure", "join", "deliver", "report")),
    ),
    Change(
        "a note on the job sheet",
        "pebble-compact",
        lambda day, job: add(day / job / "job.yaml", "\nnote: Front bumper off.\n"),
        steps("pebble-compact", ("report",)),
    ),
    Change(
        "what becomes of segments that can't be placed",
        "pebble-compact",
        lambda day, job: add(day / job / "job.yaml", "\nunplaced: leave_out\n"),
        steps("pebble-compact", FROM_NETWORK),
    ),
    Change(
        "point pairs",
        "larch-loadbay",
        lambda day, job: edit(day / job / "job.yaml", "    segments:\n", f"{POINT_PAIRS}    segments:\n"),
        steps("larch-loadbay", FROM_NETWORK[1:]),
    ),
    *(
        parameter(row, stages, "morning-check" if row == "artefact" else VEHICLES[at % len(VEHICLES)])
        for at, (row, stages) in enumerate(promised().items(), 2)
    ),
    Change(
        "a calibrated value",
        "morning-check",
        lambda day, job: edit(day / job / "job.yaml", "distance_mm: 600.0", "distance_mm: 600.1"),
        {("artefact", "morning-check artefact"), ("report", "morning-check")},
    ),
]


@pytest.fixture(scope="module")
def rerun(finished, tmp_path_factory):
    """What a dry run schedules of the changed job, by the name of each change, and what of jobs without a change."""
    batches = []
    for change in CHANGES:
        batch = next((batch for batch in batches if change.job not in batch), None)
        if batch is None:
            batches.append(batch := {})
        batch[change.job] = change
    found, unasked = {}, set()
    for batch in batches:
        day = tmp_path_factory.mktemp("changed") / "day"
        nights.copy_for_dry_runs(finished[0], day)
        for job, change in batch.items():
            change.make(day, job)
        assert planning.plan(day, DEFAULTS).refused == {}
        scheduled = nights.scheduled(day)
        shutil.rmtree(day)
        for job, change in batch.items():
            found[change.name] = {step for step in scheduled if step[1].split()[0] == job}
        unasked |= {step for step in scheduled if step[1].split()[0] not in batch}
    return found, unasked


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.name)
def test_a_change_reruns_what_depends_on_it(rerun, change):
    assert rerun[0][change.name] == change.reruns


def test_a_change_to_one_job_reruns_nothing_of_another(rerun):
    assert rerun[1] == set()


def test_the_table_has_every_parameter_of_scan_and_every_stage():
    assert promised().keys() == VALUES.keys()
    assert list(promised()) == [*(f"scan.{key}" for key in DEFAULTS["scan"]), *STAGES]


@pytest.fixture
def house(tmp_path):
    """A copy of the project."""
    return nights.copy_house(tmp_path / "house")


def touch_everything(folder):
    later = time.time() + 5
    for path in sorted(folder.rglob("*")):
        if path.is_file() and ".snakemake" not in path.parts:
            os.utime(path, (later, later))


def test_the_default_target_schedules_the_day(finished, tmp_path):
    """And nothing of a day that is finished: the next test."""
    fresh = tmp_path / "fresh"
    shutil.copytree(finished[0], fresh, ignore=shutil.ignore_patterns("results", ".snakemake"))
    assert nights.scheduled(fresh) == set().union(*(steps(job, STAGES) for job in JOBS))


def test_what_changes_no_result_reruns_nothing(finished, house, tmp_path):
    """Comments in code and in a class, the project in another place, and every file touched."""
    day = shutil.copytree(finished[0], tmp_path / "day")  # touching links would touch what others use
    add(house / "workflow/scripts/nightbay/fill/fill.py", "\n# A word on gaps.\n")
    add(house / "config" / "classes" / "compact.yaml", "# A word on compacts.\n")
    touch_everything(day)
    touch_everything(house)
    assert nights.scheduled(day, house) == set()


def test_a_default_a_class_and_code_each_rerun_what_depends_on_them(finished, house):
    """Code of deliver, a default of measure, and a parameter of one class."""
    add(house / "workflow/scripts/nightbay/deliver/deliver.py", "\nMORE = 1\n")
    edit(house / "config" / "config.yaml", "notice_mm: 10", "notice_mm: 11")
    add(house / "config" / "classes" / "compact.yaml", "fill: {largest_gap_mm: 7.0}\n")
    everywhere = ("deliver", "join", "measure", "report")
    reruns = set().union(*(steps(job, everywhere) for job in JOBS))
    for job in ("pebble-compact", "finch-compact"):
        reruns |= steps(job, ("fill", "reduce"))
    assert nights.scheduled(finished[0], house) == reruns


def test_a_library_version_reruns_the_stages_that_use_it(finished, tmp_path, monkeypatch):
    newer = tmp_path / "site" / "jinja2-99.0.dist-info"
    newer.mkdir(parents=True)
    (newer / "METADATA").write_text("Metadata-Version: 2.1\nName: jinja2\nVersion: 99.0\n")
    (newer / "top_level.txt").write_text("jinja2\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "site"))
    assert {stage for stage, _ in nights.scheduled(finished[0])} == {"report"}

"""Only what depends on a change runs again: for each kind of change, the list of steps that a dry run schedules.

Each test edits a copy of the finished small day, or of the project, never what others use.
"""

import os
import shutil
import time

import pytest
import yaml

from workflow import nights

PART_STAGES = ("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure")
SEGMENTS = {
    ("larch-van", "exterior"): ("front", "left", "rear", "right", "roof"),
    ("pebble-compact", "exterior"): ("front", "left", "rear", "right"),
}


@pytest.fixture
def day(finished, tmp_path):
    """A copy of the finished day."""
    copy = tmp_path / "day"
    shutil.copytree(finished[0], copy)
    return copy


@pytest.fixture
def house(tmp_path):
    """A copy of the project."""
    return nights.copy_house(tmp_path / "house")


def part_steps(job, part, stages):
    return {(stage, f"{job} {part}") for stage in stages} | {("report", job)}


def whole_job(job, part, *without):
    segments = {(stage, f"{job} {part} {name}") for stage in ("intake", "clean") for name in SEGMENTS[job, part]}
    return {step for step in segments | part_steps(job, part, PART_STAGES) if step[0] not in without}


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{path} does not hold {old!r}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def set_parameter(day, job, section, key, value):
    path = day / job / "job.yaml"
    sheet = yaml.safe_load(path.read_text(encoding="utf-8"))
    sheet.setdefault("parameters", {}).setdefault(section, {})[key] = value
    path.write_text(yaml.safe_dump(sheet), encoding="utf-8")


def touch_everything(folder):
    later = time.time() + 5
    for path in sorted(folder.rglob("*")):
        if path.is_file() and ".snakemake" not in path.parts:
            os.utime(path, (later, later))


def test_the_default_target_schedules_the_day_and_then_nothing(finished, tmp_path):
    day = finished[0]
    assert nights.scheduled(day) == set()
    fresh = tmp_path / "fresh"
    shutil.copytree(day, fresh, ignore=shutil.ignore_patterns("results", ".snakemake"))
    steps = nights.scheduled(fresh)
    assert whole_job("larch-van", "exterior") | whole_job("pebble-compact", "exterior") <= steps


def test_touching_raw_files_results_and_code_reruns_nothing(day, house):
    touch_everything(day)
    touch_everything(house)
    assert nights.scheduled(day, house) == set()


def test_the_project_in_another_place_reruns_nothing(day, house):
    assert nights.scheduled(day, house) == set()


def test_a_parameter_of_one_stage_reruns_it_and_what_follows_in_that_job(day):
    set_parameter(day, "pebble-compact", "fill", "largest_gap_mm", 7.0)
    assert nights.scheduled(day) == part_steps("pebble-compact", "exterior", ("fill", "reduce", "deliver", "measure"))


def test_what_the_technician_knows_of_the_scanner_reruns_the_whole_job(day):
    set_parameter(day, "pebble-compact", "scan", "noise_mm", 0.12)
    assert nights.scheduled(day) == whole_job("pebble-compact", "exterior")


def test_a_default_reruns_every_job_from_that_stage_on(day, house):
    edit(house / "config" / "config.yaml", "largest_tilt_deg: 6", "largest_tilt_deg: 5")
    steps = nights.scheduled(day, house)
    assert {stage for stage, _ in steps} == {"fill", "reduce", "deliver", "measure", "report"}
    assert {subject for stage, subject in steps if stage == "report"} == {
        "larch-van",
        "pebble-compact",
        "larch-loadbay",
        "finch-compact",
    }


def test_a_class_preset_reruns_the_jobs_of_that_class_only(day, house):
    preset = house / "config" / "classes" / "compact.yaml"
    with open(preset, "a", encoding="utf-8") as file:
        file.write("# A word on compacts.\n")
    assert nights.scheduled(day, house) == set()
    with open(preset, "a", encoding="utf-8") as file:
        file.write("fill: {largest_gap_mm: 7.0}\n")
    changed = ("fill", "reduce", "deliver", "measure")
    assert nights.scheduled(day, house) == {
        step for job in ("pebble-compact", "finch-compact") for step in part_steps(job, "exterior", changed)
    }


def test_a_nominal_dimension_reruns_measure_and_report(day):
    edit(day / "larch-van" / "job.yaml", "length: 5400", "length: 5410")
    assert nights.scheduled(day) == part_steps("larch-van", "exterior", ("measure",))


def test_a_note_on_the_job_sheet_reruns_the_report(day):
    with open(day / "pebble-compact" / "job.yaml", "a", encoding="utf-8") as file:
        file.write("\nnote: Front bumper off.\n")
    assert nights.scheduled(day) == {("report", "pebble-compact")}


def test_a_comment_on_the_job_sheet_reruns_nothing(day):
    with open(day / "pebble-compact" / "job.yaml", "a", encoding="utf-8") as file:
        file.write("\n# seen by the workshop\n")
    assert nights.scheduled(day) == set()


def test_a_raw_file_reruns_its_segment_and_what_follows(day):
    raw = day / "larch-van" / "raw" / "left.ply"
    data = bytearray(raw.read_bytes())
    data[-1] ^= 1
    raw.write_bytes(data)
    assert nights.scheduled(day) == {
        ("intake", "larch-van exterior left"),
        ("clean", "larch-van exterior left"),
        *part_steps("larch-van", "exterior", PART_STAGES),
    }


def test_a_target_list_reruns_the_network_and_what_follows(day):
    targets = next((day / "pebble-compact" / "raw").glob("left.targets.*"))
    lines = targets.read_text().splitlines(keepends=True)
    targets.write_text("".join(lines[:-1]))
    assert nights.scheduled(day) == part_steps("pebble-compact", "exterior", PART_STAGES)


def test_code_that_a_stage_imports_reruns_that_stage_and_what_follows(day, house):
    with open(house / "workflow/scripts/nightbay/fill/fill.py", "a", encoding="utf-8") as file:
        file.write("\nMORE = 1\n")
    assert {stage for stage, _ in nights.scheduled(day, house)} == {"fill", "reduce", "deliver", "measure", "report"}


def test_a_comment_in_code_reruns_nothing(day, house):
    with open(house / "workflow/scripts/nightbay/fill/fill.py", "a", encoding="utf-8") as file:
        file.write("\n# A word on gaps.\n")
    assert nights.scheduled(day, house) == set()


def test_a_library_version_reruns_the_stages_that_use_it(day, tmp_path, monkeypatch):
    newer = tmp_path / "site" / "jinja2-99.0.dist-info"
    newer.mkdir(parents=True)
    (newer / "METADATA").write_text("Metadata-Version: 2.1\nName: jinja2\nVersion: 99.0\n")
    (newer / "top_level.txt").write_text("jinja2\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "site"))
    assert {stage for stage, _ in nights.scheduled(day)} == {"report"}


def test_lost_deliverables_are_made_again(day):
    shutil.rmtree(day / "results" / "pebble-compact" / "deliver" / "exterior")
    assert ("deliver", "pebble-compact exterior") in nights.scheduled(day)

"""The plan of a day: who is accepted, who is refused, what each stage gets and what reruns it."""

import copy
import json
import os
import shutil

import pytest
import yaml

from nightbay.core.errors import Rejected
from nightbay.pipeline.stages import STAGES
from nightbay.planning import day, parameters, validation

DEFAULTS = yaml.safe_load((parameters.CLASSES.parent / "config.yaml").read_text(encoding="utf-8"))
SHEET = "vehicle_class: van\nunits: mm\n"


@pytest.fixture
def shop(tmp_path):
    """A day with two jobs: ``van`` with two segments and ``small`` with one; returns its folder."""
    for job, files in {"van": ("left", "roof"), "small": ("all",)}.items():
        (tmp_path / job / "raw").mkdir(parents=True)
        for file in files:
            (tmp_path / job / "raw" / f"{file}.ply").write_text(f"{job} {file}")
        (tmp_path / job / "job.yaml").write_text(SHEET)
    return tmp_path


def age(folder):
    """Set the time of every export back, as those of a day are by the evening."""
    for path in folder.glob("*/raw/*"):
        os.utime(path, (1e9, 1e9))


def sheets(plan):
    """What every stage of every job gets, each as a text that changes when the stage would run again."""
    found = {}
    for name, job in plan.jobs.items():
        for stage, facts in STAGES.items():
            if not facts.runs_for(job.parts):
                continue
            for part in job.parts.values():
                for segment in part.segments if facts.unit == "segment" else [None]:
                    place = {"part": part.name, "segment": segment} if facts.unit != "job" else {}
                    found[name, stage, segment] = json.dumps(
                        [job.sheet(stage, job=name, **place), job.settings(stage, place.get("part"))]
                    )
    return found


def changed(before, after):
    return {key for key in before.keys() | after.keys() if before.get(key) != after.get(key)}


def test_a_bad_sheet_does_not_stop_the_others(shop):
    (shop / "small" / "job.yaml").write_text("vehicle_class: van\n")
    plan = day.plan(shop, DEFAULTS)
    assert list(plan.jobs) == ["van"]
    assert len(plan.refused["small"]) == 1
    assert "lacks the key 'units'" in plan.refused["small"][0]


def test_folders_without_a_sheet_are_mentioned(shop):
    for name in ("results", "logs", "benchmarks", ".nightbay", "photos", "late"):
        (shop / name).mkdir()
    (shop / "late" / "job.yml").write_text(SHEET)
    assert day.plan(shop, DEFAULTS).notes == [
        "The folder late holds no job.yaml and is skipped: rename job.yml to job.yaml.",
        "The folder photos holds no job.yaml and is skipped: write one if it is a job.",
    ]


@pytest.mark.parametrize("name", ["board", "A b", "Van"])
def test_names_that_no_job_may_have(shop, name):
    shutil.copytree(shop / "small", shop / name)
    (sentence,) = day.plan(shop, DEFAULTS).refused[name]
    assert name in sentence and "rename the folder" in sentence


def test_only_some_jobs(shop):
    assert list(day.plan(shop, DEFAULTS, only=["van"]).jobs) == ["van"]
    with pytest.raises(Rejected, match="The day has no job 'vann' .did you mean 'van'?"):
        day.plan(shop, DEFAULTS, only=["vann"])
    for name in ("../van", "a/b", "a b", ".."):
        with pytest.raises(Rejected, match="can't be the name of a job"):
            day.plan(shop, DEFAULTS, only=[name])


def test_a_missing_raw_file_is_reported_to_its_stage_and_no_other(shop):
    (shop / "van" / "job.yaml").write_text(
        SHEET + "parts: {exterior: {segments: {left: raw/left.ply, front: raw/front.ply}}}\n"
    )
    job = day.plan(shop, DEFAULTS).jobs["van"]
    found = job.sheet("intake", part="exterior", segment="front")
    assert found["sha256"] is None
    assert found["unreadable"] == "van/raw/front.ply does not exist: put it there or correct the job sheet."
    assert job.sheet("intake", part="exterior", segment="left")["unreadable"] is None


def test_a_file_without_permission_is_reported_as_well(shop, monkeypatch):
    def denied(path):
        raise PermissionError(13, "Permission denied")  # the superuser can read everything, so chmod would not do

    monkeypatch.setattr("nightbay.planning.raw_files.sha256", denied)
    found = day.plan(shop, DEFAULTS).jobs["van"].sheet("intake", part="exterior", segment="left")
    assert found["unreadable"] == (
        "van/raw/left.ply can't be read (Permission denied): correct its permissions or copy it again."
    )


def test_a_folder_in_place_of_a_file(shop):
    (shop / "van/raw/left.ply").unlink()
    (shop / "van/raw/left.ply").mkdir()
    (shop / "van/job.yaml").write_text(SHEET + "parts: {exterior: {segments: {left: raw/left.ply}}}\n")
    found = day.plan(shop, DEFAULTS).jobs["van"].sheet("intake", part="exterior", segment="left")
    assert found["unreadable"] == "van/raw/left.ply is not a file: name the export itself."


def test_two_copies_of_one_export_are_refused(shop):
    shutil.copy(shop / "van/raw/left.ply", shop / "van/raw/right.ply")
    (sentence,) = day.plan(shop, DEFAULTS).refused["van"]
    assert sentence.startswith("van/raw/left.ply and van/raw/right.ply have the same content, so one export is listed")


def test_touching_a_file_changes_nothing_and_its_content_changes_its_stage(shop):
    before = sheets(day.plan(shop, DEFAULTS))
    os.utime(shop / "van/raw/left.ply", (1e9, 1e9))
    os.utime(shop / "van/job.yaml")
    assert sheets(day.plan(shop, DEFAULTS)) == before
    (shop / "van/raw/left.ply").write_text("van LEFT")
    assert changed(before, sheets(day.plan(shop, DEFAULTS))) == {("van", "intake", "left")}


def test_another_order_of_keys_reruns_nothing(shop):
    lines = [
        "nominal_mm: {length: {nominal: 5400, lower: -5, upper: 5}, width: 2020}",
        "scale_bars: [{from: A, to: 7, length_mm: 1000, sd_mm: 0.01}]",
        "parts: {exterior: {axes: {forward: +x, up: +z}}}",
    ]
    (shop / "van/job.yaml").write_text(SHEET + "\n".join(lines))
    before = sheets(day.plan(shop, DEFAULTS))
    turned = [
        "parts: {exterior: {axes: {up: +z, forward: +x}}}",
        "scale_bars: [{sd_mm: 0.01, length_mm: 1000, to: 7, from: A}]",
        "nominal_mm: {width: 2020, length: {upper: 5, lower: -5, nominal: 5400}}",
    ]
    (shop / "van/job.yaml").write_text("\n".join(turned) + "\n" + SHEET)
    assert sheets(day.plan(shop, DEFAULTS)) == before


@pytest.mark.parametrize(
    ("line", "stages"),
    [
        ("nominal_mm: {length: 5400}", {"measure", "report"}),
        ("nominal_mm: {length: {nominal: 5400, lower: -5, upper: 5}}", {"measure", "report"}),
        ("nominal_deg: {approach_angle: 17}", {"measure", "report"}),
        (
            "parts: {exterior: {features: [{name: a, kind: hole, at_mm: [0, 0, 0], within_mm: 20}]}}",
            {"measure"},
        ),
        ("note: hurry", {"report"}),
        ("state: {load: kerb}", {"report"}),
        ("state: {temperature_c: 4}", {"network", "report"}),
        ("scale_bars: [{from: A, to: 7, length_mm: 1000, sd_mm: 0.01}]", {"network", "report"}),
        ("parameters: {intake: {fewest_points: 77}}", {"intake", "report"}),
        ("reference: {file: before.ply, kind: earlier scan}", {"measure"}),
        ("parts: {exterior: {mirror: left}}", {"fill"}),
    ],
)
def test_a_changed_line_of_the_sheet_reruns_what_needs_it(shop, line, stages):
    before = sheets(day.plan(shop, DEFAULTS))
    (shop / "van/job.yaml").write_text(SHEET + line + "\n")
    now = changed(before, sheets(day.plan(shop, DEFAULTS)))
    assert {stage for _, stage, _ in now} == stages
    assert {job for job, _, _ in now} == {"van"}


def test_a_new_segment_reruns_the_stages_over_the_part(shop):
    before = sheets(day.plan(shop, DEFAULTS))
    (shop / "van/raw/rear.ply").write_text("rear")
    now = changed(before, sheets(day.plan(shop, DEFAULTS)))
    assert ("van", "intake", "rear") in now and ("van", "intake", "left") not in now
    assert ("van", "network", None) in now


def test_hashes_are_remembered(shop, monkeypatch):
    age(shop)
    want = day.plan(shop, DEFAULTS).jobs["van"].sheet("intake", part="exterior", segment="left")
    monkeypatch.setattr("nightbay.planning.raw_files.sha256", lambda path: pytest.fail(f"{path} was read again"))
    assert day.plan(shop, DEFAULTS).jobs["van"].sheet("intake", part="exterior", segment="left") == want


def test_a_file_changed_just_now_is_not_remembered(shop):
    """Within one tick of the file system's clock a second change would leave the same stamp."""
    day.plan(shop, DEFAULTS).jobs["van"].sheet("intake", part="exterior", segment="left")
    assert not (shop / ".nightbay" / "hashes.json").exists()


def test_a_damaged_store_of_hashes_is_made_anew(shop):
    os.utime(shop / "van/raw/left.ply", (1e9, 1e9))
    (shop / ".nightbay").mkdir()
    (shop / ".nightbay" / "hashes.json").write_text("{")
    day.plan(shop, DEFAULTS).jobs["van"].sheet("intake", part="exterior", segment="left")
    assert list(json.loads((shop / ".nightbay" / "hashes.json").read_text())) == ["van/raw/left.ply"]


def test_the_order_in_which_parameters_win(shop, tmp_path_factory):
    classes = tmp_path_factory.mktemp("classes")
    (classes / "base.yaml").write_text(
        "description: base\nextent_mm: {length: [1000, 2000], width: [500, 900]}\n"
        "scan: {resolution_mm: 1.1, noise_mm: 0.2}\nintake: {fewest_points: 11, tile_mm: 300}\n"
    )
    (classes / "heir.yaml").write_text(
        "description: heir\ninherits: base\nextent_mm: {length: [1500, 2500]}\nscan: {resolution_mm: 1.2}\n"
    )
    (classes / "interior.yaml").write_text("description: inside\nscan: {smallest_mm: 9}\nintake: {fewest_points: 12}\n")
    (shop / "van/raw/interior").mkdir()
    (shop / "van/raw/interior/bay.ply").write_text("bay")
    (shop / "van/job.yaml").write_text(
        "vehicle_class: heir\nunits: mm\nparameters: {intake: {tile_mm: 400}}\n"
        "parts: {exterior: {}, interior: {parameters: {scan: {noise_mm: 0.3}}}}\n"
    )
    job = day.plan(shop, DEFAULTS, only=["van"], classes=classes).jobs["van"]
    outside, inside = job.resolved["exterior"], job.resolved["interior"]
    assert outside["scan"] == {**DEFAULTS["scan"], "resolution_mm": 1.2, "noise_mm": 0.2}
    assert outside["intake"] == {**DEFAULTS["intake"], "fewest_points": 11, "tile_mm": 400}
    assert inside["scan"] == {**DEFAULTS["scan"], "resolution_mm": 1.2, "noise_mm": 0.3, "smallest_mm": 9}
    assert inside["intake"] == {**DEFAULTS["intake"], "fewest_points": 12, "tile_mm": 400}
    assert job.settings("intake", "interior") == {
        "scan": {key: inside["scan"][key] for key in STAGES["intake"].scan},
        "intake": inside["intake"],
    }
    assert job.extent_mm == {"length": [1500, 2500], "width": [500, 900]}
    assert job.sheet("report")["parameters"]["interior"]["scan"] == inside["scan"]


def test_a_ring_of_classes_refuses_only_its_jobs(shop, tmp_path_factory):
    classes = tmp_path_factory.mktemp("classes")
    shutil.copy(parameters.CLASSES / "van.yaml", classes)
    (classes / "a.yaml").write_text("description: a\ninherits: b\n")
    (classes / "b.yaml").write_text("description: b\ninherits: a\n")
    (shop / "small/job.yaml").write_text("vehicle_class: a\nunits: mm\n")
    plan = day.plan(shop, DEFAULTS, classes=classes)
    assert list(plan.jobs) == ["van"]
    assert plan.refused["small"] == ["config/classes/a.yaml inherits from itself through a, b: break the ring."]


def test_a_fault_in_a_class_names_its_file(shop, tmp_path_factory):
    classes = tmp_path_factory.mktemp("classes")
    (classes / "van.yaml").write_text("description: v\nscan: {noise_mm: -1}\nextents_mm: {}\n")
    (sentence,) = day.plan(shop, DEFAULTS, only=["van"], classes=classes).refused["van"]
    assert "config/classes/van.yaml: unknown key 'extents_mm' (did you mean 'extent_mm'?)." in sentence
    assert "config/classes/van.yaml: 'scan.noise_mm' is -1; allowed is more than 0 and at most 5." in sentence


def test_faults_in_the_defaults_stop_the_plan(shop):
    wrong = copy.deepcopy(DEFAULTS)
    wrong["scan"]["noise_mm"] = "small"
    wrong["fues"] = wrong.pop("fuse")
    with pytest.raises(Rejected) as caught:
        day.plan(shop, wrong)
    assert "config/config.yaml: unknown key 'fues' (did you mean 'fuse'?)." in str(caught.value)
    assert "'scan.noise_mm' is \"small\"; it must be a number, more than 0 and at most 5." in str(caught.value)
    assert "config/config.yaml lacks the section 'fuse'." in str(caught.value)


@pytest.mark.parametrize("name", [path.stem for path in sorted(parameters.CLASSES.glob("*.yaml"))])
def test_every_preset_is_sound(name):
    preset = parameters.preset(name)
    merged = parameters.resolve(DEFAULTS, preset.layers)
    assert parameters.section_faults(merged, name, partial=False) == []
    if name != parameters.INTERIOR:
        assert set(preset.extent_mm) == {"length", "width", "height"}
        assert all(low < high for low, high in preset.extent_mm.values())


@pytest.mark.parametrize("section", parameters.SECTIONS)
def test_defaults_and_schemas_name_the_same_parameters(section):
    rules = validation.schema(f"parameters/{section}")
    assert set(DEFAULTS[section]) == set(rules["properties"])
    assert rules["additionalProperties"] is False
    for key, rule in rules["properties"].items():
        assert rule.get("description"), f"{section}.{key} has no description"


def test_raw_size_of_a_segment_a_part_and_a_job(shop):
    job = day.plan(shop, DEFAULTS).jobs["van"]
    assert job.raw_mb("exterior", "left") == pytest.approx(8e-6)
    assert job.raw_mb("exterior") == job.raw_mb() == pytest.approx(16e-6)
    (shop / "van/raw/left.ply").rename(shop / "van/raw/left.laz")
    assert day.plan(shop, DEFAULTS).jobs["van"].raw_mb("exterior", "left") == pytest.approx(40e-6)

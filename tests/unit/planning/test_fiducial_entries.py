"""What a job sheet may say of the fiducials of the vehicle frame, and which stage it reaches."""

import pytest
import yaml

from nightbay.planning import day, fiducial_entries, parameters, yaml_file

SHEET = {"vehicle_class": "van", "units": "mm"}


def faults(*entries, part="exterior"):
    written = {"vehicle_frame": {"fiducials": list(entries)}}
    return fiducial_entries.faults("van/job.yaml", part, written, ["left", "right"])


def test_targets_and_points_with_some_coordinate_are_accepted():
    assert faults({"target": "A1", "x_mm": 1}, {"point_mm": [1, 2, 3], "segment": "left", "z_mm": 0}) == []
    assert faults({"point_mm": [1, 2, 3], "y_mm": 0, "sd_mm": 0.2}) == []


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"x_mm": 1}, "needs exactly one of target, point_mm; it has none"),
        ({"target": "1", "point_mm": [0, 0, 0], "x_mm": 1}, "it has target and point_mm"),
        ({"target": "1"}, "has no nominal coordinate; give at least one of x_mm, y_mm, z_mm"),
        ({"point_mm": [0, 0, 0], "segment": "roof", "x_mm": 1}, "segment' is 'roof'; the part has left, right"),
        ({"target": "1", "segment": "left", "x_mm": 1}, "has a target and a segment"),
    ],
)
def test_an_entry_that_can_t_be_used_says_what_is_allowed(entry, words):
    (sentence,) = faults(entry)
    assert sentence.startswith("van/job.yaml: 'parts.exterior.vehicle_frame.fiducials.0") and words in sentence


def test_a_target_is_listed_once_and_an_interior_has_no_fiducials():
    (twice,) = faults({"target": 7, "x_mm": 1}, {"target": "7", "y_mm": 1})
    assert "names target '7' twice; list each once" in twice
    (inside,) = faults({"target": 7, "x_mm": 1}, part="interior")
    assert "is for an exterior" in inside


def plan(folder, vehicle_frame=None):
    raw = folder / "van" / "raw"
    raw.mkdir(parents=True)
    (raw / "left.ply").write_bytes(b"ply")
    part = {"segments": {"left": "raw/left.ply"}} | ({"vehicle_frame": vehicle_frame} if vehicle_frame else {})
    (folder / "van" / "job.yaml").write_text(yaml.safe_dump({**SHEET, "parts": {"exterior": part}}))
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")
    return day.plan(folder, defaults)


def test_fiducials_reach_the_stage_frame_and_no_other(tmp_path):
    without = plan(tmp_path / "without").jobs["van"]
    entries = [{"target": "A1", "x_mm": 12.5, "sd_mm": 0.3}]
    job = plan(tmp_path / "with", {"fiducials": entries}).jobs["van"]
    assert job.sheet("frame", part="exterior")["vehicle_frame"] == {"fiducials": entries}
    assert "vehicle_frame" not in without.sheet("frame", part="exterior")
    for stage in ("network", "refine", "fuse", "fill", "measure", "report"):
        assert job.sheet(stage, part="exterior") == without.sheet(stage, part="exterior")


def test_a_sheet_with_a_key_that_there_is_not_is_refused(tmp_path):
    refused = plan(tmp_path, {"fiducials": [{"target": "A1", "x": 12.5}]}).refused["van"]
    (sentence,) = refused
    assert sentence.startswith("van/job.yaml: unknown key 'parts.exterior.vehicle_frame.fiducials.0.x' (known are ")

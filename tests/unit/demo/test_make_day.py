"""The demo day's generator: formats that can be read back, truth that fits them, the same bytes, refused options."""

import json
from pathlib import Path

import numpy as np
import pytest
import yaml

import bodies
import make_day
import scenario
import sight
import simulate
from nightbay import readers
from nightbay.core import rigid
from nightbay.meshes import surface

POINTS = 20_000
JOBS = ["larch-van", "pebble-compact", "finch-compact", "larch-loadbay", "morning-check"]


def _simple(chord_mm):
    """A box of about a car's size: the day's generator does not care what it scans."""
    body = bodies.box((-800, -750, 200), (2900, 750, 1500), bodies.PAINT)
    return bodies.Body(body.vertices_mm, body.faces, body.material, body.colour, {"length": 3700.0})


def _make(folder, seed=3, jobs=JOBS):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scenario, "BODIES", dict.fromkeys(scenario.BODIES, _simple))
        return make_day.make(folder / "day", folder / "truth", POINTS, seed, jobs, cores=1)


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    assert _make(folder)
    return folder


def _truth(day, job):
    return json.loads((day / "truth" / job / "truth.json").read_text())


def _read(path, **options):
    return list(readers.blocks(path, path.name, **options))


def _files(folder):
    return {path.relative_to(folder): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_same_options_give_same_bytes_and_nothing_twice(day, tmp_path):
    some = ["larch-loadbay", "finch-compact"]  # a job does not depend on which others are made
    assert _make(tmp_path, jobs=some)
    first = {path: data for path, data in _files(tmp_path).items() if path.name != "made.json"}
    every = _files(day)
    assert {path: every[path] for path in first} == first
    assert not _make(tmp_path, jobs=some)
    assert _make(tmp_path, seed=4, jobs=some[:1])
    assert not list(tmp_path.glob("*.part"))
    again = _files(tmp_path)
    assert {path.parts[1] for path in first if again[path] != first[path]} == {"larch-loadbay"}


def test_what_others_made_is_not_overwritten(tmp_path):
    (tmp_path / "day" / JOBS[0]).mkdir(parents=True)
    with pytest.raises(SystemExit, match=f"{JOBS[0]} was not made by this program: move it away"):
        _make(tmp_path)


@pytest.mark.parametrize("job", JOBS)
def test_raw_files_fit_their_truth(day, job):
    sheet = yaml.safe_load((day / "day" / job / "job.yaml").read_text())
    true = _truth(day, job)
    segments = {name: segment for part in sheet["parts"].values() for name, segment in part["segments"].items()}
    facts_of = true["segments"] | true.get("joined", {}).get("segments", {})
    shape = surface.read_ply(day / "truth" / job / "surface.ply")
    low, high = shape.vertices_mm.min(axis=0), shape.vertices_mm.max(axis=0)
    assert set(segments) == set(facts_of)
    for name, segment in segments.items():
        facts = facts_of[name]
        blocks = _read(day / "day" / job / segment["file"])
        xyz = np.concatenate([block.xyz for block in blocks])
        labels = np.load(day / "truth" / job / f"{name}.labels.npy")
        assert len(xyz) == len(labels) == facts["count"]
        unit = {"mm": 1.0, "m": 1000.0}[segment.get("units", "mm")]
        vehicle = rigid.transform(np.array(facts["T_vehicle_segment"]), xyz * unit)[labels == simulate.SURFACE]
        # on one of the box's six faces, within five sd of the noisiest points and what a drift of 0.1 mm/m makes
        off = np.abs(np.concatenate([vehicle - low, vehicle - high], axis=1)).min(axis=1)
        assert off.max() < 5 * scenario.NOISE_MM / sight.STEEPEST_COS + 1.0
        middle = rigid.transform(np.array(facts["T_vehicle_segment"]), [facts["middle_mm"]])[0]
        assert middle == pytest.approx(vehicle.mean(axis=0), abs=0.01)


def test_formats_and_units_of_a_real_day_are_mixed(day):
    files = [path.suffix for path in (day / "day").rglob("raw/*") if "targets" not in path.name]
    assert {".ply", ".e57", ".laz", ".xyz", ".csv"} == set(files)
    sheets = [yaml.safe_load(path.read_text()) for path in (day / "day").glob("*/job.yaml")]
    units = [s.get("units") for one in sheets for part in one["parts"].values() for s in part["segments"].values()]
    assert units.count("m") == 1
    colours = [
        _read(path)[0].colour is not None for path in sorted((day / "day" / "larch-loadbay" / "raw").glob("*.ply"))
    ]
    assert colours == [True, True]


def test_the_refused_job_shares_three_targets_and_the_others_many(day):
    for job in JOBS[:3]:
        true = _truth(day, job)
        surveyed = set(true["survey"]["targets"]) - {-1}
        common = {name: len(surveyed & set(facts["targets"])) for name, facts in true["segments"].items()}
        if true["refused"]:
            assert min(common.values()) == 3
        else:
            assert min(common.values()) >= 8
        assert sum(len(set(facts["targets"]) - {-1}) > 0 for facts in true["segments"].values()) == len(common)


def test_target_lists_fit_the_truth(day):
    true = _truth(day, "larch-van")
    where = np.array(true["targets_mm"])
    for name, facts in true["segments"].items():
        path = next((day / "day" / "larch-van" / "raw").glob(f"{name}.targets.csv"))
        table = np.loadtxt(path, delimiter=",", skiprows=1)
        unit = 1000.0 if name == "rear" else 1.0
        control = rigid.transform(np.array(facts["T_control_segment"]), table[:, :3] * unit)
        number = np.array(facts["targets"])
        good = (number >= 0) & ~np.isin(number, facts["moved"])
        error = np.linalg.norm(control - where[number], axis=1)
        # five sd of the centre, and the drift over 6 m
        assert error[good].max() < 5 * scenario.TARGET_NOISE_MM + 4 * 6 * scenario.DRIFT_MM_PER_M
        assert np.all(error[(number >= 0) & ~good] > 3.0)


def test_truth_is_not_in_the_day(day):
    assert not [path for path in (day / "day").rglob("*") if "truth" in path.name or "label" in path.name]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--points", "5"], "--points is 5: 20000 to 60000000 are allowed."),
        (["--jobs", "lorry"], "--jobs names lorry: the day has larch-van"),
        (["--truth", "x/day/truth"], "--truth lies inside the day"),
    ],
)
def test_wrong_options_are_refused(options, sentence, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit):
        make_day.main(["--out", "x/day", "--truth", "x/truth", *options])
    assert sentence in capsys.readouterr().err
    assert not Path("x").exists()

"""Target lists as files and job sheets as the stage network takes them, for its tests."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import yaml

import networks
from nightbay.clouds import cloud
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.matching import targets
from nightbay.network import network
from nightbay.pipeline.settings import settings
from nightbay.planning.raw_files import Hashes

ROOT = Path(__file__).resolve().parents[1]
CONFIG = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
SETTINGS = settings({"scan": CONFIG["scan"], "network": CONFIG["network"]})
NOISE = {"noise_mm": 0.05, "drift_mm_per_m": 0.03}
ENDS = ([2250, 0, 0], [-2250, 0, 0], [0, 900, 0], [0, -900, 0])


def write(folder, one):
    """Write a list as a scanner would and say so as a job sheet does."""
    columns = ["id"] if one.id is not None else []
    columns += ["x", "y", "z"] + (["nx", "ny", "nz"] if one.normal is not None else [])
    path = folder / one.file
    with open(path, "w", encoding="utf-8") as file:
        for row in range(len(one)):
            numbers = list(one.xyz_mm[row]) + (list(one.normal[row]) if one.normal is not None else [])
            file.write(
                ",".join(([one.id[row]] if one.id is not None else []) + [f"{value:.5f}" for value in numbers]) + "\n"
            )
    return {"file": one.file, "units": "mm", "columns": columns, **Hashes(folder).of(one.file)}


def sheet(folder, survey, segments, **more):
    return {
        "control_survey": write(folder, survey) if survey else None,
        "segments": {one.name: {"targets": write(folder, one)} for one in segments},
        "placed": False,
        "unplaced": "refuse",
        "scale_bars": [],
        "temperature_c": None,
        "body_material": None,
        "extent_mm": {},
    } | more


def run(sheet, scan=None, taken=None, **parameters):
    """The stage's result; ``scan`` and further ``parameters`` over the defaults; ``taken``: what intake left, else
    clouds that fit the lists. Works in the day's folder."""
    return network.network({"intake": taken or clouds(sheet)}, sheet, changed(scan, **parameters), None, 1)


def changed(scan=None, **parameters):
    """The default settings with others of the section scan, and other ``parameters`` of the section network."""
    return settings({"scan": CONFIG["scan"] | (scan or {}), "network": CONFIG["network"] | parameters})


def clouds(sheet):
    """What intake left of the segments: a ring of surface about every target of each list that can be read."""
    left = []
    for name, segment in sheet["segments"].items():
        try:
            listed = targets.read(segment["targets"])
        except (Rejected, TypeError):
            continue
        left.append(SimpleNamespace(segment=name, folder=Path("intake", name), result={"file": f"{name}.ply"}))
        normal = np.tile([0.0, 0.0, 1.0], (len(listed), 1)) if listed.normal is None else listed.normal
        across = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal), axis=1)])
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        ring = [across * np.cos(turn) + np.cross(normal, across) * np.sin(turn) for turn in np.arange(8) * np.pi / 4]
        xyz = np.concatenate([listed.xyz_mm + 10.0 * way for way in ring])
        origin = np.round(xyz.mean(axis=0))
        block = cloud.Cloud((xyz - origin).astype(np.float32), np.tile(normal, (8, 1)).astype(np.float32))
        cloud.write(left[-1].folder, [block], origin, 500.0)
    return left


def day(seed, count=60, seen=24, **more):
    """Truth, survey and four segments with their poses."""
    rng = np.random.default_rng(seed)
    truth = networks.body(rng, count)
    survey, T_survey, _ = networks.record(truth, np.arange(count), rng, name="control survey", **NOISE, **more)
    segments, poses = [], {}
    for at, centre in enumerate(ENDS):
        numbers = networks.patch(truth, rng, seen, np.array(centre, float))
        one, T, _ = networks.record(truth, numbers, rng, name=f"s{at}", **NOISE, **more)
        segments.append(one)
        poses[one.name] = rigid.invert(T_survey) @ T
    return truth, survey, segments, poses


def off_mm(result, name, one, T):
    """How far the pose found puts the list's targets from where they are."""
    found = np.array(result["poses"][name]["T_control_segment"])
    return np.linalg.norm(rigid.transform(found, one.xyz_mm) - rigid.transform(T, one.xyz_mm), axis=1).max()


def listed_again(survey, rows, offset_mm, ids=None):
    """The survey with some rows recorded again beside."""
    again = survey.rows(rows)
    return type(survey)(
        survey.name,
        survey.file,
        np.vstack([survey.xyz_mm, again.xyz_mm + offset_mm]),
        np.concatenate([survey.covariance_mm2, again.covariance_mm2]),
        np.vstack([survey.normal, again.normal]),
        ids,
    )


def flat_day(rng, seen):
    """A survey of a flat panel and a segment that saw some of it, both without normals."""
    xyz = np.column_stack([rng.uniform(0, 2500, 30), rng.uniform(0, 1500, 30), np.zeros(30)])
    panel = networks.Truth(xyz, np.tile([0.0, 0, 1], (30, 1)))
    bare = NOISE | {"normals": False}
    survey, _, _ = networks.record(panel, np.arange(30), rng, name="control survey", **bare)
    return survey, networks.record(panel, networks.patch(panel, rng, seen), rng, name="side", **bare)[0]

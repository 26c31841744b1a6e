"""How often files that do not belong together are accepted, and sound ones refused, on a finished demo day.

Usage: bash tests/bench/run.sh mixups [--day demo/day --truth demo/truth] [--seed 1]

Lists against clouds (network): every list of the day with every segment's cloud, in the frames as exported, and in
frames that share the floor or the vehicle's axes, as scanners make them that level themselves; with targets on the
floor added to half and to one and a half of the list. Poses (refine): every segment in its true place, in places that
are wrong by 50 mm and more, and with the cloud of another vehicle in its place.
"""

import argparse
import json
from pathlib import Path

import numpy as np
import yaml
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

import scenario
from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.matching import targets
from nightbay.network import list_surfaces
from nightbay.network.list_surfaces import Surface
from nightbay.pipeline.settings import settings
from nightbay.refine import contradiction
from nightbay.refine.part import sizes

ROOT = Path(__file__).resolve().parents[2]
CONFIG = yaml.safe_load((ROOT / "config" / "config.yaml").read_text(encoding="utf-8"))
NOISE_MM, LEAST = CONFIG["scan"]["noise_mm"], CONFIG["network"]["on_surface_least"]
MOST, SETTINGS = CONFIG["refine"]["contradiction_most"], settings({"refine": CONFIG["refine"]})
WRONG = ((50.0, 0.5), (100.0, 1.0), (200.0, 2.0), (400.0, 5.0))  # mm and degrees that a pose is off


def main():
    parser = argparse.ArgumentParser(description="Bench of files and poses that do not belong together.")
    parser.add_argument("--day", type=Path, default=ROOT / "demo" / "day")
    parser.add_argument("--truth", type=Path, default=ROOT / "demo" / "truth")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    segments = [one for job in scenario.JOBS if job.part == "exterior" for one in read(options.day, options.truth, job)]
    print(json.dumps({**lists(segments, rng), **poses(segments, rng)}))


def read(folder, truth, job):
    """The segments of a job: job, name, list (n, 3) mm, raw and cleaned clouds, true poses."""
    true = json.loads((truth / job.name / "truth.json").read_text(encoding="utf-8"))
    sheet = yaml.safe_load((folder / job.name / "job.yaml").read_text(encoding="utf-8"))
    for name, facts in true["segments"].items():
        listed = sheet["parts"][job.part]["segments"][name]["targets"]
        listed = listed if isinstance(listed, dict) else {"file": listed, "units": sheet["units"]}
        raw = {"unreadable": None, "columns": None, **listed, "file": f"{job.name}/{listed['file']}"}
        stem = f"{job.part}.{name}"
        yield {
            "job": job.name,
            "body": job.body,
            "name": name,
            "xyz_mm": targets.read(raw, folder).xyz_mm,
            "raw": CloudFile(folder / "results" / job.name / "intake" / stem),
            "cleaned": CloudFile(folder / "results" / job.name / "clean" / stem),
            "T_vehicle_segment": np.array(facts["T_vehicle_segment"]),
        }


def lists(segments, rng):
    """Rates of lists against clouds."""
    surfaces = [list_surfaces.surface(one["raw"], one["name"]) for one in segments]
    own = [one["T_vehicle_segment"] for one in segments]
    level = [_moved(surface, T) for surface, T in zip(surfaces, own, strict=True)]
    sound, wrong = [], {"exported": [], "floor": [], "axes": []}
    for a, one in enumerate(segments):
        sound.append(_share(one["xyz_mm"], surfaces[a]))
        wrong["exported"] += [_share(one["xyz_mm"], surfaces[b]) for b in range(len(segments)) if b != a]
        for part in (0.0, 0.5, 1.5):
            listed = _with_floor(rigid.transform(own[a], one["xyz_mm"]), level[a], part, rng)
            sound.append(_share(listed, level[a]))
            for b in range(len(segments)):
                if b == a:
                    continue
                for kind, turn_deg, shift_mm in (("floor", 360.0, 2500.0), ("axes", 3.0, 100.0)):
                    turn = Rotation.from_euler("z", rng.normal(0, turn_deg), degrees=True).as_matrix()
                    T = rigid.pose(turn, np.append(rng.normal(0, shift_mm, 2), 0.0))
                    wrong[kind].append(_share(rigid.transform(T, listed), level[b]))
    figures = {"lists_sound": len(sound), "lists_sound_refused": float(np.mean(np.array(sound) < LEAST))}
    figures["lists_sound_lowest"] = round(min(sound), 3)
    for kind, shares in wrong.items():
        figures[f"lists_wrong_{kind}"] = len(shares)
        figures[f"lists_wrong_{kind}_accepted"] = float(np.mean(np.array(shares) >= LEAST))
        figures[f"lists_wrong_{kind}_highest"] = round(max(shares), 3)
    return figures


def _share(xyz_mm, surface):
    return list_surfaces.share(xyz_mm, surface, NOISE_MM)[0]


def _moved(surface, T):
    return Surface(surface.file, cKDTree(rigid.transform(T, surface.tree.data)), rigid.rotate(T, surface.normal))


def _with_floor(xyz_mm, surface, part, rng):
    """The list with targets on the floor that the segment has seen, ``part`` of its number."""
    seen = surface.tree.data[np.abs(surface.tree.data[:, 2]) < 3.0]
    if not len(seen):
        return xyz_mm
    return np.vstack([xyz_mm, seen[rng.integers(len(seen), size=int(part * len(xyz_mm)))] * [1, 1, 0]])


def poses(segments, rng):
    """Rates of poses, and of clouds of another vehicle, against the other segments."""
    figures = {"poses_sound": 0, "poses_sound_doubted": 0, "clouds_foreign": 0, "clouds_foreign_accepted": 0}
    figures |= {f"poses_off_{mm:.0f}_mm": 0 for mm, _ in WRONG} | {
        f"poses_off_{mm:.0f}_mm_accepted": 0 for mm, _ in WRONG
    }
    for job in dict.fromkeys(segment["job"] for segment in segments):
        mine = [segment for segment in segments if segment["job"] == job]
        true = [one["T_vehicle_segment"] for one in mine]
        figures["poses_sound"] += len(mine)
        figures["poses_sound_doubted"] += len(_doubted(mine, true))
        for at, one in enumerate(mine):
            for mm, deg in WRONG:
                figures[f"poses_off_{mm:.0f}_mm"] += 1
                off = [*true[:at], _off(one, mm, deg, rng), *true[at + 1 :]]
                figures[f"poses_off_{mm:.0f}_mm_accepted"] += one["name"] not in _doubted(mine, off)
            for other in (other for other in segments if other["body"] != one["body"]):
                figures["clouds_foreign"] += 1
                mixed = [*mine[:at], {**other, "name": one["name"]}, *mine[at + 1 :]]
                there = [*true[:at], other["T_vehicle_segment"], *true[at + 1 :]]
                figures["clouds_foreign_accepted"] += one["name"] not in _doubted(mixed, there)
    return figures


def _doubted(segments, T_vehicle_segment):
    """Segments that a warning names."""
    names, clouds = [one["name"] for one in segments], [one["cleaned"] for one in segments]
    found = contradiction.find(names, clouds, T_vehicle_segment, sizes(clouds, SETTINGS), MOST)
    return {*found.doubted, *found.isolated}


def _off(one, mm, deg, rng):
    """The true pose, turned about the segment's middle and shifted."""
    cloud, T = one["cleaned"], one["T_vehicle_segment"]
    middle = rigid.transform(T, cloud.sample(10_000).xyz_mm.mean(axis=0)[None] + cloud.origin_mm)[0]
    axis, way = (vector / np.linalg.norm(vector) for vector in rng.normal(size=(2, 3)))
    turn = Rotation.from_rotvec(np.radians(deg) * axis).as_matrix()
    return rigid.pose(turn, middle - turn @ middle + mm * way) @ T


if __name__ == "__main__":
    main()

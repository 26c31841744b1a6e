"""The frame and the sizes of rooms: the demo's load bay at many seeds in random raw poses, and invented rooms.

    bash tests/bench/run.sh interior_room [seeds]

The chain's own functions of frame and measure run in process on simulated points in their true registration, so that the
figures show these two stages alone. The truth of each room is that of its construction. The last line is one JSON object.
"""

import json
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import trimesh
import yaml

import blockcar
import loadbay
import scenario
import simulate
from nightbay.core import rigid, thinning
from nightbay.frame import frame
from nightbay.frame.result import FrameResult
from nightbay.measure import room_sizes
from nightbay.measure.room_faces import Shell
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.refine.result import RefineResult

ROOT = Path(__file__).resolve().parents[2]
SEEDS, POINTS = 20, 200_000
MOST_FRAME_DEG, MOST_SIZE_MM = 0.05, 1.0
SPACING_MM = 8.0  # of the points that stand for the surface's vertices
TRUE_MM = {  # of the demo's bay, from its construction in demo/loadbay.py
    "width_floor": 2 * loadbay.HALF,
    "height_roof": loadbay.CEILING - loadbay.FLOOR,
    "height_bows": loadbay.CEILING - 8 - 34 - loadbay.FLOOR,
    "width_wheel_boxes": 2 * (loadbay.HALF - 100 - 125),
    **{f"pitch_ribs_left_{n}": float(b - a) for n, (a, b) in enumerate(zip(loadbay.RIBS_LEFT, loadbay.RIBS_LEFT[1:], strict=False), 1)},
    **{f"pitch_ribs_right_{n}": float(b - a) for n, (a, b) in enumerate(zip(loadbay.RIBS_RIGHT, loadbay.RIBS_RIGHT[1:], strict=False), 1)},
    **{f"pitch_bows_{n}": float(b - a) for n, (a, b) in enumerate(zip(loadbay.RIBS_LEFT, loadbay.RIBS_LEFT[1:], strict=False), 1)},
}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """A room to be framed: points (n, 3) with normals (n, 3) in its true vehicle frame (X rearward), and the rows of each
    segment by name; ``axes`` of the job sheet."""

    points: np.ndarray
    normals: np.ndarray
    segments: dict
    axes: dict


@dataclass(frozen=True)
class Outcome:
    """``result`` of frame; the error of the rotation ``angle_deg``; how far the room is from square, ``square_deg``;
    whether the direction up and the heading are called ``decided``; the ``sizes``."""

    result: FrameResult
    angle_deg: float
    square_deg: float
    decided: bool
    sizes: list

    @property
    def wrong(self) -> bool:
        """A frame that is off and not marked as undecided, or one that is not even square."""
        return self.square_deg > MOST_FRAME_DEG or (self.decided and self.angle_deg > MOST_FRAME_DEG)


def run(case: Case, seed: int, drift_mm_per_m: float = scenario.DRIFT_WITHOUT_TARGETS_MM_PER_M) -> Outcome:
    """Frame a room that lies anyhow in its raw frame, and take its sizes."""
    rng = np.random.default_rng([seed, 77])
    T_control_vehicle = rigid.pose(blockcar.rotation(rng), rng.uniform(-3000, 3000, 3))
    options = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    options["scan"]["target_drift_mm_per_m"] = drift_mm_per_m
    options = settings(options)
    with tempfile.TemporaryDirectory() as name:
        upstream = blockcar.upstream(
            Path(name),
            case.points,
            case.normals,
            case.segments,
            T_control_vehicle,
            part="interior",
            ground=False,
            seed=seed,
        )
        made = frame.frame(upstream, {"axes": case.axes}, options, Path(name), 1)
    made.pop("notes")
    result = typed.read(FrameResult, made)
    left = result.T_vehicle_control @ T_control_vehicle
    square = np.degrees(np.arccos(np.clip(np.abs(left[:3, :3]).max(axis=1), 0, 1))).max()
    decided = result.room.up.decided and result.room.along.decided and not result.heading.assumed
    decided = decided and result.heading.found_by != "kept"
    refined = typed.read(RefineResult, upstream["refine"].result)
    rows = thinning.thin(case.points, SPACING_MM)
    shell = Shell(
        rigid.transform(left, case.points[rows]), rigid.rotate(left, case.normals[rows]), SPACING_MM, result,
        refined.poses, refined.scale, options.scan,
    )  # fmt: skip
    sizes, _ = room_sizes.find(shell, options.measure.belt_mm)
    return Outcome(result, rigid.angle_deg(left), float(square), decided, sizes)


def demo_bay(body, seed: int, names=("fore", "aft"), points=POINTS) -> Case:
    """The demo's load bay as its job scans it, noise and drift included."""
    job = next(job for job in scenario.JOBS if job.part == "interior")
    xyz, normals, segments = [], [], {}
    for number, run_ in enumerate(job.runs):
        own = 1000 * seed + number
        scan = simulate.scan(
            body, scenario.views(job, run_, body, own), points=round(points * run_.share), noise_mm=scenario.NOISE_MM,
            seed=own, drift_mm_per_m=job.drift_mm_per_m, faults=scenario.faults(job),
        )  # fmt: skip
        taken = scan.all_points()
        inside = np.isin(taken.label, [simulate.SURFACE])
        start = sum(len(part) for part in xyz)
        xyz.append(rigid.transform(scan.T_vehicle_segment, taken.xyz[inside]))
        facing = rigid.rotate(scan.T_vehicle_segment, taken.normals[inside])
        normals.append(facing / np.linalg.norm(facing, axis=1, keepdims=True))
        segments[names[number]] = np.arange(start, start + len(xyz[-1]))
    return Case(np.concatenate(xyz), np.concatenate(normals), segments, {})

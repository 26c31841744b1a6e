"""Runs the project's stage refine on a pair of scans, as a part of two segments without targets.

The part is "interior" for a room and "exterior" for what is scanned from around it: the stage takes from its name which
way estimated normals are to face.
"""

import contextlib
import io
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import yaml

import overlap_scenes
from nightbay.core.errors import Rejected
from nightbay.pipeline.settings import settings
from nightbay.refine import refine
from pair_scans import DRIFT_MM_PER_M

CONFIG = yaml.safe_load(overlap_scenes.CONFIG.read_text(encoding="utf-8"))
SHEET = {"unplaced": "refuse", "point_pairs": []}
SCRATCH = Path("/dev/shm") if Path("/dev/shm").is_dir() else None


@dataclass(frozen=True)
class Outcome:
    """What the stage made of some segments. ``state``: accepted, refused or crashed.

    ``poses`` {name: (pose in the frame of the first, its covariance (6, 6) about that frame's origin)} where they were
    accepted. ``reason``: the sentence of a refusal or the exception; ``seconds`` of processor time; ``log``: what the
    stage printed; ``result``: of the stage.
    """

    state: str
    poses: dict
    reason: str
    seconds: float
    log: str
    result: dict | None


def parameters(noise_mm):
    """The settings: config's with the noise and drift of the scans."""
    own = CONFIG["refine"] | {"untargeted_drift_mm_per_m": DRIFT_MM_PER_M}
    scan = {key: value for key, value in CONFIG["scan"].items() if key != "resolution_mm"}
    return settings({"scan": scan | {"noise_mm": noise_mm}, "refine": own})


def write(scans, inside, folder):
    """The cleaned segments, as the stage clean hands them over, in folders below ``folder``."""
    cleaned = []
    for scan in scans:
        segment = overlap_scenes.write_segment(folder / scan.name, scan.name, scan.points, scan.normal, np.eye(4))
        result = segment.result | {"normals_certainty": scan.certainty}
        cleaned.append(replace(segment, part="interior" if inside else "exterior", result=result))
    return cleaned


def register(pair):
    """The :class:`Outcome` of the stage for a pair: the pose of "b" in the frame of "a"."""
    return together([pair.a, pair.b], pair.noise_mm, pair.inside)


def together(scans, noise_mm, inside):
    """The :class:`Outcome` of the stage for segments without targets, in the order of their names."""
    printed = io.StringIO()
    with tempfile.TemporaryDirectory(dir=SCRATCH) as scratch, contextlib.redirect_stdout(printed):
        folder = Path(scratch)
        upstream = {"clean": write(scans, inside, folder), "network": overlap_scenes.no_targets()}
        out = folder / "refine"
        out.mkdir()
        began = time.process_time()
        state, poses, reason, result = "accepted", {}, "", None
        try:
            result = refine.refine(upstream, SHEET, parameters(noise_mm), out, 1)
        except Rejected as error:
            state, reason = "refused", str(error)
        except Exception as error:  # any other is a crash, which is counted
            state, reason = "crashed", f"{type(error).__name__}: {error}"
        took = time.process_time() - began
    for name, pose in (result["poses"] if result else {}).items():
        if pose["pose_from"] not in ("surfaces", "frame"):  # a segment that was left where it stood
            return Outcome("refused", {}, pose["reason"], took, printed.getvalue(), result)
        poses[name] = np.array(pose["T_control_segment"]), np.array(pose["covariance"])
    return Outcome(state, poses, reason, took, printed.getvalue(), result)

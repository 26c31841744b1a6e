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
# Lengths of the section refine, which a small object needs in proportion. What the stage has no longer is not set.
LENGTHS = (
    "patch_mm",
    "drift_length_mm",
    "disc_radius_mm",
    "registration_sd_most_mm",
    "coarse_mm",
    "sheet_distance_mm",
)
SCRATCH = Path("/dev/shm") if Path("/dev/shm").is_dir() else None


@dataclass(frozen=True)
class Outcome:
    """What the stage made of a pair. ``state``: accepted, refused or crashed.

    The pose T_a_b and its covariance (6, 6) about the origin of a are there where it was accepted. ``reason``: the
    sentence of a refusal or the exception; ``seconds`` of processor time; ``log``: what the stage printed.
    """

    state: str
    T_a_b: np.ndarray | None
    covariance: np.ndarray | None
    reason: str
    seconds: float
    log: str
    result: dict | None


def parameters(pair):
    """The settings for a pair: config's, with its noise and drift, lengths in proportion to an object that is small."""
    own = dict(CONFIG["refine"])
    own |= {key: own[key] * pair.scale for key in LENGTHS if key in own}
    if "untargeted_drift_mm_per_m" in own:
        own["untargeted_drift_mm_per_m"] = DRIFT_MM_PER_M
    scan = {key: value for key, value in CONFIG["scan"].items() if key != "resolution_mm"}
    return settings({"scan": scan | {"noise_mm": pair.noise_mm}, "refine": own})


def write(pair, folder):
    """The cleaned segments of a pair, as the stage clean hands them over, in folders below ``folder``."""
    cleaned = []
    for scan in (pair.a, pair.b):
        segment = overlap_scenes.write_segment(folder / scan.name, scan.name, scan.points, scan.normal, np.eye(4))
        result = segment.result | {"normals_certainty": scan.certainty}
        cleaned.append(replace(segment, part="interior" if pair.inside else "exterior", result=result))
    return cleaned


def register(pair):
    """The :class:`Outcome` of the stage for a pair."""
    printed = io.StringIO()
    with tempfile.TemporaryDirectory(dir=SCRATCH) as scratch, contextlib.redirect_stdout(printed):
        folder = Path(scratch)
        upstream = {"clean": write(pair, folder), "network": overlap_scenes.no_targets()}
        out = folder / "refine"
        out.mkdir()
        began = time.process_time()
        state, T, covariance, reason, result = "accepted", None, None, "", None
        try:
            result = refine.refine(upstream, {}, parameters(pair), out, 1)
        except Rejected as error:
            state, reason = "refused", str(error)
        except Exception as error:  # any other is a crash, which is counted
            state, reason = "crashed", f"{type(error).__name__}: {error}"
        took = time.process_time() - began
    if result is not None:
        pose = result["poses"]["b"]
        if pose["pose_from"] == "surfaces":
            T, covariance = np.array(pose["T_control_segment"]), np.array(pose["covariance"])
        else:  # the stage left b where it stood: a part that was not put together
            state, reason = "refused", pose["reason"]
    return Outcome(state, T, covariance, reason, took, printed.getvalue(), result)

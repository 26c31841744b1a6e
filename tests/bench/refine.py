"""Bench of refine against simulated truth: what overlaps add to targets, and how honest the poses' covariance is.

Usage: bash tests/bench/run.sh refine [parts, default 16]

Each part is a dented egg of a vehicle's size in four segments, drift 0.03 mm/m; one of them, "left", has seven
neighbouring targets only. ``nees``: error against the stated covariance, mean of the squared Mahalanobis distance over
six; 1 is honest, more is too sure. Errors are of the segment's middle, root mean square. ``surface_mm``: how far the
segment's surface, without its noise, lies from the true one, root mean square along the normal. A pose that brings it
nearest is not the true pose, since drift bends the surface and not the targets here.
"""

import contextlib
import io
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.pipeline.settings import settings
from nightbay.refine import refine

sys.path.append(str(Path(__file__).resolve().parents[1] / "unit" / "refine"))
import test_refine


def compared(pose, true, middle_mm, surface):
    """Mahalanobis distance squared over six, error in mm at the middle and in degrees, and root mean square distance of
    the surface from the true one, mm, of a pose of a result."""
    motion = np.array(pose["T_control_segment"]) @ rigid.invert(true)
    turn = Rotation.from_matrix(motion[:3, :3]).as_rotvec()
    way = rigid.transform(motion, middle_mm[None])[0] - middle_mm
    covariance = rigid.covariance_at_origin(np.array(pose["covariance"]), -middle_mm)
    both = np.concatenate([turn, way])
    points, drifted, normals = surface
    off = np.sum((rigid.transform(motion, drifted) - points) * normals, axis=1)
    nees = both @ np.linalg.solve(covariance, both) / 6
    return nees, np.linalg.norm(way), np.degrees(np.linalg.norm(turn)), np.sqrt(np.mean(off**2))


def part(seed):
    """Rows (name, refined?, by targets, refined) of one simulated part, and the seconds that refine took."""
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
        cleaned, network, true, surfaces = test_refine.egg_part(Path(folder), seed, few=("left",))
        began = time.process_time()
        values = settings(test_refine.SETTINGS)
        sheet = {"unplaced": "refuse", "point_pairs": []}
        result = refine.refine({"clean": cleaned, "network": network}, sheet, values, Path(folder), 1)
        took = time.process_time() - began
    rows = []
    for name, view in test_refine.VIEWS.items():
        middle, pose = np.array(view) * 600.0, result["poses"][name]
        before = compared(network.result["poses"][name], true[name], middle, surfaces[name])
        rows.append((name, pose["pose_from"] == "refined", before, compared(pose, true[name], middle, surfaces[name])))
    return rows, took


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 16
    parts, seconds = zip(*(part(seed) for seed in range(100, 100 + count)), strict=True)
    rows = [row for rows in parts for row in rows]
    figures = {"parts": count, "cpu_s": round(float(np.mean(seconds)), 2)}
    for group, chosen in (("few_targets", ["left"]), ("well_tied", ["front", "rear", "right"])):
        mine = [row for row in rows if row[0] in chosen]
        figures[group] = {"refined_share": float(np.mean([row[1] for row in mine]))}
        for which, column in (("targets", 2), ("refined", 3)):
            values = np.array([row[column] for row in mine])
            figures[group] |= {
                f"nees_{which}": round(float(values[:, 0].mean()), 3),
                f"error_mm_{which}": round(float(np.sqrt(np.mean(values[:, 1] ** 2))), 4),
                f"error_deg_{which}": round(float(np.sqrt(np.mean(values[:, 2] ** 2))), 5),
                f"surface_mm_{which}": round(float(np.sqrt(np.mean(values[:, 3] ** 2))), 4),
            }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()

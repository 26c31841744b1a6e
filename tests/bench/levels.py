"""Fill and reduce on a large surface: a noisy sphere the size of a van, with gaps and an opening.

    bash tests/bench/run.sh levels [faces]

The last line is one JSON object: times in s, peak memory in GB, faces and deviation of the levels.
"""

import json
import resource
import sys
import tempfile
import time
from dataclasses import fields
from pathlib import Path
from types import SimpleNamespace

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))

import partial_surfaces
from nightbay.fill import fill
from nightbay.fuse.result import FuseResult
from nightbay.meshes import surface
from nightbay.pipeline.settings import settings as frozen
from nightbay.reduce import reduce


def lumpy(count, seed=7):
    """An open surface of about ``count`` faces with a 2 mm grid: a sphere by latitude and longitude with waves of 5 mm,
    noise of 0.05 mm, a gap of 12 mm about every 300 mm, and an opening at its poles."""
    rows = int(np.sqrt(count / 4))
    columns = 2 * rows
    radius = 2.0 * rows / (0.8 * np.pi)
    latitude = np.linspace(-0.4 * np.pi, 0.4 * np.pi, rows + 1)[:, None]
    longitude = 2 * np.pi * np.arange(columns) / columns
    noise = np.random.default_rng(seed).normal(0, 0.05, (rows + 1, columns))
    reach = radius + 5 * np.sin(9 * longitude) * np.sin(7 * latitude) + noise
    xyz = (np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude) + 0 * longitude)
    vertices = np.stack([(reach * one).ravel() for one in xyz], axis=1).astype(np.float32)
    row, column = np.divmod(np.arange(rows * columns, dtype=np.int32), columns)
    a, b = row * columns + column, row * columns + (column + 1) % columns
    keep = ~((row % 150 < 6) & (column % 150 < 6) & (row > 10) & (row < rows - 10))
    faces = np.vstack(
        [np.column_stack([a, b, b + columns])[keep], np.column_stack([a, b + columns, a + columns])[keep]]
    )
    confidence = np.full(len(vertices), 0.8, np.float32)
    mesh = surface.Surface(vertices, faces.astype(np.int32), {"confidence": confidence})
    return partial_surfaces.keep_faces(mesh, np.ones(len(mesh.faces), bool))


def main(count):
    mesh = lumpy(count)
    with tempfile.TemporaryDirectory() as name:
        folders = [Path(name) / one for one in ("fuse", "fill", "reduce")]
        for folder in folders:
            folder.mkdir()
        surface.write_ply(folders[0] / "surface.ply", mesh)
        numbers = dict.fromkeys([field.name for field in fields(FuseResult)], 0)  # fill reads these two
        fused = numbers | {"resolution_mm": 2.0, "area_mm2": surface.area_mm2(mesh)}
        del mesh
        settings = frozen(
            {
                "fill": {"largest_gap_mm": 25.0, "largest_tilt_deg": 60.0},
                "reduce": {"levels": {"fine": {"deviation_mm": 0.1}, "light": {"deviation_mm": 0.5}}},
            }
        )
        times, upstream = {}, SimpleNamespace(folder=folders[0], result=fused)
        start = time.perf_counter()
        filled = fill.fill({"fuse": upstream}, {}, settings, folders[1], 2)
        times["fill_s"] = round(time.perf_counter() - start, 1)
        fill_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        start = time.perf_counter()
        levels = reduce.reduce({"fill": SimpleNamespace(folder=folders[1])}, {}, settings, folders[2], 2)["levels"]
        times["reduce_s"] = round(time.perf_counter() - start, 1)
    figures = {
        "faces": levels["full"]["faces"],
        "gaps": filled["gaps"],
        **times,
        "cpu_s": round(time.process_time(), 1),
        "fill_peak_gb": round(fill_gb, 2),
        "peak_gb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, 2),
    }
    for name in ("fine", "light"):
        figures[f"{name}_faces"] = levels[name]["faces"]
        figures[f"{name}_p95_mm"] = levels[name]["deviation"]["full_to_level"]["p95_mm"]
        figures[f"{name}_max_mm"] = levels[name]["deviation"]["full_to_level"]["max_mm"]
    print(json.dumps(figures))


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 1_000_000)

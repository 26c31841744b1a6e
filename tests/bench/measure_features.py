"""Errors of holes, mounts and hubs, and of distances and angles between them, in their stated uncertainties.

    bash tests/bench/run.sh measure_features [jobs] [first seed]

Each job has 12 invented features along 4 m, scanned by three segments with noise, mixed readings at edges, wrong poses,
drift and a wrong vehicle frame, each drawn from the uncertainty that is stated for it. The job sheet names each feature
by a place up to 3 mm off. The last line is one JSON object.
"""

import contextlib
import io
import json
import sys
import tempfile
from pathlib import Path

import numpy as np

import feature_scenes
import fuse_scenes
from nightbay.features import features, rims
from nightbay.fitting.circle import flat_circle

EACH = 12


def orders(rng, made):
    """The job sheet's orders for true features, and the true values by name."""
    ordered, distances, angles, true = [], [], [], {}
    for number, piece in enumerate(made):
        name = f"f{number}"
        at = piece.centre_mm + rng.uniform(-3, 3, 3)
        within = {"hub": 0.9, "mount": 0.9, "hole": 0.9}[piece.kind] * piece.face_mm
        ordered.append({"name": name, "kind": piece.kind, "at_mm": at.tolist(), "within_mm": float(within)})
        true[name, "diameter"] = 2 * piece.radius_mm
        true |= {(name, axis): float(piece.centre_mm[at]) for at, axis in enumerate("xyz")}
    for a, b in [(number, number + 1) for number in range(len(made) - 1)] + [(0, len(made) - 1)]:
        ends = {"from": f"f{a}", "to": f"f{b}"}
        distances.append({"name": f"d{a}.{b}", **ends})
        distances.append({"name": f"x{a}.{b}", **ends, "along": "x"})
        angles.append({"name": f"a{a}.{b}", **ends})
        off = made[b].centre_mm - made[a].centre_mm
        cosine = abs(float(made[a].axis @ made[b].axis))
        true[f"d{a}.{b}",] = float(np.linalg.norm(off))
        true[f"x{a}.{b}",] = abs(float(off[0]))
        true[f"a{a}.{b}",] = float(np.degrees(np.arccos(min(cosine, 1.0))))
    return {"features": ordered, "distances": distances, "angles": angles}, true


def job(seed, folder):
    """Errors and expanded uncertainties of one job: [(what, error, uncertainty)], its refused features, and how many
    were ordered."""
    rng = np.random.default_rng(seed)
    made = feature_scenes.pieces(rng, EACH)
    spacing_mm = rng.uniform(0.8, 2.0)
    part = feature_scenes.part(rng, folder, made, spacing_mm)
    ordered, true = orders(rng, made)
    found = features.find(part, ordered)
    rows = []
    for feature in found.features:
        kind = made[feature.number - 1].kind
        for value in feature.values:
            what = f"{kind} diameter" if value.name == "diameter" else "coordinate"
            rows.append((what, value.value - true[feature.name, value.name], value.uncertainty))
    for value in [*found.distances, *found.angles]:
        what = {"d": "distance", "x": "distance along x", "a": "angle"}[value.name[0]]
        rows.append((what, value.value - true[value.name,], value.uncertainty))
    return rows, [refused for refused in found.refused if refused.what == "feature"], len(ordered["features"])


def rims_of(seeds):
    """Errors (rms, mm) of the radius of a hole in a plate, from the points and from the boundary of the surface that
    stage fuse makes of them: why features are fitted to points."""
    errors = {"points": [], "surface": []}
    for seed in seeds:
        rng = np.random.default_rng(seed)
        spacing, radius = rng.uniform(0.8, 2.0), rng.uniform(5.0, 15.0)
        points, normals = fuse_scenes.sheet(rng, 80.0, 80.0, 1.0 / spacing**2, noise=0.1)
        on = np.linalg.norm(points[:, :2], axis=1) > radius
        points, normals = points[on], normals[on]
        with tempfile.TemporaryDirectory() as name, contextlib.redirect_stdout(io.StringIO()):
            _, mesh = fuse_scenes.run(Path(name) / "fuse", fuse_scenes.one(points, normals))
        corners = np.sort(np.concatenate([mesh.faces[:, pair] for pair in ([0, 1], [1, 2], [2, 0])]), axis=1)
        edges, count = np.unique(corners, axis=0, return_counts=True)
        boundary = mesh.vertices_mm[np.unique(edges[count == 1]), :2].astype(float)
        boundary = boundary[np.linalg.norm(boundary, axis=1) < radius + 6.0]
        rim = rims.hole(points[:, :2], np.zeros(2), 15.0)
        for what, on_rim in (("points", rim.points_mm), ("surface", boundary)):
            errors[what].append(flat_circle(on_rim, 0.1).radius_mm - radius)
    return {
        f"feature_rim_{what}_mm": round(float(np.sqrt(np.mean(np.square(each)))), 3) for what, each in errors.items()
    }


def measured(jobs=17, first=1000, rim_plates=20):
    """The bench's figures over ``jobs`` jobs and ``rim_plates`` plates from seed ``first`` on."""
    rows, refused, ordered = [], 0, 0
    for seed in range(first, first + jobs):
        with tempfile.TemporaryDirectory() as name:
            mine, left, count = job(seed, Path(name))
        rows += mine
        refused += len(left)
        ordered += count
        for one in left:
            print(f"seed {seed}: {one.name}: {one.reason}")
    detail = {}
    for what in sorted({what for what, _, _ in rows}):
        error, uncertainty = np.array([row[1:] for row in rows if row[0] == what]).T
        detail[what] = {
            "count": len(error),
            "coverage": round(float(np.mean(np.abs(error) <= uncertainty)), 3),
            "median": round(float(np.median(np.abs(error))), 4),
            "uncertainty": round(float(np.median(uncertainty)), 4),
            "mean": round(float(np.mean(error)), 4),
        }
    error, uncertainty = np.array([row[1:] for row in rows]).T
    lengths = np.array([row[0] != "angle" for row in rows])
    return {
        "feature_coverage_95": round(float(np.mean(np.abs(error) <= uncertainty)), 3),
        "feature_median_mm": round(float(np.median(np.abs(error[lengths]))), 3),
        "feature_refused": round(refused / ordered, 3),
        "feature_wrong": round(float(np.mean(np.abs(error) > 2 * uncertainty)), 4),
        "feature_count": ordered,
        "feature_values": len(rows),
        "feature_detail": detail,
        **rims_of(range(first, first + rim_plates)),
    }


def main(jobs="17", first="1000"):
    print(json.dumps(measured(int(jobs), int(first))))


if __name__ == "__main__":
    main(*sys.argv[1:])

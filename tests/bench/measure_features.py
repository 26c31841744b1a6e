"""Errors of holes, mounts and hubs, and of distances and angles between them, in their stated uncertainties.

    bash tests/bench/run.sh measure_features [jobs] [first seed]

Each job has 12 invented features along 4 m, scanned by three segments with noise, mixed readings at edges, wrong poses,
drift and a wrong vehicle frame, each drawn from the uncertainty that is stated for it. The job sheet names each feature
by a place up to 3 mm off. The last line is one JSON object.
"""

import json
import sys
import tempfile
from pathlib import Path

import numpy as np

import feature_scenes
from nightbay.features import features

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


def measured(jobs=17, first=1000, show=False):
    """The bench's figures over ``jobs`` jobs from seed ``first`` on."""
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
        "features": ordered,
        "values": len(rows),
        "detail": detail,
    }


def main(jobs="17", first="1000"):
    print(json.dumps(measured(int(jobs), int(first))))


if __name__ == "__main__":
    main(*sys.argv[1:])

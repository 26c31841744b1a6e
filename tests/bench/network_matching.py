"""Bench of unlabelled matching: wrong poses over many layouts, and refusals of solvable ones.

Usage: bash tests/bench/run.sh network_matching [cases]
"""

import json
import sys
import time

import numpy as np

import networks
from nightbay.core import rigid
from nightbay.matching import consensus, matching, pairing, pose_search

NOISE_MM, DRIFT_MM_PER_M = 0.05, 0.1
TOLERANCE = pairing.Tolerance(NOISE_MM, DRIFT_MM_PER_M)
WRONG_MM = 5.0  # far beyond what noise and drift do to a right pose, far below what a wrong match does


def listed(truth, numbers, rng, share=0.2, **more):
    """A list with a fifth missing and a fifth spurious; noise and a smooth drift."""
    spurious = share / (1 - share)  # so that they are a fifth of the list
    return networks.record(
        truth,
        numbers,
        rng,
        name="list",
        noise_mm=NOISE_MM,
        warp=DRIFT_MM_PER_M,
        missing=share,
        spurious=spurious,
        **more,
    )


def random_layout(rng):
    """Survey of up to 600 targets, segment of 4 to 200."""
    count = int(np.exp(rng.uniform(np.log(40), np.log(600))))
    seen = int(np.exp(rng.uniform(np.log(4), np.log(min(200, count)))))
    truth = networks.body(rng, count)
    return truth, networks.patch(truth, rng, seen)


def grid_layout(rng):
    """A regular grid, flat or rolled, the segment a piece of it."""
    columns, rows, pitch = rng.integers(5, 20), rng.integers(4, 12), rng.uniform(60, 250)
    x, y = np.meshgrid(np.arange(columns) * pitch, np.arange(rows) * pitch)
    radius = rng.choice([1e9, 1500.0])
    angle = y.ravel() / radius
    xyz = np.column_stack([x.ravel(), radius * np.sin(angle), radius * np.cos(angle) - radius])
    normal = np.column_stack([np.zeros(len(xyz)), np.sin(angle), np.cos(angle)])
    jitter = rng.choice([0.0, 0.02, 0.5, 2.0])
    truth = networks.Truth(xyz + rng.normal(size=xyz.shape) * jitter, normal)
    return truth, networks.patch(truth, rng, int(rng.integers(6, len(xyz))))


def symmetric_layout(rng):
    """Sides alike to within some millimetres, two or four of them; a few targets break the symmetry."""
    half = networks.body(rng, int(rng.integers(6, 60)))
    xyz, normal = half.xyz_mm, half.normal
    for axis in range(rng.integers(1, 3)):
        # a half turn about the vertical carries the layout onto itself, then one about the lengthwise axis too
        flip = np.array([[-1.0, -1.0, 1.0], [1.0, -1.0, -1.0]])[axis]
        xyz, normal = np.vstack([xyz, xyz * flip]), np.vstack([normal, normal * flip])
    xyz = xyz + rng.normal(size=xyz.shape) * rng.choice([0.0, 0.1, 0.3, 1.0, 3.0])
    extra = networks.body(rng, int(rng.integers(1, 6)))
    truth = networks.Truth(np.vstack([xyz, extra.xyz_mm]), np.vstack([normal, extra.normal]))
    seen = int(rng.integers(5, len(truth.xyz_mm)))
    return truth, networks.patch(truth, rng, seen)


def match(a, b, with_normals):
    index = pose_search.index(a.xyz_mm, a.normal if with_normals else None)
    return matching.match(index, b.xyz_mm, TOLERANCE, normal_b=b.normal if with_normals else None)


def case(rng, kind):
    """One case: (verdict, solvable, seconds); verdict "right", "wrong" or the refusal."""
    truth, numbers = {"random": random_layout, "mirrored": random_layout, "grid": grid_layout,
                      "symmetric": symmetric_layout}[kind](rng)  # fmt: skip
    survey, T_survey, in_survey = listed(truth, np.arange(len(truth.xyz_mm)), rng)
    if kind == "mirrored":
        truth = networks.Truth(truth.xyz_mm * [1, -1, 1], truth.normal * [1, -1, 1])
    segment, T_segment, in_segment = listed(truth, numbers, rng)
    common = np.intersect1d(in_survey[in_survey >= 0], in_segment[in_segment >= 0])
    solvable = kind == "random" and len(common) >= 4 and consensus.width(truth.xyz_mm[common]) > 60
    start = time.perf_counter()
    found = match(survey, segment, with_normals=rng.random() < 0.5)
    seconds = time.perf_counter() - start
    if isinstance(found, matching.NoMatch):
        return found.reason, solvable, seconds
    true = rigid.invert(T_survey) @ T_segment
    off = rigid.transform(found.T_a_b, segment.xyz_mm) - rigid.transform(true, segment.xyz_mm)
    right = kind != "mirrored" and np.linalg.norm(off, axis=1).max() < WRONG_MM
    return "right" if right else "wrong", solvable, seconds


def run(cases):
    """Counts of verdicts over ``cases`` seeded layouts, and the two figures made of them."""
    kinds = ("random", "random", "grid", "symmetric", "mirrored")
    verdicts, solvable, refused, seconds = {}, 0, 0, []
    for seed in range(cases):
        kind = kinds[seed % len(kinds)]
        verdict, can, took = case(np.random.default_rng([seed, 31]), kind)
        counts = verdicts.setdefault(kind, {})
        counts[verdict] = counts.get(verdict, 0) + 1
        solvable += can
        refused += can and verdict != "right"
        seconds.append(took)
        if verdict == "wrong":
            print(f"wrong: seed {seed}, {kind}", file=sys.stderr)
    return {
        "wrong_poses": sum(counts.get("wrong", 0) for counts in verdicts.values()),
        "cases": cases,
        "refused_solvable": refused / max(solvable, 1),
        "solvable": solvable,
        "verdicts": verdicts,
        "match_ms_median": 1000 * float(np.median(seconds)),
        "match_ms_max": 1000 * float(np.max(seconds)),
    }


if __name__ == "__main__":
    print(json.dumps(run(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)))

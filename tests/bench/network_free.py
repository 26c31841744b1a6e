"""Bench of networks without a control survey: wrong poses, and refusals of networks that can be solved.

Usage: bash tests/bench/run.sh network_free [cases]

Of four cases one has sides alike, which a half turn carries onto each other to within millimetres, and one in twelve
has sides that are the same to within the noise: there lists of both sides that share nothing fit each other, and no
list of targets can tell, so these are counted apart. Names are drawn, so that any segment may come first.
"""

import contextlib
import io
import json
import sys
import time
from itertools import combinations
from pathlib import Path

import numpy as np
import yaml

import networks
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.matching import consensus, pairing
from nightbay.network import network
from nightbay.pipeline.settings import settings

CONFIG = yaml.safe_load((Path(__file__).resolve().parents[2] / "config/config.yaml").read_text())
SETTINGS = settings({"network": CONFIG["network"], "scan": CONFIG["scan"]})
SMOOTH = network.smooth_drift(SETTINGS.scan)
NOISE = {"noise_mm": SETTINGS.scan.target_noise_mm, "drift_mm_per_m": SMOOTH, "warp": np.sqrt(3) * SMOOTH}
WRONG_MM = pairing.DISTINCT_MM  # poses that are nearer than this everywhere are one and the same match
WIDE_MM = 60.0  # twice what the parameters ask for: a common set that noise can't make narrow


def alike(rng, count, apart_mm):
    """A layout that a half turn about the vertical carries onto itself within ``apart_mm``, but for a few targets."""
    half = networks.body(rng, count // 2)
    xyz = np.vstack([half.xyz_mm, half.xyz_mm * [-1, -1, 1]])
    xyz = xyz + rng.normal(size=xyz.shape) * apart_mm
    extra = networks.body(rng, int(rng.integers(0, 6)))
    normal = np.vstack([half.normal, half.normal * [-1, -1, 1], extra.normal])
    return networks.Truth(np.vstack([xyz, extra.xyz_mm]), normal)


def case(seed):
    """Kind of layout, truth, lists of 3 to 8 segments of 6 to 30 targets, poses, true numbers of entries."""
    rng = np.random.default_rng([seed, 46])
    kind = {3: "alike", 7: "alike", 11: "the same"}.get(seed % 12, "random")
    count = int(rng.integers(30, 90))
    apart_mm = float(rng.choice([0.5, 1.0, 3.0])) if kind == "alike" else 0.0
    truth = networks.body(rng, count) if kind == "random" else alike(rng, count, apart_mm)
    names = rng.permutation(list("abcdefgh"))
    normals = bool(rng.random() < 0.5)
    records = []
    for at in range(int(rng.integers(3, 9))):
        way = rng.normal(size=3)
        centre = way / np.linalg.norm(way) * networks.HALF_MM
        numbers = networks.patch(truth, rng, int(rng.integers(6, 31)), centre)
        records.append(
            networks.record(truth, numbers, rng, name=names[at], missing=0.1, spurious=0.1, normals=normals, **NOISE)
        )
    records.sort(key=lambda record: record[0].name)
    return kind, truth, *map(list, zip(*records, strict=True))


def solvable(truth, numbers, least=5):
    """Whether lists can be joined, one group to another, by ``least`` true common targets that lie wide."""
    groups = [set(one[one >= 0].tolist()) for one in numbers]
    while len(groups) > 1:
        for a, b in combinations(range(len(groups)), 2):
            common = sorted(groups[a] & groups[b])
            if len(common) >= least and consensus.width(truth.xyz_mm[common]) > WIDE_MM:
                break
        else:
            return False
        groups[a] |= groups.pop(b)
    return True


def run(cases):
    """Counts of verdicts by kind of layout and by whether the network can be solved, and figures made of them."""
    verdicts, seconds = {}, []
    for seed in range(cases):
        kind, truth, lists, poses, numbers = case(seed)
        kind += ", solvable" if solvable(truth, numbers) else ", doubtful"
        start = time.perf_counter()
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                found = network.adjust_lists(lists, False, False, SETTINGS)
            verdict = "right"
            for one, T, found_T in zip(lists, poses, found.snooped.adjusted.T_control_list, strict=True):
                true = rigid.invert(poses[0]) @ T
                off = rigid.transform(found_T, one.xyz_mm) - rigid.transform(true, one.xyz_mm)
                if np.linalg.norm(off, axis=1).max() > WRONG_MM:
                    verdict = "wrong"
        except Rejected:
            verdict = "refused"
        seconds.append(time.perf_counter() - start)
        if verdict == "wrong":
            print(f"wrong: seed {seed}, {kind}", file=sys.stderr)
        counts = verdicts.setdefault(kind, {})
        counts[verdict] = counts.get(verdict, 0) + 1
    wrong = {kind: counts.get("wrong", 0) for kind, counts in verdicts.items()}
    sound = verdicts.get("random, solvable", {})
    return {
        "cases": cases,
        "wrong_networks": sum(count for kind, count in wrong.items() if not kind.startswith("the same")),
        "wrong_where_sides_are_the_same": sum(count for kind, count in wrong.items() if kind.startswith("the same")),
        "refused_solvable": sound.get("refused", 0) / max(sum(sound.values()), 1),
        "verdicts": dict(sorted(verdicts.items())),
        "network_s_median": float(np.median(seconds)),
        "network_s_max": float(np.max(seconds)),
    }


if __name__ == "__main__":
    print(json.dumps(run(int(sys.argv[1]) if len(sys.argv) > 1 else 400)))

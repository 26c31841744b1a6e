"""How well an interior is joined to its exterior, and how often a wrong join is accepted.

    bash tests/bench/run.sh interior_join [--seeds 3]

A van is scanned from outside and from inside, with other errors for each seed. It is joined by targets, by surfaces and
by named points apart. Wrong joins: the bay of other vehicles, target lists of another vehicle, swapped names of points.
The last line is one JSON object.
"""

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import yaml
from scipy.spatial.transform import Rotation

import joined_scenes as scenes
from nightbay.core import rigid
from nightbay.join import acceptance, registration
from nightbay.join.registration import Evidence, NamedPairs
from nightbay.pipeline.settings import settings

CONFIG = Path(__file__).parents[2] / "config" / "config.yaml"
PICKED_SD_MM = 0.5  # of a point that is picked in a model
OTHERS = {"wider by 50 mm": (25.0, 0.0), "longer by 150 mm": (0.0, 150.0)}  # vehicles whose bays are not this one's


def figures(seeds=(1, 2, 3)):
    """The figures of all joins over some seeds, as a dict: ``join_mm`` and ``join_deg`` are the worst of those accepted
    by targets and by surfaces."""
    own = settings({"join": yaml.safe_load(CONFIG.read_text(encoding="utf-8"))["join"]})
    body = scenes.vehicle()
    right, wrong = [], []
    for seed in seeds:
        outer, inner = scenes.outside(body, seed), scenes.inside(body, seed)
        scene = scenes.scene(outer, inner, seed, flipped=seed % 2 == 0)
        right += [(by, *_error(scene, _join(scene, by, pairs(scene, seed), own))) for by in registration.WAYS]
        swapped = pairs(scene, seed, swapped=True)
        wrong.append(("points swapped", _join(scene, "points", swapped, own)))
        wrong.append(("targets of another vehicle", _join(_other_targets(scene, seed), "targets", None, own)))
    for name, (wider, longer) in OTHERS.items():
        scene = scenes.scene(outer, scenes.inside(scenes.stretched(body, wider, longer), 9), 9)
        for by in ("targets", "surfaces"):
            wrong.append((f"bay of a vehicle {name}, by {by}", _join(scene, by, None, own)))
    return _summary(right, wrong)


def pairs(scene, seed, swapped=False):
    """Six named points that are picked in both models; ``swapped``: left and right are mistaken in one of them."""
    rng = np.random.default_rng([seed, 41])
    at = scene.interior.points_mm[rng.choice(len(scene.interior.points_mm), 60, replace=False)]
    order = np.argsort(at @ rng.normal(size=3))[:: len(at) // 6][:6]
    inner = at[order]
    outer = rigid.transform(scene.T_exterior_interior, inner)
    rows = np.array([1, 0, 3, 2, 5, 4]) if swapped else np.arange(6)
    picked = [points + rng.normal(0, PICKED_SD_MM, points.shape) for points in (outer[rows], inner)]
    return NamedPairs([f"corner {number}" for number in range(1, 7)], *picked)


def _other_targets(scene, seed):
    """The scene with a target list of its interior that belongs to another vehicle."""
    rng = np.random.default_rng([seed, 42])
    listed = scene.interior_targets
    moved = listed.xyz_mm + rng.normal(0, 60.0, listed.xyz_mm.shape)
    return replace(scene, interior_targets=replace(listed, xyz_mm=moved))


def _join(scene, by, named, own):
    """The registered pose where it is accepted, else the reason."""
    tied = Evidence((scene.exterior_targets, scene.interior_targets), named, (0, 180))
    found = registration.register(scene.exterior, scene.interior, tied, by, own)
    if isinstance(found, list):
        return found[0].reason
    against = acceptance.contradictions_of(scene.exterior, scene.interior, found, own.join.cell_mm)
    fault = acceptance.fault(scene.exterior, scene.interior, found, against, (True, False), own)
    return found if fault is None else fault.reason


def _error(scene, found):
    """Error of the interior's middle, mm, of its rotation, deg, and of its worst corner in units of its sd."""
    if isinstance(found, str):
        print(f"refused: {found}", file=sys.stderr)
        return None, None, None
    off = found.T_a_b @ rigid.invert(scene.T_exterior_interior)
    corners = rigid.transform(scene.T_exterior_interior, scene.interior.corners_mm)
    apart = np.linalg.norm(rigid.transform(off, corners) - corners, axis=1)
    middle = corners.mean(axis=0)[None]
    shift = float(np.linalg.norm(rigid.transform(off, middle) - middle))
    angle = float(np.degrees(Rotation.from_matrix(off[:3, :3]).magnitude()))
    return shift, angle, float((apart / found.motion.sd_at(corners)).max())


def _summary(right, wrong):
    accepted = [row for row in right if row[1] is not None]
    taken = [name for name, found in wrong if not isinstance(found, str)]
    made = {}
    for by in registration.WAYS:
        rows = [row for row in accepted if row[0] == by]
        made |= {
            f"{by}_mm": max((row[1] for row in rows), default=None),
            f"{by}_deg": max((row[2] for row in rows), default=None),
            f"{by}_sds": max((row[3] for row in rows), default=None),
            f"{by}_refused": sum(row[0] == by for row in right) - len(rows),
        }
    known = [row for row in accepted if row[0] in ("targets", "surfaces")]
    return {
        "join_mm": max((row[1] for row in known), default=None),
        "join_deg": max((row[2] for row in known), default=None),
        **made,
        "wrong_joins": len(wrong),
        "wrong_joins_accepted": len(taken),
        "accepted": taken,
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    print(json.dumps(figures(tuple(range(1, parser.parse_args().seeds + 1)))))

"""How well an interior is joined to its exterior, and how often a wrong join is accepted.

    bash tests/bench/run.sh interior_join [--seeds 6]

A van and its load bay are scanned once without errors; each seed draws points, drift, noise and frames and goes through
the cases of :mod:`joined_cases`: by targets, by named points and by surfaces. One line a case; the last is one JSON
object. ``join_mm`` and ``join_deg``: the worst error of the interior's middle and of its rotation of sound joins by
targets or surfaces. ``wrong_joins_accepted``: accepted where no pose is right, or with an error that its uncertainty
excludes. ``sound_refused`` of ``sound``. ``coverage_95``: share of the coordinates (six a pose, at the middle) of
accepted right poses that lie in their stated 95 %.
"""

import argparse
import contextlib
import io
import json
import time
from dataclasses import dataclass
from pathlib import Path

import yaml

import joined_cases as cases
import joined_scenes as scenes
from nightbay.core import rigid
from nightbay.join import acceptance, registration
from nightbay.join.registration import Evidence
from nightbay.pipeline.settings import settings
from pair_truth import FAR_OFF_2
from pose_error import pose_error

CONFIG = Path(__file__).parents[2] / "config" / "config.yaml"


@dataclass(frozen=True)
class Row:
    """What became of a case. ``reason`` of a refusal, else empty and the error: of the interior's middle, mm, and of
    its rotation, degrees; ``distance_2``: squared Mahalanobis distance of both; ``inside``: coordinates in their stated
    95 %."""

    case: str
    kind: str
    by: str
    reason: str
    mm: float = 0.0
    deg: float = 0.0
    distance_2: float = 0.0
    inside: int = 0

    @property
    def accepted(self):
        return not self.reason

    @property
    def wrong(self):
        """Whether a wrong pose was accepted."""
        return self.accepted and (self.kind == cases.WRONG or self.distance_2 > FAR_OFF_2)


def figures(seeds=range(1, 7)):
    """The figures of all cases over some seeds, as a dict."""
    own = settings({"join": yaml.safe_load(CONFIG.read_text(encoding="utf-8"))["join"]})
    began = time.monotonic()
    body = scenes.vehicle()
    outer, inner = scenes.outside(body, 1), scenes.inside(body, 1)
    print(f"scanned, {time.monotonic() - began:.0f} s", flush=True)
    rows = []
    for seed in seeds:
        for case in cases.of(outer, inner, seed):
            rows.append(_row(case, own))
            _print(seed, rows[-1], time.monotonic() - began)
    return summary(rows)


def _row(case, own):
    """Join a case as the stage does, and compare the pose with the truth."""
    scene, by = case.scene, case.by or "any way"
    headings = (0, 180) if scene.framed else None
    tied = Evidence((scene.exterior_targets, scene.interior_targets), case.pairs, headings)
    with contextlib.redirect_stdout(io.StringIO()):
        found = registration.register(scene.exterior, scene.interior, tied, case.by, own)
    if isinstance(found, list):
        return Row(case.name, case.kind, by, "; ".join(each.reason for each in found))
    against = acceptance.contradictions_of(scene.exterior, scene.interior, found, own.join.cell_mm)
    fault = acceptance.fault(scene.exterior, scene.interior, found, against, (scene.framed, False), own)
    if fault is not None:
        return Row(case.name, case.kind, by, fault.reason)
    return Row(case.name, case.kind, by, "", *_error(scene, found))


def _error(scene, found):
    """Error of the interior's middle, mm, of its rotation, degrees, and what the covariance says of both."""
    middle = scene.interior.corners_mm.mean(axis=0)
    covariance = rigid.covariance_at_origin(found.motion.covariance, found.motion.centre_mm)
    error = pose_error(found.T_a_b, scene.T_exterior_interior, covariance, middle)
    return error.mm, error.deg, error.distance_2, error.inside


def _print(seed, row, seconds):
    state = "WRONG" if row.wrong else "accepted" if row.accepted else "refused"
    what = f"{row.mm:.3f} mm, {row.deg:.4f} deg, chi squared {row.distance_2:.1f}" if row.accepted else row.reason
    print(f"seed {seed}, {row.kind}, {row.case}, by {row.by}: {state}: {what}; {seconds:.0f} s", flush=True)


def summary(rows):
    """The figures of some rows."""
    sound = [row for row in rows if row.kind == cases.SOUND]
    right = [row for row in rows if row.accepted and not row.wrong]
    made = {}
    for by in registration.WAYS:
        mine = [row for row in sound if row.by == by]
        made[f"{by}_mm"] = max((row.mm for row in mine if row.accepted), default=None)
        made[f"{by}_deg"] = max((row.deg for row in mine if row.accepted), default=None)
        made[f"{by}_refused"] = sum(not row.accepted for row in mine)
    known = [row for row in sound if row.accepted and row.by != "points"]
    return {
        "join_mm": max((row.mm for row in known), default=None),
        "join_deg": max((row.deg for row in known), default=None),
        **made,
        "sound": len(sound),
        "sound_refused": sum(not row.accepted for row in sound),
        "wrong_joins": sum(row.kind == cases.WRONG for row in rows),
        "open_joins": sum(row.kind == cases.OPEN for row in rows),
        "open_accepted": sum(row.kind == cases.OPEN and row.accepted for row in rows),
        "wrong_joins_accepted": sum(row.wrong for row in rows),
        "coverage_95": sum(row.inside for row in right) / (6 * len(right)) if right else None,
        "accepted": [f"{row.case}, by {row.by}" for row in rows if row.wrong],
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=6)
    print(json.dumps(figures(range(1, parser.parse_args().seeds + 1))))

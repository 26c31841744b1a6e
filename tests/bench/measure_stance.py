"""How well frame tells that a body stood differently on its wheels, or a door stood open, in one segment.

    bash tests/bench/run.sh measure_stance [seed] [share]

Points as clean leaves them, poses with the errors of drifting targets, on the demo's compact and van and a larger block
car, with several plans of segments. The rates come from :mod:`nightbay.stance` in the true level frame, what the
exclusion changes from the whole stage frame. ``share``: of the jobs that are run. The last line is one JSON object:

- ``stance_found``: share of jobs with a body that moved by 2 mm or 0.1 deg or more, whose segment alone is named;
- ``stance_error_mm``: rms error of the measured movement at the wheels whose movement is known to 0.5 mm or better;
- ``stance_coverage_95``: share of wheels of all movements whose true value lies within two standard uncertainties;
- ``stance_false``: share of sound jobs in which a movement is named; ``doubled_false``: a wheel with two surfaces;
- ``door_found``: share of jobs with a door open by 3 mm at its edge in which it is named, with the right segments;
  ``door_error_mm``: rms error of the largest distance; ``door_false``: share of sound jobs with a panel that moved;
- ``looked_through_false``: share of sound jobs in which surface is named where another segment looked through;
- ``height_before_mm``, ``height_after_mm``, ``lean_before_deg``, ``lean_after_deg``: rms error of the body's height
  above the ground and of the mean lean of the wheels, without and with the exclusion.
"""

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import yaml

import stance_scenes
from nightbay.clouds import removed
from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid
from nightbay.frame import frame, stance_result
from nightbay.frame.result import FrameResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.stance import find
from nightbay.stance.wheel_zone import WheelZone
from stance_scenes import Case, Motion

ROOT = Path(__file__).resolve().parents[2]
SCENES = (("compact", "sides"), ("van", "five"), ("block", "thirds"), ("compact", "five"), ("van", "thirds"))
DOOR_SCENES = (("compact", "twice"), ("block", "thrice"), ("van", "twice"))
OPEN_MM = 3.0
SOUND, MOVED, DOORS, FRAMED = 100, 60, 30, 12  # jobs
LEAST_MM = 0.5  # the default of frame.stance_mm
KNOWN_SD_MM = 0.25  # a wheel known to half a millimetre, 95 %


def sound(rng):
    """A job in which nothing moved: steered wheels, rough floors, glossy tyres, drift."""
    return Case(
        steer_deg=float(rng.uniform(-25, 25)),
        floor_mm=float(rng.uniform(0.2, 2.5)),
        glossy=float(rng.choice([1.0, 2.0, 4.0])),
    )


def moved(rng, segments):
    """A sound job but for one segment, in which the body sank by 1 to 8 mm, or rolled by 0.05 to 0.5 deg; its number
    and its motion."""
    at = int(rng.integers(segments))
    if rng.random() < 0.5:
        motion = Motion(drop_mm=float(rng.uniform(1, 8)), pitch_deg=float(rng.normal(0, 0.03)))
    else:
        roll_deg = float(rng.uniform(0.05, 0.5) * rng.choice([-1, 1]))
        motion = Motion(drop_mm=float(rng.uniform(0, 1)), roll_deg=roll_deg)
    return Case(**{**vars(sound(rng)), "motions": {at: motion}}), at, motion


def stance(scene, case, seed):
    """What :mod:`nightbay.stance` finds in a job, in the true level frame."""
    car = stance_scenes.vehicle(scene[0])
    with tempfile.TemporaryDirectory() as name:
        upstream, T_control_vehicle = stance_scenes.job(Path(name), *scene, case, seed)
        refined = upstream["refine"]
        clouds = PosedClouds(normal_orientation.open_posed(segment, refined) for segment in upstream["clean"])
        poses = {segment.name: segment.T_frame_segment for segment in clouds.segments}
        floors = {
            segment.segment: rigid.transform(poses[segment.segment], removed.removed_points(segment, ["ground"]))
            for segment in upstream["clean"]
        }
        zones = [WheelZone(at, np.array([0.0, np.sign(at[1]), 0.0]), car.radius_mm) for at in car.wheels_mm]
        return find.find(clouds, floors, rigid.invert(T_control_vehicle), zones, case.drift_mm_per_m, LEAST_MM)


def framed(scene, case, seed, exclude=True):
    """Errors of the whole stage frame: of the body's height at the middle of the wheelbase, mm, and of the mean lean of
    all wheels, deg, which is zero in truth; None where a wheel is missing. ``exclude``: whether a movement is used."""
    options = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    options["frame"]["coarse_mm"] = 40.0
    if not exclude:
        options["frame"]["stance_mm"] = 50.0
    with tempfile.TemporaryDirectory() as name:
        upstream, T_control_vehicle = stance_scenes.job(Path(name), *scene, case, seed)
        made = frame.frame(upstream, {}, settings(options), Path(name), 1)
    made.pop("notes")
    result = typed.read(FrameResult, made)
    left = result.T_vehicle_control @ T_control_vehicle
    middle = stance_scenes.vehicle(scene[0]).wheels_mm.mean(axis=0) * [1.0, 1.0, 0.0]
    return float(rigid.transform(left, middle[None])[0, 2]), result.stance.lean_deg


def measured(seed=1, share=1.0):
    """The figures, on jobs of this seed."""
    figures = {}
    for part in (_moved_figures, _sound_figures, _door_figures, _framed_figures):
        figures |= part(seed, share)
        print(json.dumps(figures, sort_keys=True), file=sys.stderr, flush=True)
    return figures


def _case_of(seed, number):
    """The job with this number in which a body moved: its scene, case, the segment's name and its motion."""
    rng = np.random.default_rng([seed, 1, number])
    scene = SCENES[number % len(SCENES)]
    names = stance_scenes.names(*scene)
    # the roof sees neither wheels nor ground
    case, at, motion = moved(rng, len([name for name in names if name != "roof"]))
    return scene, case, names[at], motion


def _moved_figures(seed, share):
    found, errors, covered = [], [], []
    for number in range(round(MOVED * share)):
        scene, case, name, motion = _case_of(seed, number)
        left = stance(scene, case, 1000 * seed + number)
        if abs(motion.drop_mm) >= 2.0 or abs(motion.roll_deg) >= 0.1:
            found.append(left.moved() == [name] and left.agreement.decided)
            if not found[-1]:
                print("not found:", scene, name, motion, left.agreement, file=sys.stderr, flush=True)
        if name in left.moved():
            rise, covariance = left.motion.difference(left.agreement.alike[0], left.names.index(name), left.places_mm)
            error = rise - motion.rise_mm(*left.places_mm[:, :2].T)
            sd = np.sqrt(np.diag(covariance))
            errors += error[sd < KNOWN_SD_MM].tolist()
            covered += (np.abs(error) < 2 * sd).tolist()
    return {
        "stance_found": _mean(found),
        "stance_moved_jobs": len(found),
        "stance_error_mm": _rms(errors),
        "stance_error_most_mm": float(np.abs(errors).max()) if errors else None,
        "stance_coverage_95": _mean(covered),
    }


def _sound_figures(seed, share):
    false, doubled, doors, through = [], [], [], []
    for number in range(round(SOUND * share)):
        case = sound(np.random.default_rng([seed, 2, number]))
        left = stance(SCENES[number % len(SCENES)], case, 1000 * seed + 500 + number)
        false.append(bool(left.moved()))
        doubled.append(any(stance_result.is_doubled(wheel) for wheel in left.wheels.values()))
        doors.append(bool(left.panels))
        through.append(bool(left.looked_through))
        if false[-1] or doubled[-1] or doors[-1] or through[-1]:
            print("false:", SCENES[number % len(SCENES)], case, left.moved(), file=sys.stderr, flush=True)
    return {
        "stance_false": _mean(false),
        "doubled_false": _mean(doubled),
        "door_false": _mean(doors),
        "looked_through_false": _mean(through),
        "stance_sound_jobs": len(false),
    }


def _door_figures(seed, share):
    found, errors = [], []
    for number in range(round(DOORS * share)):
        rng = np.random.default_rng([seed, 3, number])
        scene, at = DOOR_SCENES[number % len(DOOR_SCENES)], int(rng.integers(2, 4))
        case = Case(**{**vars(sound(rng)), "doors": {at: OPEN_MM}})
        left, name = stance(scene, case, 1000 * seed + 700 + number), stance_scenes.names(*scene)[at]
        pairs = [(left.names[panel.panel.first], left.names[panel.panel.second]) for panel in left.panels]
        found.append(bool(pairs) and all(name in pair for pair in pairs) and not left.moved())
        errors += [abs(panel.panel.most_mm) - OPEN_MM for panel in left.panels]
        if not found[-1]:
            print("door:", scene, name, pairs, left.moved(), file=sys.stderr, flush=True)
    return {"door_found": _mean(found), "door_jobs": len(found), "door_error_mm": _rms(errors)}


def _framed_figures(seed, share):
    before, after = [], []
    for number in range(round(FRAMED * share)):
        scene, case, _, _ = _case_of(seed, number)
        pair = [framed(scene, case, 1000 * seed + number, exclude) for exclude in (False, True)]
        before.append(pair[0])
        after.append(pair[1])
    return {
        f"{name}_{when}_{unit}": _rms([value[at] for value in values if value[at] is not None])
        for when, values in (("before", before), ("after", after))
        for at, (name, unit) in enumerate((("height", "mm"), ("lean", "deg")))
    } | {"framed_jobs": len(before)}


def _mean(values):
    return float(np.mean(values)) if len(values) else None


def _rms(values):
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else None


def main():
    seed, share = int(sys.argv[1]) if len(sys.argv) > 1 else 1, float(sys.argv[2]) if len(sys.argv) > 2 else 1.0
    print(json.dumps(measured(seed, share), sort_keys=True))


if __name__ == "__main__":
    main()

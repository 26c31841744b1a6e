"""How well frame tells that a body stood differently on its wheels, or a door stood open, in one segment.

    bash tests/bench/run.sh measure_stance [seed] [share]

Points as clean leaves them, poses with the errors of drifting targets, then the stage frame in process, on the demo's
compact and van and a larger block car, with several plans of segments. ``share``: of the jobs that are run, 1 for all.
The last line is one JSON object:

- ``stance_found``: share of jobs with a body that moved by 2 mm or 0.1 deg or more, in which the segment is named;
- ``stance_error_mm``: rms error of the measured movement at the wheels whose movement is known to 0.5 mm or better;
- ``stance_coverage_95``: share of wheels of all movements whose true value lies within two standard uncertainties;
- ``stance_false``: share of sound jobs in which a movement, or a wheel with two surfaces, is named;
- ``lean_before_deg``, ``lean_after_deg``: rms error of the roll of the vehicle frame without and with the exclusion.
"""

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import yaml

import stance_scenes
from nightbay.core import rigid
from nightbay.frame import frame
from nightbay.frame.result import FrameResult
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from stance_scenes import Case, Motion

ROOT = Path(__file__).resolve().parents[2]
SCENES = (("compact", "sides"), ("van", "five"), ("block", "thirds"), ("compact", "five"), ("van", "thirds"))
SOUND, MOVED, DOORS = 100, 60, 30  # jobs
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


def framed(scene, case, seed, exclude=True):
    """The result of frame, and the roll of its vehicle frame against the true one, deg.

    ``exclude``: whether a movement is used; else every segment's wheels and ground count.
    """
    options = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    options["frame"]["coarse_mm"] = 40.0
    if not exclude:
        options["frame"]["stance_mm"] = 50.0
    with tempfile.TemporaryDirectory() as name:
        upstream, T_control_vehicle = stance_scenes.job(Path(name), *scene, case, seed)
        made = frame.frame(upstream, {"axes": {}}, settings(options), Path(name), 1)
    made.pop("notes")
    result = typed.read(FrameResult, made)
    up = (result.T_vehicle_control @ T_control_vehicle)[:3, 2]
    return result, float(np.degrees(np.arctan2(up[1], up[2]))), T_control_vehicle


def true_rises(result, T_control_vehicle, motion, movement):
    """True rise of the ground at the wheels of a movement, mm."""
    T_true_found = rigid.invert(result.T_vehicle_control @ T_control_vehicle)
    places = np.array([[*wheel.at_mm, 0.0] for wheel in movement.wheels])
    at = rigid.transform(T_true_found, places)
    return motion.rise_mm(at[:, 0], at[:, 1])


def measured(seed=1, share=1.0):
    """The figures, on jobs of these seeds."""
    found, errors, covered, false, rolls = [], [], [], [], []
    for number in range(round(MOVED * share)):
        rng = np.random.default_rng([seed, 1, number])
        scene = SCENES[number % len(SCENES)]
        names = stance_scenes.names(*scene)
        # the roof sees neither wheels nor ground
        case, at, motion = moved(rng, len([name for name in names if name != "roof"]))
        result, roll, T = framed(scene, case, 1000 * seed + number)
        movements = {moved.segment: moved for moved in result.stance.movements}
        large = abs(motion.drop_mm) >= 2.0 or abs(motion.roll_deg) >= 0.1
        print(scene, names[at], motion, list(movements), result.stance.chosen_by, file=sys.stderr)
        if large:
            found.append(set(movements) == {names[at]} and result.stance.chosen_by == "agreement")
        if names[at] in movements:
            movement = movements[names[at]]
            left = [wheel.rise_mm for wheel in movement.wheels] - true_rises(result, T, motion, movement)
            sd = np.array([wheel.sd_mm for wheel in movement.wheels])
            errors += left[sd < KNOWN_SD_MM].tolist()
            covered += (np.abs(left) < 2 * sd).tolist()
            before = framed(scene, case, 1000 * seed + number, exclude=False)[1] if number % 3 == 0 else None
            rolls += [] if before is None else [(before, roll)]
    for number in range(round(SOUND * share)):
        rng = np.random.default_rng([seed, 2, number])
        stance = framed(SCENES[number % len(SCENES)], sound(rng), 1000 * seed + 500 + number)[0].stance
        false.append(bool(stance.movements or stance.doubled_wheels))
        if false[-1]:
            print("false:", SCENES[number % len(SCENES)], number, stance, file=sys.stderr)
    before, after = np.array(rolls).T if rolls else (np.zeros(0), np.zeros(0))
    return {
        "stance_found": _mean(found),
        "stance_moved_jobs": len(found),
        "stance_error_mm": _rms(errors),
        "stance_error_most_mm": float(np.abs(errors).max()) if errors else None,
        "stance_coverage_95": _mean(covered),
        "stance_false": _mean(false),
        "stance_sound_jobs": len(false),
        "lean_before_deg": _rms(before),
        "lean_after_deg": _rms(after),
    }


def _mean(values):
    return float(np.mean(values)) if len(values) else None


def _rms(values):
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else None


def main():
    seed, share = int(sys.argv[1]) if len(sys.argv) > 1 else 1, float(sys.argv[2]) if len(sys.argv) > 2 else 1.0
    print(json.dumps(measured(seed, share), sort_keys=True))


if __name__ == "__main__":
    main()

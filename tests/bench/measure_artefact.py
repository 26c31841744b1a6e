"""How well the stage artefact measures spheres and ball bars, and whether it takes wrong ones for them.

    bash tests/bench/run.sh measure_artefact [jobs] [first seed]

Simulated tables, the stage in process. A sound job has a sphere and a ball bar on stems, seen from above and from the
sides to a varying depth, strays, another ball and a plate; the scanner has an error of scale, white noise, and noise
that neighbouring points share; calibrated values are off within their uncertainty, temperature and expansion too. In a
wrong job the sphere is another by 0.8 to 6 mm, or the bar by 0.5 to 3 % (and not a sphere of the day at all in a third
of them). The last line is one JSON object:

- ``artefact_coverage_95``: share of errors of size and of spacing whose true value lies within the stated 95 %;
- ``artefact_size_coverage_95``, ``artefact_spacing_coverage_95``: the same of each;
- ``artefact_wrong``: share of wrong artefacts that are accepted, and of sound ones for which another was measured;
- ``artefact_refused``: share of sound artefacts that are refused;
- ``artefact_false_alarms``: share of sound scanners, without error of scale and with their declared noise, that are
called worse than the day assumes.
"""

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

import artefact_scenes as scenes
from nightbay.artefact import artefact
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.pipeline.settings import settings

DIAMETERS_MM = (25.0, 30.0, 38.1, 50.0, 60.0)
EXPANSIONS = (0.0, 11.5e-6, 23.5e-6)
WRONG_SHARE = 0.5  # wrong jobs for each sound one


def calibrated(rng, value_mm, uncertainty_mm):
    """Entries of a certificate, and the length at the temperature of the scan."""
    expansion, temperature = float(rng.choice(EXPANSIONS)), float(rng.uniform(12.0, 30.0))
    warmer = temperature + rng.normal(0, 0.7) - 20.0
    true_mm = (value_mm + rng.normal(0, uncertainty_mm / 2)) * (1 + expansion * rng.normal(1, 0.05) * warmer)
    return {"expansion_per_k": expansion, "temperature_c": temperature, "temperature_sd_c": 0.7}, true_mm


def job(rng, folder, wrong=False, sound_scanner=False):
    """One table: the result of the stage, the entries, and the truth {artefact: (kind, true error, true place)}."""
    noise_mm = float(rng.uniform(0.03, 0.12))
    bench = scenes.Bench(
        rng,
        noise_mm=noise_mm,
        common_mm=0.0 if sound_scanner else float(rng.uniform(0, 0.3)) * noise_mm,
        scale=1.0 if sound_scanner else 1 + float(rng.uniform(-3e-4, 3e-4)),
    )
    ball, ends, other = rng.choice(DIAMETERS_MM, 3, replace=False)
    distance = float(rng.uniform(200, 900))
    states, ball_true = calibrated(rng, ball, 0.004)
    bar_states, bar_true = calibrated(rng, distance, 0.008)
    entries = [
        scenes.sphere_entry("ball", float(ball), diameter_uncertainty_mm=0.004, **states),
        scenes.bar_entry("bar", float(ends), distance, distance_uncertainty_mm=0.008, **bar_states),
    ]
    if wrong:
        kind = rng.integers(3)
        ball_true = None if kind == 0 else ball_true + float(rng.choice([-1, 1]) * rng.uniform(0.8, 6.0))
        bar_true *= 1 + float(rng.choice([-1, 1]) * rng.uniform(0.005, 0.03))
    lowest = float(rng.uniform(-0.8, 0.1))
    density = int(rng.uniform(3000, 12000))
    lift = 70.0 + max(ball, ends) / 2
    place = np.array([distance / 2, 120.0, lift])
    if ball_true is not None:
        bench.sphere(place, ball_true, density, lowest)
    bench.sphere((0, 0, lift), ends, density, lowest).sphere((bar_true, 0, lift), ends, density, lowest)
    bench.sphere((distance / 3, -150, lift), other + float(rng.uniform(0.8, 2.0)), density // 2, lowest)
    bench.plate((-30, 80, 20), (120.0, 80.0), density).table((distance + 50, 300), density).strays(density // 100)
    T = rigid.pose(Rotation.random(rng=rng).as_matrix(), rng.uniform(-2000, 2000, 3))
    taken = scenes.upstream(folder, bench, T=T, tilt=float(rng.uniform(0.02, 0.12)))
    values = {
        "scan": {"noise_mm": noise_mm, "target_noise_mm": 0.05, "target_drift_mm_per_m": 0.03},
        "artefact": scenes.OWN,
    }
    try:
        result = artefact.artefact({"intake": [taken]}, scenes.sheet(entries), settings(values), folder, 1)
    except Rejected as rejection:
        print(rejection, file=sys.stderr)
        result = {"artefacts": [], "undecided": [{"sentence": str(rejection)}]}
    for missing in result["undecided"]:
        print(missing["sentence"], file=sys.stderr)
    scale = bench.scale
    truth = {
        "ball": ("probing_size", ball_true and (scale - 1) * ball_true, rigid.transform(T, scale * place[None])[0]),
        "bar": ("sphere_spacing", (scale - 1) * bar_true, None),
    }
    return result, truth


def measured(jobs=100, first=1000):
    """The figures over ``jobs`` sound jobs with two artefacts each, half as many wrong ones and as many sound scanners,
    from seed ``first`` on."""
    covered = {"probing_size": [], "sphere_spacing": []}
    refused, wrong, alarms = [], [], []
    with tempfile.TemporaryDirectory() as name:
        for number in range(jobs):
            rng = np.random.default_rng([first + number, 1])
            result, truth = job(rng, Path(name))
            found = {entry["name"]: entry["views"][0] for entry in result["artefacts"]}
            for artefact_name, (key, error_mm, place) in truth.items():
                refused.append(artefact_name not in found)
                if artefact_name not in found:
                    continue
                view = found[artefact_name]
                (quantity,) = (entry for entry in view["quantities"] if entry["key"] == key)
                covered[key].append(abs(quantity["value_mm"] - error_mm) <= quantity["uncertainty_mm"])
                if place is not None:
                    wrong.append(np.linalg.norm(np.array(view["surfaces"][0]["position_mm"]) - place) > 1.0)
        for number in range(round(WRONG_SHARE * jobs)):
            result, _ = job(np.random.default_rng([first + number, 2]), Path(name), wrong=True)
            accepted = {entry["name"] for entry in result["artefacts"]}
            wrong += [artefact_name in accepted for artefact_name in ("ball", "bar")]
            result, _ = job(np.random.default_rng([first + number, 3]), Path(name), sound_scanner=True)
            compared = [c for entry in result["artefacts"] for view in entry["views"] for c in view["comparisons"]]
            alarms.append(any(comparison["worse"] for comparison in compared))
    each = [hit for hits in covered.values() for hit in hits]
    return {
        "artefact_jobs": jobs,
        "artefact_coverage_95": float(np.mean(each)),
        "artefact_size_coverage_95": float(np.mean(covered["probing_size"])),
        "artefact_spacing_coverage_95": float(np.mean(covered["sphere_spacing"])),
        "artefact_wrong": float(np.mean(wrong)),
        "artefact_refused": float(np.mean(refused)),
        "artefact_false_alarms": float(np.mean(alarms)),
    }


def main(arguments):
    """Print the figures as one JSON object on the last line."""
    print(json.dumps(measured(*map(int, arguments)), sort_keys=True))


if __name__ == "__main__":
    main(sys.argv[1:])

"""Bench of the colours of an interior: what matching leaves of the difference between the runs of the demo's load bay.

Usage: bash tests/bench/run.sh interior_colour [draws, default 12]

The two runs of the load bay are scanned once. For each draw their light gets a pattern on every surface, a glossy strip
that saturates, gains of 0.6 to 1.6 for each channel and run, noise of 4 bytes, and is clipped to bytes. The scanner's
lamp shades it as in the demo. ``colour_ratio``: median CIEDE2000 between the runs after matching over before, of the
places of all draws together (the limit is 0.3); ``colour_ratio_worst``: of the worst draw, usually the one whose gains
happen to be alike, so that there is little to mend and the lamp's shading is all. Both are measured apart from the
stage: between means of all points within 25 mm that face alike, some 30 of each run, around points of the first.
``white_balance_error``: root mean square of the error of the gains' ratios red over green and blue over green between
the runs, a share, beside ``white_balance_sd``, what their stated uncertainties say of a single gain.
``exposure_error``: that of the gain of green, which contains the lamp's shading as well.
"""

import json
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

import loadbay
import scenario
import simulate
from nightbay.clouds import cloud
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import colour
from nightbay.fuse import colour_match, colour_patches

POINTS, NOISE = 200_000, 4.0  # of a run; bytes
RADIUS_MM, SEEDS, FEWEST = 25.0, 3000, 10


def load_bay_runs():
    """The two runs of the load bay with their true colours' shading and noise, in the vehicle frame."""
    job = next(job for job in scenario.JOBS if job.name == "larch-loadbay")
    body = loadbay.load_bay()
    return {
        run.name: simulate.scan(
            body, scenario.views(job, run, body, seed), points=POINTS, noise_mm=scenario.NOISE_MM, seed=seed,
            faults=scenario.faults(job, run), colour=True, ground=False, T_vehicle_segment=np.eye(4),
        ).all_points()
        for seed, run in enumerate(job.runs, 1)
    }  # fmt: skip


def coloured(points, gain, rng, waves):
    """A run's points in a pattern of ``waves``, (3, 3) 1 / mm, and under a gain, (3,)."""
    pattern = np.exp(0.3 * np.sin(points.true_mm @ waves.T))
    glossy = np.where(np.abs(points.true_mm[:, 2] - 1500.0) < 60.0, 4.0, 1.0)[:, None]
    values = colour.encoded_of(colour.light_of(points.colour) * pattern * glossy * gain)
    values += rng.normal(0, NOISE, values.shape)
    return replace(points, colour=np.clip(np.rint(values), 0, 255).astype(np.uint8))


def posed(folder, runs):
    """The runs as segments."""
    segments = []
    for name, points in sorted(runs.items()):
        origin = np.round(points.xyz.mean(axis=0))
        block = cloud.Cloud((points.xyz - origin).astype(np.float32), points.normals, points.colour)
        segments.append(PosedSegment(name, cloud.write(folder / name, [block], origin, 500.0), np.eye(4)))
    return segments


class Places:
    """Places that two runs have both seen, and the points of either around each."""

    def __init__(self, first, second):
        rng = np.random.default_rng(0)
        rows = rng.choice(len(first), SEEDS, replace=False)
        self.centre, self.around = first.xyz[rows], []
        for points in (first, second):
            near = cKDTree(points.xyz).query_ball_point(self.centre, RADIUS_MM)
            facing = [
                np.array([row for row in found if points.normals[row] @ first.normals[seed] > 0.8], np.int64)
                for seed, found in zip(rows, near, strict=True)
            ]
            self.around.append(facing)
        enough = [min(len(rows_near) for rows_near in both) >= FEWEST for both in zip(*self.around, strict=True)]
        self.kept = np.flatnonzero(enough)

    def lights(self, number, points):
        """Mean light of a run at the places, (m, 3), and where nothing of it is saturated, (m,) bool."""
        means = np.array([points.colour[self.around[number][place]].mean(axis=0) for place in self.kept])
        most = np.array([points.colour[self.around[number][place]].max() for place in self.kept])
        return colour.light_of(means), most < colour_patches.SATURATED


def draw(runs, places, seed):
    """Differences before and after, (m,) each, of one draw, errors of the logarithms of its gains, (3,), and their
    largest standard uncertainty."""
    rng = np.random.default_rng([seed, 21])
    true = rng.uniform(0.6, 1.6, (2, 3))
    waves = rng.normal(0, 2 * np.pi / 200.0, (3, 3))
    shown = {name: coloured(runs[name], true[k], rng, waves) for k, name in enumerate(sorted(runs))}
    with tempfile.TemporaryDirectory() as folder:
        segments = posed(Path(folder), shown)
        count = sum(len(segment.cloud) for segment in segments)
        spacing_mm = (23e6 / count) ** 0.5  # the bay has 23 m2 that runs see
        match = colour_match.match(segments, colour_patches.edge_mm(count, spacing_mm, segments), True)
    before, usable = zip(*(places.lights(k, shown[name]) for k, name in enumerate(sorted(shown))), strict=True)
    clear = usable[0] & usable[1]
    after = [
        light * np.exp(match.gains.log[k]) * match.gains.shading(k, places.centre[places.kept])[:, None]
        for k, light in enumerate(before)
    ]
    differences = [
        colour.difference(colour.lab_of(pair[0][clear]), colour.lab_of(pair[1][clear])) for pair in (before, after)
    ]
    error = match.gains.log[0] - match.gains.log[1] + np.log(true[0] / true[1])
    first, last = (np.median(values) for values in differences)
    print(
        f"draw {seed}: {first:.1f} before, {last:.1f} after at {clear.sum()} places; "
        f"by the stage {match.result.difference_before:.1f}, {match.result.difference_after:.1f}, withheld "
        f"{match.result.difference_withheld:.1f} on {match.result.patches} patches",
        flush=True,
    )
    return *differences, error, float(match.gains.sd.max())


def colour_figures(draws=12):
    """The figures of this bench as a dict."""
    runs = load_bay_runs()
    places = Places(*(runs[name] for name in sorted(runs)))
    found = [draw(runs, places, seed) for seed in range(draws)]
    before, after, errors, sd = zip(*found, strict=True)
    errors = np.array(errors)
    worst = [float(np.median(last) / np.median(first)) for first, last in zip(before, after, strict=True)]
    balance = errors[:, [0, 2]] - errors[:, [1]]
    return {
        "colour_ratio": round(float(np.median(np.concatenate(after)) / np.median(np.concatenate(before))), 3),
        "colour_ratio_worst": round(max(worst), 3),
        "white_balance_error": round(float(np.sqrt(np.mean(balance**2))), 4),
        "white_balance_sd": round(float(np.mean(sd)), 4),
        "exposure_error": round(float(np.sqrt(np.mean(errors[:, 1] ** 2))), 4),
        "draws": draws,
    }


if __name__ == "__main__":
    print(json.dumps(colour_figures(*(int(text) for text in sys.argv[1:2]))))

"""Simulated scans of calibrated artefacts on a table, with the truth known: for tests and benchmarks.

A scanner with a factor of ``scale`` on all lengths, white noise along the normal and noise that neighbouring points
share (``common_mm``, over patches of about a third of a sphere's radius).
"""

import json
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds import cloud
from nightbay.clouds.cloud import Cloud
from nightbay.core import rigid
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stage import Upstream

NOISE_MM = 0.05
OWN = {"size_error_most_mm": 0.5, "spacing_error_most": 0.003, "covered_least": 0.25, "significance": 0.001}
SETTINGS = settings(
    {"scan": {"noise_mm": 0.06, "target_noise_mm": 0.05, "target_drift_mm_per_m": 0.03}, "artefact": OWN}
)


def sphere_entry(name="ball", diameter_mm=50.0, **others):
    """A sphere of a job sheet."""
    return {
        "name": name, "kind": "sphere", "diameter_mm": diameter_mm, "diameter_uncertainty_mm": 0.002,
        "coverage_factor": 2.0,
    } | others  # fmt: skip


def bar_entry(name="bar", diameter_mm=38.1, distance_mm=500.0, **others):
    """A ball bar of a job sheet."""
    return sphere_entry(name, diameter_mm) | {
        "kind": "ball_bar", "distance_mm": distance_mm, "distance_uncertainty_mm": 0.004,
    } | others  # fmt: skip


def plate_entry(name="plate", size_mm=(200.0, 120.0), **others):
    """A plate of a job sheet."""
    return {"name": name, "kind": "plate", "size_mm": list(size_mm), "coverage_factor": 2.0} | others


@dataclass
class Bench:
    """What lies on the table; points and normals are added piece by piece, in mm, Z up, the table at 0."""

    rng: np.random.Generator
    noise_mm: float = NOISE_MM
    common_mm: float = 0.0
    scale: float = 1.0
    points: list = field(default_factory=list)
    normals: list = field(default_factory=list)

    def _add(self, ideal, normal, patch_mm):
        off = self.rng.normal(0.0, self.noise_mm, len(ideal))
        if self.common_mm:
            seeds = ideal[self.rng.permutation(len(ideal))[:600]]
            keep = []
            for seed in seeds:  # seeds at least a patch apart
                if all(np.linalg.norm(seed - other) > patch_mm for other in keep):
                    keep.append(seed)
            nearest = cKDTree(np.array(keep)).query(ideal)[1]
            off += self.rng.normal(0.0, self.common_mm, len(keep))[nearest]
        self.points.append(self.scale * ideal + off[:, None] * normal)
        self.normals.append(normal)
        return self

    def sphere(self, centre_mm, diameter_mm, points=8000, lowest=-0.6, stand_mm=5.0, out_of_round_mm=0.0):
        """A sphere on a stem, seen from above down to ``lowest`` (cosine of the polar angle)."""
        normal = self.rng.normal(size=(points, 3))
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        normal = normal[normal[:, 2] > lowest]
        centre, radius = np.asarray(centre_mm, float), diameter_mm / 2
        lift = out_of_round_mm / 2 * normal[:, 0] * normal[:, 1] * 2
        self._add(centre + (radius + lift)[:, None] * normal, normal, radius / 3)
        if stand_mm:
            self.stem(centre, stand_mm, centre[2] - radius, points // 20)
        return self

    def stem(self, centre, radius_mm, high_mm, points):
        """A stem from the table up to a height."""
        turn = self.rng.uniform(0, 2 * np.pi, points)
        normal = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(points)])
        place = np.column_stack([centre[0] + radius_mm * normal[:, 0], centre[1] + radius_mm * normal[:, 1],
                                 self.rng.uniform(0, high_mm, points)])  # fmt: skip
        return self._add(place, normal, 10.0)

    def plate(self, corner_mm, size_mm=(200.0, 120.0), points=15000, bow_mm=0.0):
        """A plate at the height of its corner, bowed by ``bow_mm`` in the middle."""
        share = self.rng.uniform(0, 1, (points, 2))
        lift = bow_mm * (1 - (2 * share[:, 0] - 1) ** 2)
        place = np.asarray(corner_mm) + np.column_stack([share * size_mm, lift])
        return self._add(place, np.tile([0.0, 0.0, 1.0], (points, 1)), 30.0)

    def table(self, size_mm=(700.0, 300.0), points=15000, free=()):
        """The table, without what lies ``free`` under a plate: (low corner, high corner) each."""
        low, high = np.array([-50.0, -150.0, 0.0]), np.array([size_mm[0], size_mm[1] - 150.0, 0.0])
        place = self.rng.uniform(low, high, (points, 3))
        for low, high in free:
            place = place[~np.all((place[:, :2] > low) & (place[:, :2] < high), axis=1)]
        return self._add(place, np.tile([0.0, 0.0, 1.0], (len(place), 1)), 30.0)

    def strays(self, points=100):
        """Points anywhere above the table."""
        place = self.rng.uniform([-50, -150, 0], [650, 150, 150], (points, 3))
        normal = self.rng.normal(size=(points, 3))
        return self._add(place, normal / np.linalg.norm(normal, axis=1, keepdims=True), 30.0)


def upstream(folder, bench, segment="table", T=None, tilt=0.05):
    """The intake of a bench as the stage reads it; ``T``: pose of the raw frame, ``tilt``: scatter of normals, rad."""
    T = np.eye(4) if T is None else T
    points = rigid.transform(T, np.concatenate(bench.points))
    normals = rigid.rotate(T, np.concatenate(bench.normals))
    normals = normals + bench.rng.normal(0, tilt, normals.shape)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    origin = np.round(points.mean(axis=0))
    block = Cloud((points - origin).astype(np.float32), normals.astype(np.float32))
    made = cloud.write(folder / segment, [block], origin, 500.0)
    return Upstream("intake", "day", "artefact", segment, "ok", [], [], {"file": f"day/raw/{segment}.ply"}, made.folder)


def sheet(entries, segments=("table",), placed=False, targets=None):
    """What the stage gets of the job sheet."""
    listed = dict.fromkeys(segments) | (targets or {})
    return {"artefacts": json.loads(json.dumps(list(entries))), "placed": placed, "targets": listed}

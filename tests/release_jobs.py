"""Simulated jobs for the release check: sound ones, and ones in which a defect was planted.

A scene is one invented vehicle, scanned once with its targets; a job is a copy of a scene with new noise, new frames, a
new choice of targets, and at most one defect. Frames: vehicle (X rearward, Y right, Z up), segment (arbitrary).
"""

import os
import pickle
from dataclasses import dataclass, field, replace

import numpy as np
import trimesh
import yaml
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

import bodies
import export
import scenario
import shapes
import simulate
import survey
import vehicles
import viewpoints
from nightbay.core import rigid

POINTS = {"compact": 300_000, "van": 600_000}  # of all runs: about 11 mm apart
RUNS = ("left", "right", "front", "rear", "roof")
NOISE_MM, TARGET_NOISE_MM = 0.1, 0.05
KINDS = ("missing area", "few targets", "moved body", "wrong unit", "cut short", "still copied")
LEAST_M2, MOST_M2 = 0.05, 0.3
DENSE_MM = 25.0  # a place has surface where points lie within that
OLD_S = 3600.0  # a file that has come to rest


@dataclass(frozen=True)
class Scene:
    """A scanned vehicle: its body, the points of each run, all targets, which of them each run has seen, and which
    points lie on ``glazed`` faces."""

    vehicle_class: str
    body: bodies.Body
    points: dict[str, simulate.Points]
    targets: survey.Targets
    seen: dict[str, np.ndarray]
    glazed: dict[str, np.ndarray]


@dataclass(frozen=True)
class Planted:
    """What was planted: ``kind``, None for a sound job; ``segment`` it is in; ``centre_mm`` and ``radius_mm`` of a
    missing area in the vehicle frame, and its ``area_mm2``."""

    kind: str | None = None
    segment: str | None = None
    centre_mm: np.ndarray | None = None
    radius_mm: float = 0.0
    area_mm2: float = 0.0
    words: str = field(default="", compare=False)


def shape(seed):
    """A vehicle class and the measures of an invented vehicle of it."""
    rng = np.random.default_rng([seed, 71])
    kind, base = (("compact", shapes.COMPACT), ("van", shapes.VAN))[seed % 2]
    x, y, z = rng.uniform([0.92, 0.94, 0.94], [1.12, 1.05, 1.06])

    def scaled(points, *factors):
        return tuple(tuple(value * factor for value, factor in zip(point, factors, strict=True)) for point in points)

    made = replace(
        base,
        **{name: getattr(base, name) * x for name in ("front", "rear", "wheelbase", "roof_peak", "nose_sweep")},
        **{name: getattr(base, name) * z for name in ("height", "tyre_radius", "floor", "belt")},
        width=base.width * y,
        roof_bow=base.roof_bow * rng.uniform(0.7, 1.2) / x**2,
        tumblehome=base.tumblehome * rng.uniform(0.6, 1.2),
        rear_lean=base.rear_lean * rng.uniform(0.6, 1.1),
        **{name: scaled(getattr(base, name), x, z) for name in ("bonnet", "windscreen")},
        side_windows=tuple(scaled(window, x, z) for window in base.side_windows),
        doors=scaled(base.doors, x, z, x, z),
        windscreen_outline=scaled(base.windscreen_outline, y, z),
        rear_windows=tuple(scaled(window, y, z) for window in base.rear_windows),
        rear_doors=scaled(base.rear_doors, y, z, y, z),
        bonnet_outline=scaled(base.bonnet_outline, x, y),
        mirror=(base.mirror[0] * x, base.mirror[1] * z),
        antenna=(base.antenna[0] * x, *base.antenna[1:]),
    )
    return kind, made


def scene(seed, chord_mm=2.0):
    """Scan an invented vehicle in five runs. Every third one has glazing on its right side only."""
    vehicle_class, measures = shape(seed)
    points = POINTS[vehicle_class]
    body = vehicles.exterior(measures, chord_mm)
    if seed % 3 == 2:
        middle = body.vertices_mm[body.faces].mean(axis=1)
        blind = (body.material == bodies.GLASS) & (middle[:, 1] < -0.3 * measures.width)
        body = replace(body, material=np.where(blind, bodies.PAINT, body.material).astype(np.uint8))
    every = survey.targets(body, 240.0, seed=seed, ground_spacing_mm=480.0)
    scans, seen = {}, {}
    for number, name in enumerate(RUNS):
        own = 10 * seed + number
        run = simulate.scan(
            body,
            viewpoints.side(body, name, seed=own),
            points=points // len(RUNS),
            noise_mm=NOISE_MM,
            seed=own,
            drift_mm_per_m=0.03,
            faults=simulate.Faults(mirrors=4.0),
            targets=every,
            surroundings=scenario.surroundings(body),
            T_vehicle_segment=np.eye(4),
        )
        scans[name] = run.all_points()
        seen[name] = np.sort(survey.target_list(run, every, seed=own, noise_mm=0.0).truth)
    return Scene(vehicle_class, body, scans, every, seen, _glazed(body, scans))


def kept_scene(seed, folder):
    """A scene from ``folder``, where it is made once."""
    path = folder / f"scene-{seed}.pickle"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        path.with_suffix(".part").write_bytes(pickle.dumps(scene(seed)))
        path.with_suffix(".part").replace(path)
    return pickle.loads(path.read_bytes())


def write(folder, made, kind, seed, clear=False):
    """Write a job of a scene into ``folder`` with a planted defect of this kind, None for a sound one.

    ``clear``: no point comes back from glazing; else some per cent do.
    """
    rng = np.random.default_rng([seed, 72])
    raw = folder / "raw"
    raw.mkdir(parents=True)
    clouds, labels = {}, {}
    for name, points in made.points.items():
        left = ~made.glazed[name] if clear else np.ones(len(points), bool)
        clouds[name], labels[name] = (points.xyz[left], points.normals[left]), points.label[left]
    seen = {name: numbers[rng.random(len(numbers)) > 0.1] for name, numbers in made.seen.items()}
    places = {name: made.targets.xyz_mm.copy() for name in RUNS}
    runs = RUNS
    if kind == "moved body":  # a run that sees nothing but the body shows no motion, and its model is right
        runs = tuple(name for name in RUNS if (labels[name] == simulate.GROUND).any())
    planted = Planted(kind, str(rng.choice(runs)))
    if kind == "missing area":
        planted, gone = _missing(made, rng)
        for name, (xyz, normals) in clouds.items():
            keep = ~gone(xyz)
            clouds[name], labels[name] = (xyz[keep], normals[keep]), labels[name][keep]
            seen[name] = seen[name][~gone(places[name][seen[name]])]
    elif kind == "few targets":
        planted = _few(made, planted, seen, rng)
    elif kind == "moved body":
        planted = _moved(made, planted, clouds, labels, places, rng)
    declared = dict.fromkeys(RUNS, "mm")
    control = rng.random(len(made.targets)) > 0.05
    _write_list(
        raw / "control.csv", made, made.targets.xyz_mm, np.flatnonzero(control), simulate.random_frame(rng), rng
    )
    for name, (xyz, normals) in clouds.items():
        T = rigid.invert(simulate.random_frame(rng))
        unit = 1.0
        if kind == "wrong unit" and name == planted.segment:
            unit = float(rng.choice([1000.0, 25.4, 10.0]))
        xyz = rigid.transform(T, xyz + rng.normal(0, NOISE_MM / 4, xyz.shape)) / unit
        _write_ply(raw / f"{name}.ply", xyz, rigid.rotate(T, normals))
        _write_list(raw / f"{name}.targets.csv", made, places[name], seen[name], rigid.invert(T), rng)
    for path in raw.iterdir():
        os.utime(path, (path.stat().st_atime, path.stat().st_mtime - OLD_S))
    if kind in ("cut short", "still copied"):
        path = raw / f"{planted.segment}.ply"
        changed = path.stat().st_mtime
        os.truncate(path, int(path.stat().st_size * rng.uniform(0.1, 0.95)))
        if kind == "cut short":
            os.utime(path, (changed, changed))
    _write_sheet(folder, made, declared)
    return planted


def _glazed(body, scans):
    """Which points of each run lie on glazing."""
    places, face = trimesh.sample.sample_surface(body.mesh, 400_000, seed=1)
    tree, glass = cKDTree(places), body.material[face] == bodies.GLASS
    return {name: glass[tree.query(points.xyz)[1]] for name, points in scans.items()}


def _missing(made, rng):
    """A random place of the outside that is cut out, as :class:`Planted` and a function of points (n, 3): gone or not.

    It is a rectangle along the surface with sides up to 3 : 1. At least :data:`LEAST_M2` of it is surface that came
    back densely; glazing does not count, nor does what faces down, lies in a wheel arch or on a wheel.
    """
    _, ab, ac, normal, area = bodies.geometry(made.body)
    middle = made.body.vertices_mm[made.body.faces].mean(axis=1)
    every = np.concatenate([points.xyz[points.label == simulate.SURFACE] for points in made.points.values()])
    outer = np.isin(made.body.material, (bodies.PAINT, bodies.TRIM)) & (normal[:, 2] > -0.3)
    outer &= cKDTree(every).query(middle)[0] < DENSE_MM
    for x in made.body.dimensions_mm["axles"]:
        radius = made.body.dimensions_mm["tyre_radius"]
        outer &= np.hypot(middle[:, 0] - x, middle[:, 2] - radius) > 1.25 * radius
    weight = np.where(outer, area, 0.0)
    while True:
        face = rng.choice(len(area), p=weight / weight.sum())
        size = 1e6 * np.exp(rng.uniform(np.log(LEAST_M2), np.log(MOST_M2)))
        aspect, turn = rng.uniform(1, 3), rng.uniform(0, np.pi)
        half = np.array([np.sqrt(size * aspect), np.sqrt(size / aspect)]) / 2
        first = np.cross(normal[face], [1.0, 0.3, 0.2])
        first /= np.linalg.norm(first)
        second = np.cross(normal[face], first)
        axes = np.array([np.cos(turn) * first + np.sin(turn) * second, np.cos(turn) * second - np.sin(turn) * first])

        def gone(points, middle_mm=middle[face], axes=axes, half=half, across=normal[face]):
            off = points - middle_mm
            return np.all(np.abs(off @ axes.T) < half, axis=1) & (np.abs(off @ across) < 150.0)

        mine = gone(middle) & (normal @ normal[face] > 0.3)
        shown = float(area[mine & outer].sum())
        if shown >= LEAST_M2 * 1e6:
            words = f"{shown / 1e6:.3f} m2 at {middle[face].round().astype(int).tolist()}"
            return Planted("missing area", None, middle[face], float(np.linalg.norm(half)), shown, words), gone


def _few(made, planted, seen, rng):
    """Leave a run three targets, or four to six that lie together at one end of it."""
    numbers = seen[planted.segment]
    count = int(rng.integers(3, 7))
    place = made.targets.xyz_mm[numbers]
    end = place[np.argmax((place - place.mean(axis=0)) @ rng.normal(size=3))]
    seen[planted.segment] = numbers[np.argsort(np.linalg.norm(place - end, axis=1))[:count]]
    return replace(planted, words=f"{planted.segment} with {count} targets at {end.round().astype(int).tolist()}")


def _moved(made, planted, clouds, labels, places, rng):
    """Move the body between the survey and a run, as a step onto a sill does: the floor and its targets stay."""
    shift = np.array([0.0, rng.normal(0, 1.0), -rng.uniform(3.0, 6.0)])
    lean = np.radians(rng.uniform(0.05, 0.15)) * rng.choice([-1, 1])
    middle = np.array([made.body.bounds_mm[:, 0].mean(), 0.0, 0.0])
    turn = Rotation.from_rotvec([lean, 0.0, 0.0]).as_matrix()
    T = rigid.pose(turn, middle - turn @ middle + shift)
    xyz, normals = clouds[planted.segment]
    body = np.isin(labels[planted.segment], (simulate.GROUND, simulate.SURROUNDINGS), invert=True)
    xyz[body], normals[body] = rigid.transform(T, xyz[body]), rigid.rotate(T, normals[body])
    place = places[planted.segment]
    on_body = place[:, 2] > 10.0
    place[on_body] = rigid.transform(T, place[on_body])
    return replace(planted, words=f"{planted.segment} by {shift.round(1).tolist()} mm and {np.degrees(lean):.2f} deg")


def _write_ply(path, xyz, normals):
    records = np.empty(len(xyz), [(name, "<f4") for name in ("x", "y", "z", "nx", "ny", "nz")])
    for at, name in enumerate("xyz"):
        records[name], records[f"n{name}"] = xyz[:, at], normals[:, at]
    lines = ["ply", "format binary_little_endian 1.0", f"element vertex {len(xyz)}"]
    lines += [*(f"property float {name}" for name in records.dtype.names), "end_header"]
    path.write_bytes(("\n".join(lines) + "\n").encode() + records.tobytes())


def _write_list(path, made, place, numbers, T_vehicle_raw, rng):
    """A list of targets with noise, shuffled; a few entries are none."""
    numbers = rng.permutation(numbers)
    T = rigid.invert(T_vehicle_raw)
    xyz = place[numbers] + rng.normal(0, TARGET_NOISE_MM, (len(numbers), 3))
    normals = made.targets.normals[numbers]
    listed = survey.TargetList(
        rigid.transform(T, xyz), rigid.rotate(T, normals), made.targets.diameter_mm[numbers], numbers
    )
    export.write_targets(path, listed)


def _write_sheet(folder, made, declared):
    segments = {
        name: {"file": f"raw/{name}.ply", "units": unit, "targets": f"raw/{name}.targets.csv"}
        for name, unit in declared.items()
    }
    part = {"control_survey": {"file": "raw/control.csv"}, "segments": segments}
    sheet = {"vehicle_class": made.vehicle_class, "units": "mm", "parts": {"exterior": part}}
    (folder / "job.yaml").write_text(yaml.safe_dump(sheet, sort_keys=False), encoding="utf-8")

"""Points of simple bodies, and the stage fuse run on them, for the tests of fuse."""

import json
from types import SimpleNamespace

import jsonschema
import numpy as np
from scipy.spatial.transform import Rotation

import networks
from nightbay.clouds import cloud
from nightbay.core import rigid
from nightbay.fuse import fuse
from nightbay.meshes import surface
from nightbay.pipeline.settings import settings as frozen
from nightbay.pipeline.stage import SCHEMAS

VALUES = {
    "scan": {"resolution_mm": 2.0, "noise_mm": 0.1, "smallest_mm": 6.0},
    "fuse": {
        "smoothing": 1.5,
        "sparse_reach": 2.0,
        "overhang": 0.55,
        "crease_deg": 50.0,
        "agreement": 4.7,
        "undecided_weight": 0.25,
        "match_colours": True,
        "colour_blend_mm": 60.0,
    },
}


def settings(**values):
    """Settings with other values of the sections scan and fuse."""
    changed = {name: {key: values[key] for key in own if key in values} for name, own in VALUES.items()}
    return frozen({name: own | changed[name] for name, own in VALUES.items()})


SETTINGS = settings()


def upstream(folder, segments, T_vehicle_control=None):
    """Stage input from {name: (points mm and normals in the control frame, T_control_segment, more of a Cloud)}."""
    clean, poses = [], {}
    for name, (points, normals, T_control_segment, extra) in segments.items():
        T_segment_control = rigid.invert(T_control_segment)
        local = rigid.transform(T_segment_control, points)
        origin_mm = np.round(local.mean(axis=0)) if len(local) else np.zeros(3)
        block = cloud.Cloud(
            (local - origin_mm).astype(np.float32),
            rigid.rotate(T_segment_control, normals).astype(np.float32),
            **extra,
        )
        cloud.write(folder / name, [block], origin_mm, 500.0)
        result = {"kept": len(points), "normals_certainty": None}
        clean.append(SimpleNamespace(segment=name, folder=folder / name, result=result))
        poses[name] = {"T_control_segment": T_control_segment.tolist()}
    T_vehicle_control = np.eye(4) if T_vehicle_control is None else T_vehicle_control
    return {
        "clean": clean,
        "refine": SimpleNamespace(result={"poses": poses, "normal_orientation": {}, "scale": networks.UNSCALED}),
        "frame": SimpleNamespace(result={"T_vehicle_control": T_vehicle_control.tolist()}),
    }


def run(folder, segments, values=SETTINGS, threads=1, **more):
    """The stage's numbers, checked against its schema, and its surface."""
    folder.mkdir(parents=True, exist_ok=True)
    out = folder / "out"
    out.mkdir()
    numbers = fuse.fuse(upstream(folder, segments, **more), {}, values, out, threads)
    schema = json.loads((SCHEMAS / "fuse.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate({key: value for key, value in numbers.items() if key != "notes"}, schema)
    return numbers, surface.read_ply(out / "surface.ply")


def one(points, normals, **extra):
    return {"a": (points, normals, np.eye(4), extra)}


def sheet(rng, width, depth, density, centre=(0, 0, 0), tilt=None, noise=0.0):
    """Random points of a rectangle whose outside is +Z before it is tilted: (points, normals)."""
    n = int(width * depth * density)
    points = np.column_stack(
        [rng.uniform(-width / 2, width / 2, n), rng.uniform(-depth / 2, depth / 2, n), np.zeros(n)]
    )
    points[:, 2] += rng.normal(0, noise, n) if noise else 0
    normals = np.tile([0.0, 0.0, 1.0], (n, 1))
    R = np.eye(3) if tilt is None else Rotation.from_euler("xyz", tilt, degrees=True).as_matrix()
    return points @ R.T + centre, normals @ R.T


def sphere(rng, n, radius, noise, centre=(11.0, -7.0, 30.0)):
    normals = rng.normal(size=(n, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    return normals * (radius + rng.normal(0, noise, n))[:, None] + centre, normals


def fans(faces, count):
    """Number of fans of faces around every vertex: its faces, joined where they share an edge at it."""
    number = np.zeros(count, int)
    around = [[] for _ in range(count)]
    for face in faces.tolist():
        for k in range(3):
            around[face[k]].append((face[k - 1], face[k - 2]))
    for vertex, links in enumerate(around):
        neighbours = {}
        for a, b in links:
            neighbours.setdefault(a, []).append(b)
            neighbours.setdefault(b, []).append(a)
        left = set(neighbours)
        while left:
            number[vertex] += 1
            stack = [left.pop()]
            while stack:
                for other in neighbours[stack.pop()]:
                    if other in left:
                        left.remove(other)
                        stack.append(other)
    return number

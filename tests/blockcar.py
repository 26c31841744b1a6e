"""A plain car of boxes and turned wheels for tests: X rearward, Y to the right, Z up, ground at Z = 0."""

import numpy as np
import trimesh

import part_results
from nightbay.clean.result import SegmentGround
from nightbay.clouds import cloud
from nightbay.core import rigid
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream

LENGTH, WIDTH, HEIGHT, WHEELBASE, RADIUS = 4000.0, 1700.0, 1450.0, 2500.0, 310.0
MIRROR_REACH, ANTENNA = 180.0, 160.0


def wheel(x, y, radius=RADIUS, width=200.0):
    """A tyre with a dished rim, turned about Y; ``y`` of the outer face, away from Y = 0."""
    side = np.sign(y) or 1.0
    # radius against depth below the outer face
    outline = [(60, 60), (170, 45), (200, 20), (205, 8), (240, 0), (285, 6), (305, 30), (radius, 50), (radius, width)]
    profile = np.array([(r, -depth) for r, depth in outline], float)
    mesh = trimesh.creation.revolve(profile[::-1], sections=180)  # about Z
    turn = trimesh.transformations.rotation_matrix(-side * np.pi / 2, [1, 0, 0])
    mesh.apply_transform(turn)
    mesh.apply_translation([x, y, radius])
    return mesh


def car(mirrors=True, antenna=True):
    """The car's mesh, its faces small enough to be vertices of a scan."""
    front = -750.0
    parts = [trimesh.creation.box(bounds=[[front, -800, 250], [front + LENGTH, 800, 800]])]
    # bumpers and a belt line give length and width
    parts.append(trimesh.creation.box(bounds=[[front + 400, -WIDTH / 2, 700], [front + LENGTH - 300, WIDTH / 2, 780]]))
    cabin = trimesh.creation.box(bounds=[[0, -1, 800], [1, 1, HEIGHT]])
    top = cabin.vertices[:, 2] > 1000
    rear = cabin.vertices[:, 0] > 0.5
    cabin.vertices[:, 1] *= np.where(top, 600.0, 780.0)
    cabin.vertices[:, 0] = np.where(rear, np.where(top, 2900.0, 3100.0), np.where(top, 900.0, 200.0))
    parts.append(cabin)
    parts += [wheel(x, side * (WIDTH / 2 - 10)) for x in (0.0, WHEELBASE) for side in (-1, 1)]
    if mirrors:
        for side in (-1, 1):
            y = np.sort([side * 750, side * (WIDTH / 2 + MIRROR_REACH)])
            parts.append(trimesh.creation.box(bounds=[[450, y[0], 820], [560, y[1], 980]]))
    if antenna:
        parts.append(trimesh.creation.box(bounds=[[2480, -40, HEIGHT - 20], [2560, 40, HEIGHT + ANTENNA]]))
    return trimesh.util.concatenate(parts)


def load_bay():
    """The inside of a load bay, open at the rear: floor at Z = 0, wheel boxes, a ledge at the front."""
    parts = [
        trimesh.creation.box(bounds=[[0, -850, -2], [2600, 850, 0]]),
        trimesh.creation.box(bounds=[[0, -790, 1750], [2600, 790, 1752]]),
        trimesh.creation.box(bounds=[[-2, -850, 0], [0, 850, 1750]]),
        trimesh.creation.box(bounds=[[0, -500, 0], [250, 500, 400]]),
    ]
    for side in (-1, 1):
        walls = [
            [(0, 850, 0), (2600, 852, 1750)],
            [(1300, 620, 0), (2000, 850, 350)],
            [(600, 820, 900), (660, 850, 1750)],
        ]
        for low, high in walls:
            y = np.sort([side * low[1], side * high[1]])
            parts.append(trimesh.creation.box(bounds=[(low[0], y[0], low[2]), (high[0], y[1], high[2])]))
    return trimesh.util.concatenate(parts)


def scan(mesh, count, seed, noise_mm=0.1):
    """Points (n, 3) with normals, evenly on the whole surface, with noise along the normal."""
    rng = np.random.default_rng(seed)
    area = mesh.area_faces
    face = rng.choice(len(area), count, p=area / area.sum())
    u, v = rng.random((2, count))
    flip = u + v > 1
    u, v = np.where(flip, 1 - u, u), np.where(flip, 1 - v, v)
    a, b, c = (mesh.triangles[face, at] for at in range(3))
    normals = mesh.face_normals[face]
    points = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return points + rng.normal(0, noise_mm, (count, 1)) * normals, normals


def upstream(folder, points, normals, segments, T_control_vehicle, *, part="exterior", ground=True, seed=5):
    """What clean and refine would have left of points in the vehicle frame: {clean, refine}.

    ``segments`` {name: rows}; each gets a pose of its own.
    """
    rng = np.random.default_rng(seed)
    cleaned, poses = [], {}
    for name, rows in segments.items():
        T_control_segment = rigid.pose(rotation(rng), rng.uniform(-2000, 2000, 3))
        T_segment_vehicle = rigid.invert(T_control_segment) @ T_control_vehicle
        xyz = rigid.transform(T_segment_vehicle, points[rows])
        origin = np.round(xyz.mean(axis=0))
        block = cloud.Cloud(
            (xyz - origin).astype(np.float32), rigid.rotate(T_segment_vehicle, normals[rows]).astype(np.float32)
        )
        cloud.write(folder / name, [block], origin, 256.0)
        part_results.write_removed(folder / name, np.empty((0, 3)), origin)
        up = rigid.rotate(T_segment_vehicle, [[0.0, 0.0, 1.0]])[0]
        plane = SegmentGround(up, float(up @ T_segment_vehicle[:3, 3]), 0.3, 9)
        result = typed.write(part_results.clean(plane if ground else None))
        cleaned.append(Upstream("clean", "job", part, name, "ok", [], [], result, folder / name))
        poses[name] = part_results.pose(T_control_segment)
    refined = typed.write(part_results.refine(poses))
    refine = Upstream("refine", "job", part, None, "ok", [], [], refined, folder)
    return {"clean": cleaned, "refine": refine}


def rotation(rng):
    """A random rotation, (3, 3)."""
    rotation, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return rotation * np.sign(np.linalg.det(rotation))

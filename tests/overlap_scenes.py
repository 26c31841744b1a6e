"""Small simulated parts for the tests of refine: a dented egg of a vehicle's size, in overlapping segments."""

from pathlib import Path

import numpy as np
import yaml
from scipy.spatial.transform import Rotation

from nightbay.clouds import cloud
from nightbay.core import rigid, target_noise
from nightbay.matching import target_list
from nightbay.network import assembly, network
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stage import Upstream

HALF_AXES_MM = np.array([2000.0, 850.0, 700.0])
DRIFT_MM_PER_M = 0.03
CONFIG = Path(__file__).parents[1] / "config" / "config.yaml"
SHEET = {"scale_bars": [], "temperature_c": None, "body_material": None}


def egg(count, rng, dents=True):
    """Points (n, 3) mm and outward normals (n, 3) of a dented ellipsoid, evenly over its surface to a few per cent."""
    direction = rng.normal(size=(4 * count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    stretch = np.linalg.norm(direction / HALF_AXES_MM, axis=1)  # area a solid angle of the sphere maps to
    direction = direction[rng.random(len(direction)) < stretch / stretch.max()][:count]
    points = direction * HALF_AXES_MM
    normals = direction / HALF_AXES_MM
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    if not dents:
        return points, normals
    # dents along the normal, 15 mm deep, half a metre wide; their slope tilts the normals
    phase = points @ np.array([[1.0, 0.3, 0.2], [0.2, 1.0, -0.4], [-0.3, 0.2, 1.0]]).T * (2 * np.pi / 500)
    slope = 15.0 * np.cos(phase) * (2 * np.pi / 500) / 3
    gradient = slope @ np.array([[1.0, 0.3, 0.2], [0.2, 1.0, -0.4], [-0.3, 0.2, 1.0]])
    gradient -= np.sum(gradient * normals, axis=1, keepdims=True) * normals
    dented = points + normals * (15.0 * np.sin(phase).sum(axis=1) / 3)[:, None]
    tilted = normals - gradient
    return dented, tilted / np.linalg.norm(tilted, axis=1, keepdims=True)


def drifted(points, rng, mm_per_m=DRIFT_MM_PER_M):
    """Points moved by a smooth error: its standard deviation grows with the distance from their middle."""
    away = points - points.mean(axis=0)
    wave = rng.normal(size=(3, 3)) / 1500
    phase = rng.uniform(0, 2 * np.pi, 3)
    error = np.sqrt(2) * np.sin(away @ wave.T + phase)  # unit variance over the phases
    return points + error * (np.linalg.norm(away, axis=1) / 1000 * mm_per_m)[:, None]


def write_segment(folder, name, points_control, normals, T_control_segment, colour=None):
    """A cleaned segment in its own frame, as the stage hands it over."""
    T = rigid.invert(T_control_segment)
    origin = np.round(rigid.transform(T, points_control).mean(axis=0))
    block = cloud.Cloud(
        (rigid.transform(T, points_control) - origin).astype(np.float32),
        rigid.rotate(T, normals).astype(np.float32),
        colour,
    )
    cloud.write(folder, [block], origin, 500.0)
    return Upstream("clean", "job", "exterior", name, "ok", [], [], {"normals_certainty": None}, folder)


def random_pose(rng, far_mm=3000.0):
    """An arbitrary rigid pose."""
    return rigid.pose(Rotation.random(rng=rng).as_matrix(), rng.uniform(-far_mm, far_mm, 3))


def targets(names, true, seen, rng, scan, surveyed=True):
    """What the stage network leaves of simulated targets: a list a segment and, where ``surveyed``, a control survey.

    ``seen`` {name: (n,) rows of :func:`sticker_places` that the segment has measured}.
    """
    places = sticker_places()

    def listed(name, rows, T_control_list):
        xyz = rigid.transform(rigid.invert(T_control_list), places[rows])
        xyz = xyz + rng.normal(0, scan["target_noise_mm"], xyz.shape)
        covariance = target_noise.covariance(xyz, scan["target_noise_mm"], scan["target_drift_mm_per_m"])
        return target_list.TargetList(name, f"{name}.csv", xyz, covariance, id=[str(row) for row in rows])

    lists = [listed("control survey", np.arange(len(places)), np.eye(4))] if surveyed else []
    lists += [listed(name, seen[name], true[name]) for name in sorted(names)]
    chosen = settings({"network": _parameters(), "scan": scan})
    found = network.adjust_lists(lists, surveyed, False, chosen)
    result, _ = assembly.assemble(found, SHEET, [], chosen)
    return Upstream("network", "job", "exterior", None, "ok", [], [], typed.write(result), Path())


def _parameters():
    return yaml.safe_load(CONFIG.read_text(encoding="utf-8"))["network"]


def sticker_places():
    """Places (160, 3) mm of targets on the egg, without dents."""
    rng = np.random.default_rng(99)
    return egg(160, rng, dents=False)[0]


def no_targets():
    """What the stage network leaves of a part without targets."""
    chosen = settings({"network": _parameters()}).network
    result, _ = assembly.without_network("no segment has a list of targets", SHEET, [], chosen)
    return Upstream("network", "job", "exterior", None, "ok", [], [], typed.write(result), Path())


BAY_MM = np.array([2000.0, 1100.0, 1000.0])


def bay(count, rng, ribs=True, boxes=True):
    """Points (n, 3) mm and normals (n, 3) of the inside of a bay, its rear open: ribs, wheel boxes and a cabinet."""
    length, width, height = BAY_MM
    faces = [face for face in _box((0, 0, 0), BAY_MM, -1.0) if face[3][0] > -0.5]
    if ribs:
        for x in np.arange(200.0, length, 350.0):
            faces += _box((x - 25, -1, -1), (x + 25, 50, height + 1), 1.0)
            faces += _box((x - 25, width - 50, -1), (x + 25, width + 1, height + 1), 1.0)
    if boxes:
        faces += _box((1050, -1, -1), (1500, 160, 220), 1.0) + _box(
            (1050, width - 160, -1), (1500, width + 1, 220), 1.0
        )
        faces += _box((780, width - 240, 600), (930, width + 1, 780), 1.0)
    area = np.array([np.linalg.norm(np.cross(u, v)) for _, u, v, _ in faces])
    points, normals = [], []
    for (corner, u, v, normal), number in zip(faces, rng.multinomial(count, area / area.sum()), strict=True):
        points.append(corner + rng.random((number, 1)) * u + rng.random((number, 1)) * v)
        normals.append(np.tile(normal, (number, 1)))
    points, normals = np.concatenate(points), np.concatenate(normals)
    seen = np.all((points >= 0) & (points <= BAY_MM), axis=1)
    return points[seen], normals[seen]


def _box(low, high, sign):
    """Six faces of a box as (corner, edge, edge, normal); ``sign`` 1 looks out of it, -1 into it."""
    low, high = np.asarray(low, float), np.asarray(high, float)
    faces = []
    for axis in range(3):
        edges = [np.eye(3)[other] * (high - low)[other] for other in range(3) if other != axis]
        for end, corner in ((-1.0, low), (1.0, np.where(np.arange(3) == axis, high, low))):
            faces.append((corner, *edges, sign * end * np.eye(3)[axis]))
    return faces

"""Simulated scans of rooms for the release check: sound ones, and ones in which one place was never seen.

A room is scanned from positions all over it, as by hand: what one of them sees past what stands there comes back. A
sound room may have a window that returns some points or none, with the frame that holds it. Frames: vehicle of the mesh
(X from front to rear where the room has them, Y right, Z up).
"""

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import invented_rooms
import numpy as np
import yaml
from scipy.spatial import cKDTree

import blockcar
import loadbay
import pair_scans
import pair_shapes
from nightbay.core import axes, rigid
from nightbay.coverage import room
from nightbay.frame import frame
from nightbay.frame.result import FrameResult
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings

ROOT = Path(__file__).resolve().parents[2]
SPACING_MM, NOISE_MM, NORMAL_DEG = 9.0, 0.2, 3.0
# A scan by hand goes on until what a tenth of the positions show that face it at 65 degrees at most was seen from two
# of its own, and from so many in any case.
TRIED, PROBES, SHOWN, STEEPEST_COS = 250, 4000, 0.1, 0.42
LEAST_POSITIONS, TIMES = 20, 2
CLEAR_MM = 200.0  # of a position from surface, where the room has so much
LEAST_M2, MOST_M2 = 0.05, 0.3
PLACES = ("floor", "wall", "roof corner", "behind")
FRAME_MM, RECESS_MM = 30.0, 20.0  # depth of a window's frame, and of its glass behind the wall
# Rooms in which all of a side or the roof is open, which looks like one that was never scanned.
SIDE_OPEN = ("bay without roof", "kiosk, open side")
# kinds of rooms that the search was not made with, a new room each time
OWN = {
    "room of objects": pair_shapes.room_of_objects,
    "cabin with seats": pair_shapes.cabin,
    "bay with ribs": pair_shapes.load_bay,
    "ribbed room": pair_shapes.ribbed_room,
}


@dataclass(frozen=True)
class Scan:
    """Points (n, 3) with unit normals (n, 3) of a room, mm, and what is known of it: ``name``; ``names`` of its two
    segments; ``words`` on its window; its ``bounds_mm`` (2, 3)."""

    name: str
    points: np.ndarray
    normals: np.ndarray
    names: tuple
    words: str
    bounds_mm: np.ndarray


@dataclass(frozen=True)
class Missing:
    """A place that was never seen: its ``kind``, ``centre_mm`` (3,), radius and area."""

    kind: str
    centre_mm: np.ndarray
    radius_mm: float
    area_mm2: float


@cache
def _known_meshes():
    body = loadbay.load_bay()
    return {"demo's load bay": (body.vertices_mm, body.faces)} | {
        name: (np.asarray(mesh.vertices), np.asarray(mesh.faces)) for name, mesh in invented_rooms.rooms().items()
    }


def names(known):
    """Names of the rooms that the search was made with, or of the kinds that it was not."""
    return tuple(_known_meshes()) if known else tuple(OWN)


def mesh(name, rng):
    """Vertices (n, 3), mm, and faces of a room; of a kind in :data:`OWN` a new one each time."""
    if name not in OWN:
        return _known_meshes()[name]
    shape = pair_shapes.centred(OWN[name](rng))
    # the shapes are as long as 1: rooms of vehicles are 2 to 4.5 m long and 1 to 2.3 m high
    span = np.ptp(shape.vertices, axis=0)
    scale = rng.uniform(*np.clip([1000.0 / span[2], 2300.0 / span[2]], 2000.0, 4500.0))
    return shape.vertices * scale, shape.faces


def scan(name, seed, window=None):
    """The :class:`Scan` of a room; ``window``: "framed", "returns" or "both" for a window in a wall, None for none."""
    rng = np.random.default_rng([seed, 91])
    vertices, faces = mesh(name, rng)
    caster = pair_scans.Caster(vertices, faces)
    true, normal = caster.sample(round(caster.area.sum() / SPACING_MM**2), rng)
    at = _positions(caster, true, normal, vertices, rng)
    walk = pair_scans.Walk(at, at + [1.0, 0.0, 0.0], 180.0)
    by = caster.seen(walk, true, normal)
    rows = np.flatnonzero(by >= 0)
    true, normal = true[rows], normal[rows]
    beam = true - at[by[rows]]
    beam /= np.linalg.norm(beam, axis=1, keepdims=True)
    normal = np.where(np.sum(beam * normal, axis=1)[:, None] > 0, -normal, normal)
    words = ""
    if window:
        true, normal, beam, words = _windowed(true, normal, beam, window, rng)
    points = true + beam * rng.normal(0, NOISE_MM, (len(true), 1))
    normal = normal + rng.normal(0, np.radians(NORMAL_DEG), normal.shape)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    labels = ("front", "rear") if rng.random() < 0.5 else ("a", "b")
    return Scan(name, points, normal, labels, words, np.percentile(points, [0.5, 99.5], axis=0))


def _positions(caster, true, normal, vertices, rng):
    """Positions (k, 3) of a scanner all over a room, away from surface, that show all of it that is not hidden."""
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    clear = min(CLEAR_MM, 0.2 * float((high - low).min()))
    many = round(float(np.prod(high - low)) / (clear / 2) ** 3)  # near enough to each other to be connected
    tried = low + (high - low) * rng.uniform([0.05, 0.05, 0.15], [0.95, 0.95, 0.9], (many, 3))
    far = cKDTree(true[:: max(1, len(true) // 40_000)]).query(tried)[0]
    tried, far = tried[far > clear / 2], far[far > clear / 2]
    # not inside of what stands there: a hand reaches through gaps of twice the clearance
    reached = _connected(tried, tried[np.argmax(far)], clear)
    tried = tried[reached & (far > clear)]
    tried = tried[rng.permutation(len(tried))[:TRIED]]
    rows = rng.choice(len(true), min(PROBES, len(true)), replace=False)
    probes, facing = true[rows], normal[rows]
    ahead, shows = np.array([_shown(caster, position, probes, facing) for position in tried]).swapaxes(0, 1)
    wanted = shows.sum(axis=0) > SHOWN * np.maximum(ahead.sum(axis=0), 1)
    count, chosen = np.zeros(len(probes), int), []
    while len(chosen) < len(tried):
        gain = (shows & wanted & (count < TIMES)).sum(axis=1)
        gain[chosen] = -1
        if len(chosen) >= LEAST_POSITIONS and gain.max() <= 0:
            break
        chosen.append(int(np.argmax(gain)) if gain.max() > 0 else int(rng.choice(np.flatnonzero(gain >= 0))))
        count += shows[chosen[-1]]
    return tried[chosen]


def _shown(caster, position, probes, facing):
    """Which probes, (n,) bool each, lie at no steep angle to a position, and which of them it shows."""
    way = probes - position
    depth = np.linalg.norm(way, axis=1)
    way /= depth[:, None]
    steep = np.abs(np.sum(way * facing, axis=1)) < STEEPEST_COS
    return ~steep, ~steep & (caster.hit(position, way) > depth - 2e-4 * caster.size_mm)


def _connected(points, start, reach):
    """Which points (n,) bool can be reached from one of them in steps."""
    tree = cKDTree(points)
    found = np.zeros(len(points), bool)
    front = [int(tree.query(start)[1])]
    found[front] = True
    while front:
        near = np.unique(np.concatenate([np.array(rows, int) for rows in tree.query_ball_point(points[front], reach)]))
        front = near[~found[near]].tolist()
        found[front] = True
    return found


def _windowed(true, normal, beam, kind, rng):
    """A window in a side wall or in the front wall at half its height and more: the wall's points are gone, and the
    frame behind it, the glass, or both return points."""
    low, high = np.percentile(true, [0.5, 99.5], axis=0)
    for _ in range(200):
        axis = int(rng.choice([0, 1, 1]))
        side = -1.0 if axis == 0 else float(rng.choice([-1.0, 1.0]))
        wide_axis = 1 - axis
        wide = rng.uniform(0.25, 0.5) * (high - low)[wide_axis]
        z = low[2] + (high - low)[2] * np.array([rng.uniform(0.5, 0.6), rng.uniform(0.75, 0.9)])
        middle = low[wide_axis] + (high - low)[wide_axis] * rng.uniform(0.35, 0.65)
        span = middle + np.array([-0.5, 0.5]) * wide
        out = np.zeros(3)
        out[axis] = side
        ends = {wide_axis: span, 2: z}
        off = true[:, axis] * side
        inside = np.all([(true[:, a] > ends[a][0]) & (true[:, a] < ends[a][1]) for a in (wide_axis, 2)], axis=0)
        wall_points = inside & (normal @ -out > 0.9) & (off > np.quantile(off, 0.98) - 150.0)
        # only where there is plain wall
        plain = np.count_nonzero(wall_points) > 0.97 * np.count_nonzero(inside & (off > np.quantile(off, 0.98) - 150.0))
        if plain and np.count_nonzero(wall_points) * SPACING_MM**2 > 0.85 * wide * np.ptp(z):
            break
    else:
        return true, normal, beam, "no room for a window"
    wall = np.median(off[wall_points])
    gone = inside & (off > wall - 200.0) & (normal @ -out > 0.5)
    keep = ~gone
    parts = [(true[keep], normal[keep], beam[keep])]
    if kind in ("framed", "both"):
        for a, other in ((wide_axis, 2), (2, wide_axis)):
            for end, sign in zip(ends[a], (1.0, -1.0), strict=True):
                count = round(np.ptp(ends[other]) * FRAME_MM / SPACING_MM**2)
                place = np.empty((count, 3))
                place[:, a], place[:, other] = end, rng.uniform(*ends[other], count)
                place[:, axis] = side * (wall + rng.uniform(0, FRAME_MM, count))
                facing = np.zeros((count, 3))
                facing[:, a] = sign
                parts.append((place, facing, -facing))
    if kind in ("returns", "both"):
        count = round(rng.uniform(0.01, 0.05) * wide * np.ptp(z) / SPACING_MM**2)
        place = np.empty((count, 3))
        for a in (wide_axis, 2):
            place[:, a] = rng.uniform(*ends[a], count)
        place[:, axis] = side * (wall + RECESS_MM)
        parts.append((place, np.tile(-out, (count, 1)), np.tile(out, (count, 1))))
    words = f"window ({kind}) of {wide * np.ptp(z) / 1e6:.2f} m2"
    return *(np.concatenate(columns) for columns in zip(*parts, strict=True)), words


def without(scanned, kind, seed):
    """A scan without a place of 0.05 to 0.3 m2 that it showed, and what that was: on the "floor", on a "wall", in a
    "roof corner", or "behind" what stands on the floor, beside a wall."""
    rng = np.random.default_rng([seed, 92])
    points, normals = scanned.points, scanned.normals
    low, high = scanned.bounds_mm
    share = (points - low) / (high - low)
    reach = 0.12
    beside = np.any((share[:, :2] < reach) | (share[:, :2] > 1 - reach), axis=1)
    facing = np.argmax(np.abs(normals), axis=1)
    on_floor = (share[:, 2] < 0.04) & (normals[:, 2] > 0.9)
    standing = points[(share[:, 2] > 0.06) & (share[:, 2] < 0.35) & ~beside]
    candidates = {
        "floor": on_floor,
        "wall": (facing < 2) & (np.abs(share[np.arange(len(points)), facing % 2] - 0.5) > 0.44),
        "roof corner": beside & (share[:, 2] > 0.95) & (normals[:, 2] < -0.7),
        "behind": on_floor & beside,
    }[kind]
    if kind == "behind" and len(standing):
        candidates &= cKDTree(standing[:, :2]).query(points[:, :2])[0] < 400.0
    rows = np.flatnonzero(candidates)
    if not len(rows):  # a bed has no roof
        return without(scanned, "wall" if kind != "wall" else "floor", seed)
    while True:
        row = rng.choice(rows)
        size = 1e6 * np.exp(rng.uniform(np.log(LEAST_M2), np.log(MOST_M2)))
        aspect, turn = rng.uniform(1, 3), rng.uniform(0, np.pi)
        half = np.array([np.sqrt(size * aspect), np.sqrt(size / aspect)]) / 2
        normal = normals[row] / np.linalg.norm(normals[row])
        first = np.cross(normal, [1.0, 0.3, 0.2])
        first /= np.linalg.norm(first)
        second = np.cross(normal, first)
        across = np.array([np.cos(turn) * first + np.sin(turn) * second, np.cos(turn) * second - np.sin(turn) * first])
        off = points - points[row]
        # round a corner as deep as it is wide, else through ribs
        deep = half.min() if kind == "roof corner" else 100.0
        gone = np.all(np.abs(off @ across.T) < half, axis=1) & (np.abs(off @ normal) < deep)
        area = np.count_nonzero(gone) * SPACING_MM**2
        if LEAST_M2 * 1e6 <= area <= MOST_M2 * 1e6:
            left = Scan(scanned.name, points[~gone], normals[~gone], scanned.names, scanned.words, scanned.bounds_mm)
            return left, Missing(kind, points[gone].mean(axis=0), float(np.linalg.norm([*half, deep])), area)


def checked(scanned, seed):
    """The coverage of a scan in the frame that the stage frame finds, and the motion (4, 4) into it from the mesh's;
    the reason where there is no such frame. The segments are in their true registration."""
    rng = np.random.default_rng([seed, 93])
    T_control_vehicle = rigid.pose(blockcar.rotation(rng), rng.uniform(-3000, 3000, 3))
    x = scanned.points[:, 0]
    middle, lap = np.median(x), 0.1 * np.ptp(scanned.bounds_mm[:, 0])
    segments = dict(
        zip(scanned.names, (np.flatnonzero(x < middle + lap), np.flatnonzero(x > middle - lap)), strict=True)
    )
    options = settings(yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8")))
    with tempfile.TemporaryDirectory() as folder:
        upstream = blockcar.upstream(
            Path(folder), scanned.points, scanned.normals, segments, T_control_vehicle, part="interior", ground=False,
            seed=seed,
        )  # fmt: skip
        made = frame.frame(upstream, {"axes": {}}, options, Path(folder), 1)
    made.pop("notes")
    framed = typed.read(FrameResult, made)
    if not framed.zero_planes["z"].found:
        return None, framed.zero_planes["z"].reason
    T = framed.T_vehicle_control @ T_control_vehicle
    surface = room.RoomSurface(
        rigid.transform(T, scanned.points), rigid.rotate(T, scanned.normals), np.empty((0, 3)),
        axes.axes(framed.axes), framed.zero_planes["y"].found, framed.room.planes,
        framed.room.up.decided, framed.room.along.decided,
    )  # fmt: skip
    return room.find(surface), T

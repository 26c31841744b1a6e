"""Pairs of partial scans with known relative pose: what two walks of a scanner around or inside a shape would leave.

Everything follows from a seed and the number of the pair. Noise along the beam is 0.05 to 0.3 mm for what is a metre
and more in size and in proportion below; slow drift grows by :data:`DRIFT_MM_PER_M` with the distance from the middle
of a segment; a few points in a thousand lie off the surface.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

import overlap_scenes
import pair_shapes
from nightbay.core import rigid
from nightbay.core.native import open3d
from nightbay.orientation import normals

DRIFT_MM_PER_M = 0.1  # what the bench declares to the stage, too
VEHICLE_MM = 3000.0  # from this size on the limits and the drift's length are a vehicle's; below in proportion
SIZES_MM = (150.0, 6000.0)
POINTS = (4_000, 12_000)
OVERLAPS = (0.03, 0.88)  # drawn; what lies just outside of a view adds some 0.02
STEEPEST_COS = 0.17  # beyond an incidence of 80 degrees nothing comes back
PROBES = 2000  # points of a shape by which the viewpoints are chosen
WALKS = 24  # walks tried for the second segment
STARTS = 5  # first segments tried until the overlap is near the one that was drawn
CLOSE_ENOUGH = 0.03  # of the overlap to the drawn one
NEAR_SPACINGS = 2.0  # a point lies on the other's surface where that has a point so many spacings off
FACING = 0.5  # cosine of the angle between normals of the same facing


@dataclass(frozen=True)
class Walk:
    """A capture run: positions (k, 3) and where each looks at, (k, 3), in the shape's frame, and half the field of
    view, degrees."""

    position: np.ndarray
    aim: np.ndarray
    half_deg: float

    @property
    def axis(self):
        """Unit direction of each view, (k, 3)."""
        way = self.aim - self.position
        return way / np.linalg.norm(way, axis=1, keepdims=True)


@dataclass(frozen=True)
class Scan:
    """A segment. ``points`` and ``normal`` (n, 3): as measured, in the segment's frame, mm; ``true`` and
    ``true_normal``: where the surface is, in the control frame. ``certainty`` of estimated normals, None for measured
    ones. ``outlier`` (n,) bool."""

    name: str
    points: np.ndarray
    normal: np.ndarray
    certainty: float | None
    true: np.ndarray
    true_normal: np.ndarray
    outlier: np.ndarray
    T_control_segment: np.ndarray
    walk: Walk


@dataclass(frozen=True)
class Pair:
    """Two segments "a" and "b" of a shape.

    ``turns``: motions of the control frame that may map the shape onto itself; ``inside``: of a room, scanned from
    within; ``overlap``: share of the smaller segment's points that lie on the other's surface, from the truth.
    """

    index: int
    kind: str
    shape: str
    size_mm: float
    spacing_mm: float
    noise_mm: float
    a: Scan
    b: Scan
    turns: list
    inside: bool
    overlap: float
    caster: object

    @property
    def T_a_b(self):
        """The true pose of b in the frame of a."""
        return rigid.invert(self.a.T_control_segment) @ self.b.T_control_segment

    @property
    def scale(self):
        """The object's size over a vehicle's, 1 at most."""
        return min(1.0, self.size_mm / VEHICLE_MM)


def pair(seed, index, kind=None, meshes=()):
    """The pair of this number; ``kind`` of :data:`pair_shapes.KINDS`, else they take turns.

    ``meshes``: files that shapes of the kind "mesh" are drawn from, too.
    """
    rng = np.random.default_rng([seed, index])
    kinds = list(pair_shapes.KINDS)
    kind = kind or kinds[index % len(kinds)]
    measured = index // len(kinds) % 3 != 0  # so that every kind has its third without
    return pair_of(pair_shapes.draw(kind, rng, meshes), rng, index, kind, measured)


def pair_of(shape, rng, index, kind, measured):
    """A pair of scans of a shape about the origin; ``measured``: with normals of the scanner, else estimated ones."""
    low, high = (1200.0, SIZES_MM[1]) if shape.inside else SIZES_MM
    size_mm = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    factor = size_mm / shape.length
    caster = Caster(shape.vertices * factor, shape.faces)
    walks, expected = _walks(caster, shape.inside, rng.uniform(*OVERLAPS), rng)
    per_scan = np.exp(rng.uniform(np.log(POINTS[0]), np.log(POINTS[1])))
    count, spacing_mm = _density(caster, expected, per_scan, size_mm)
    noise_mm = rng.uniform(0.05, 0.3) * min(1.0, size_mm / 1000)
    scans = [
        scan(name, walk, caster, count, noise_mm, spacing_mm, (measured, shape.inside), rng)
        for name, walk in zip("ab", walks, strict=True)
    ]
    turns = [rigid.pose(turn[:3, :3], turn[:3, 3] * factor) for turn in shape.turns]
    overlap = shared(*scans, spacing_mm)[0]
    return Pair(index, kind, shape.name, size_mm, spacing_mm, noise_mm, *scans, turns, shape.inside, overlap, caster)


class Caster:
    """Samples the surface of triangles and looks along rays at them; vertices (n, 3) mm."""

    def __init__(self, vertices, faces):
        o3d = open3d()
        self._o3d = o3d
        self.scene = o3d.t.geometry.RaycastingScene(nthreads=1)
        self.scene.add_triangles(
            o3d.core.Tensor(np.ascontiguousarray(vertices, np.float32)),
            o3d.core.Tensor(np.ascontiguousarray(faces, np.uint32)),
        )
        self.corner = vertices[faces]
        across = np.cross(self.corner[:, 1] - self.corner[:, 0], self.corner[:, 2] - self.corner[:, 0])
        size = np.linalg.norm(across, axis=1)
        self.area = size / 2
        self.normal = across / np.maximum(size, 1e-12)[:, None]
        self.size_mm = float(np.ptp(vertices, axis=0).max())

    def sample(self, count, rng):
        """Points (count, 3) and normals, evenly at random over all faces."""
        total = np.cumsum(self.area)
        face = np.searchsorted(total, rng.random(count) * total[-1], side="right").clip(max=len(total) - 1)
        u, v = rng.random((2, count))
        over = u + v > 1
        u[over], v[over] = 1 - u[over], 1 - v[over]
        corner = self.corner[face]
        points = corner[:, 0] + u[:, None] * (corner[:, 1] - corner[:, 0]) + v[:, None] * (corner[:, 2] - corner[:, 0])
        return points, self.normal[face]

    def hit(self, position, way):
        """Distance (n,) to the first surface along unit directions, infinite where there is none."""
        rays = np.hstack([np.broadcast_to(position, way.shape), way]).astype(np.float32)
        return self.scene.cast_rays(self._o3d.core.Tensor(rays), nthreads=1)["t_hit"].numpy()

    def distance(self, points):
        """Distance (n,) of points from the nearest surface, mm."""
        return self.scene.compute_distance(self._o3d.core.Tensor(points.astype(np.float32)), nthreads=1).numpy()

    def seen(self, walk, points, normal):
        """Number (n,) of the first view that sees each point, -1 where none does."""
        by = np.full(len(points), -1)
        for at, (position, axis) in enumerate(zip(walk.position, walk.axis, strict=True)):
            rows = np.flatnonzero(by < 0)
            way = points[rows] - position
            depth = np.linalg.norm(way, axis=1)
            way /= np.maximum(depth, 1e-9)[:, None]
            fit = (way @ axis > np.cos(np.radians(walk.half_deg))) & (
                np.abs(np.sum(way * normal[rows], axis=1)) > STEEPEST_COS
            )
            rows, way, depth = rows[fit], way[fit], depth[fit]
            by[rows[self.hit(position, way) > depth - 2e-4 * self.size_mm]] = at
        return by


def _walks(caster, inside, wanted, rng):
    """Two walks whose overlap is near the wanted one, and the smaller share of the surface that one of them sees."""
    probes, normal = caster.sample(PROBES, rng)
    best = None
    for _ in range(STARTS):
        first = _first_walk(probes, inside, caster.size_mm, rng)
        side_a = _sides(caster, first, probes, normal)
        for step in range(WALKS):
            second = _other_walk(first, probes, inside, (step + 1) / WALKS, rng)
            side_b = _sides(caster, second, probes, normal)
            smaller = min(np.count_nonzero(side_a), np.count_nonzero(side_b))
            if smaller < PROBES // 50:
                continue
            off = abs(np.count_nonzero(side_a * side_b > 0) / smaller - wanted)
            if best is None or off < best[0]:
                best = off, (first, second), smaller / PROBES
        if best and best[0] < CLOSE_ENOUGH:
            break
    if best is None:
        return _walks(caster, inside, wanted, rng)
    return best[1:]


def _sides(caster, walk, probes, normal):
    """Which side of each probe a walk sees, (n,): 1 where the normal points, -1 the other, 0 none."""
    by = caster.seen(walk, probes, normal)
    return np.where(by < 0, 0.0, np.sign(np.sum((walk.position[by] - probes) * normal, axis=1)))


def _first_walk(probes, inside, size, rng):
    """Some positions along a path, with a field of view of its own."""
    count = int(rng.integers(1, 6))
    if inside:
        at = _clear(probes, size, rng, count)
        return Walk(at, at + _level(rng, count), rng.uniform(35, 60))
    way = rng.normal(size=3)
    across = np.cross(way, rng.normal(size=3))
    across /= np.linalg.norm(across)
    turns = Rotation.from_rotvec(np.linspace(0, np.radians(rng.uniform(20, 100)), count)[:, None] * across)
    position = turns.apply(way / np.linalg.norm(way)) * size * rng.uniform(0.9, 2.0)
    aim = probes[rng.integers(len(probes), size=count)] * rng.uniform(0.2, 0.9)
    return Walk(position, aim, rng.uniform(9, 32))


def _other_walk(walk, probes, inside, strength, rng):
    """A walk that differs from the first by as much as ``strength``, 0 to 1."""
    half_deg = walk.half_deg * rng.uniform(0.8, 1.25)
    if inside:
        turn = Rotation.from_euler("z", np.pi * strength * rng.uniform(-1, 1))
        size = float(np.ptp(probes, axis=0).max())
        other = _clear(probes, size, rng, len(walk.position))
        at = walk.position + (other - walk.position) * min(1.0, 1.5 * strength * rng.random())
        return Walk(at, at + turn.apply(walk.axis), min(half_deg, 65.0))
    axis = rng.normal(size=3)
    turn = Rotation.from_rotvec(np.pi * strength * axis / np.linalg.norm(axis))
    aim = probes[rng.integers(len(probes), size=len(walk.aim))] * 0.9
    aim = walk.aim + min(1.0, 2 * strength) * rng.random() * (aim - walk.aim)
    return Walk(turn.apply(walk.position), turn.apply(aim), half_deg)


def _clear(probes, size, rng, count):
    """Positions (count, 3) in the middle of a room, away from what stands in it."""
    tree = cKDTree(probes)
    span = np.ptp(probes, axis=0)
    tried = rng.uniform(-0.38, 0.38, (40 * count, 3)) * span
    far = tree.query(tried)[0]
    good = np.flatnonzero(far > 0.06 * size)
    if len(good) < count:
        good = np.argsort(-far, kind="stable")[:count]
    return tried[good[:count]]


def _level(rng, count):
    """Directions (count, 3) within a turn of 90 degrees, mostly level."""
    angle = rng.uniform(0, 2 * np.pi) + rng.uniform(-np.pi / 4, np.pi / 4, count)
    return np.column_stack([np.cos(angle), np.sin(angle), rng.normal(0, 0.35, count)])


def _density(caster, share, per_scan, size_mm):
    """Number of points over the whole surface, and their spacing, mm.

    The smaller scan has the drawn number where that is a spacing of size/400 to size/80, and never leaves POINTS.
    """
    area = float(caster.area.sum())
    spacing_mm = np.clip(np.sqrt(area * share / per_scan), size_mm / 400, size_mm / 80)
    spacing_mm = max(spacing_mm, np.sqrt(area * share / POINTS[1]))
    spacing_mm = min(spacing_mm, np.sqrt(area * share / POINTS[0]))
    return int(area / spacing_mm**2), float(spacing_mm)


def scan(name, walk, caster, count, noise_mm, spacing_mm, kind, rng):
    """What a walk measures of ``count`` points over all of the surface, as a :class:`Scan` in a frame of its own.

    ``kind``: whether its normals are measured, and whether it is a room's.
    """
    measured, inside = kind
    true, normal = caster.sample(count, rng)
    by = caster.seen(walk, true, normal)
    rows = np.flatnonzero(by >= 0)
    if len(rows) > 2 * POINTS[1]:
        rows = np.sort(rng.choice(rows, 2 * POINTS[1], replace=False))
    true, normal = true[rows], normal[rows]
    beam = true - walk.position[by[rows]]
    beam /= np.linalg.norm(beam, axis=1, keepdims=True)
    normal = np.where(np.sum(beam * normal, axis=1)[:, None] > 0, -normal, normal)
    scale = min(1.0, caster.size_mm / VEHICLE_MM)
    points = overlap_scenes.drifted(true / scale, rng, DRIFT_MM_PER_M) * scale
    points = points + beam * rng.normal(0, noise_mm, (len(points), 1))
    outlier = rng.random(len(points)) < rng.uniform(0, 0.004)
    points[outlier] += beam[outlier] * rng.normal(0, 0.02 * caster.size_mm, (int(outlier.sum()), 1))
    T = overlap_scenes.random_pose(rng)
    back = rigid.invert(T)
    points = rigid.transform(back, points)
    if measured:
        err_deg = rng.uniform(1, 8)
        given = rigid.rotate(back, normal) + rng.normal(0, np.radians(err_deg) / np.sqrt(2), normal.shape)
        given, certainty = given / np.linalg.norm(given, axis=1, keepdims=True), None
    else:
        given, certainty = _estimated(points, spacing_mm, walk, inside)
    return Scan(name, points, given, certainty, true, normal, outlier, T, walk)


def _estimated(points, spacing_mm, walk, inside):
    """Normals as intake estimates them: cells of two distances to the nearest neighbour, nodes of 2.5 cells.

    The stand-off is the config's, or less where the object is smaller than a vehicle.
    """
    distance = cKDTree(points).query(points, k=2)[0][:, 1]
    cell_mm = 2.0 * float(np.median(distance))
    standoff_mm = float(np.clip(np.ptp(points, axis=0).max(), 50.0, 600.0))
    found = normals.estimate(points, cell_mm, 2.5 * cell_mm, standoff_mm, inside)
    return found.normal.astype(float), found.certainty


def shared(a, b, spacing_mm, T=None):
    """Overlap of the truth where b is moved by ``T`` in the control frame: the share of the smaller segment's points on
    the other's surface, and the rows of a and of b that are."""
    T = np.eye(4) if T is None else T
    at, facing = rigid.transform(T, b.true), rigid.rotate(T, b.true_normal)
    rows_a = _near(a.true, a.true_normal, at, facing, spacing_mm)
    rows_b = _near(at, facing, a.true, a.true_normal, spacing_mm)
    share = rows_a.mean() if len(a.true) <= len(b.true) else rows_b.mean()
    return float(share), np.flatnonzero(rows_a), np.flatnonzero(rows_b)


def _near(points, normal, surface, surface_normal, spacing_mm):
    """Which points (n,) bool have surface of the same facing near them."""
    distance, nearest = cKDTree(surface).query(points, k=4, distance_upper_bound=NEAR_SPACINGS * spacing_mm)
    found = np.isfinite(distance)
    facing = np.einsum("nkj,nj->nk", surface_normal[np.where(found, nearest, 0)], normal)
    return np.any(found & (facing > FACING), axis=1)

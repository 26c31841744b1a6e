"""Scans any body as a hand-held structured-light scanner would: many near views along a path, and what goes wrong.

A scan is drawn in chunks that do not depend on each other, so that its size is not bounded by memory:

    scan = simulate.scan(body, viewpoints.side(body, "left", seed=1), points=3_000_000, noise_mm=0.1, seed=1)
    for points in scan.chunks(): ...        # or scan.all_points()

The faces are sampled evenly, each point is given one of the viewpoints that see its face, and a ray from there decides
whether it is seen. Errors are then laid along that ray.
"""

from dataclasses import dataclass, field, replace

import bodies
import numpy as np
import viewpoints as paths
from nightbay import rigid
from nightbay.native import open3d
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

LABELS = ("surface", "stray", "cluster", "ghost", "layer", "ground", "surroundings", "target")
SURFACE, STRAY, CLUSTER, GHOST, LAYER, GROUND, SURROUNDINGS, TARGET = range(len(LABELS))

# By material (paint, glass, trim, chrome, rubber, ground, surroundings, lining). Plausible values, no source.
KEPT = np.array([1.0, 0.02, 0.35, 0.25, 0.6, 0.35, 0.8, 1.0])  # share of points that come back at all
NOISIER = np.array([1.0, 4.0, 1.8, 3.0, 1.5, 1.5, 1.2, 1.0])  # their noise, against matt paint
MIRRORS = np.array([0.004, 0.05, 0.0, 0.03, 0.0, 0.0, 0.0, 0.0])  # share of points that come off a mirror image instead

VIEW_DEG = 24.0  # half the angle of view
DEEPEST_MM = 750.0
STEEPEST_COS = 0.26  # beyond an incidence of 75 degrees nothing comes back
FACE_MM = 60.0  # faces are cut to that size, so that what sees a face's middle sees about all of it
VIEWS_A_FACE = 6
GOLDEN = np.array([0.7548776662466927, 0.5698402909980532])  # M. Roberts' R2 sequence: even in the plane at any length


@dataclass(frozen=True)
class Faults:
    """What goes wrong in a scan; shares are of all its points."""

    strays: float = 0.003
    edges: float = 0.05  # share of points that are tried for a mixed reading across an edge
    clusters: float = 0.001
    cluster_points: tuple = (8, 150)
    mirrors: float = 1.0  # multiplies MIRRORS
    dropouts: bool = True
    normal_deg: float = 1.5  # standard deviation of a normal's direction
    layers_mm: tuple = ()  # tracking slips: each shifts a stretch of the path towards the scanner by so much
    layer_path_mm: float = 1500.0  # length of path that one slip spoils


PERFECT = Faults(strays=0, edges=0, clusters=0, mirrors=0, dropouts=False, normal_deg=0)


@dataclass(frozen=True)
class Points:
    """Points in the order of the file; ``xyz`` (n, 3) float64 and ``normals`` (n, 3) float32 in the raw frame,
    ``colour`` (n, 3) uint8 or None, ``label`` (n,) uint8, an index of :data:`LABELS`, ``view`` (n,) int32.

    Normals face the scanner. ``true_mm`` (n, 3) float64, vehicle frame, is the place that was measured before noise,
    drift and slips (for what is no surface: where the point would lie without drift).
    """

    xyz: np.ndarray
    normals: np.ndarray | None
    colour: np.ndarray | None
    label: np.ndarray
    view: np.ndarray
    true_mm: np.ndarray

    def __len__(self):
        return len(self.xyz)


@dataclass(frozen=True)
class Scan:
    """One simulated run. ``T_vehicle_segment`` maps its raw coordinates, once in mm, to the vehicle frame."""

    body: bodies.Body
    scene: bodies.Body  # the body, the ground and the surroundings, cut to small faces
    kind: np.ndarray  # (m,) label of a point on each face of the scene
    views: paths.Viewpoints
    candidates: np.ndarray  # (m, VIEWS_A_FACE) int32, viewpoints that see each face; the first `candidate_count` hold
    candidate_count: np.ndarray
    slip_mm: np.ndarray  # (v, 3) shift of each viewpoint by tracking slips
    drift_mm: np.ndarray  # (v, 3) error of each viewpoint's position
    turn_rad: np.ndarray  # (v, 3) error of its orientation
    T_vehicle_segment: np.ndarray
    points: int
    noise_mm: float
    seed: int
    faults: Faults
    normals: bool
    colour: bool
    targets: object = None
    unit_mm: float = 1.0
    chunk: int = 1_000_000
    caster: object = field(default=None, repr=False, compare=False)
    density: float = 0.0  # points drawn a mm2 of face, all chunks together

    def drifted(self, xyz_mm, view, slips=True):
        """Vehicle-frame points, (n, 3), as the drifting scanner places them from their viewpoints ``view``, (n,)."""
        shift = self.drift_mm[view] + (self.slip_mm[view] if slips else 0.0)
        return xyz_mm + shift + np.cross(self.turn_rad[view], xyz_mm - self.views.position_mm[view])

    def chunks(self):
        """The points, about ``chunk`` at a time, in a shuffled order."""
        count = max(1, round(self.points / self.chunk))
        clusters = _clusters(self)
        for number in range(count):
            yield _chunk(self, number, count, clusters)

    def all_points(self):
        """All points at once."""
        return join(list(self.chunks()))


def join(parts):
    """Chunks of points as one."""
    return Points(
        *(
            None if getattr(parts[0], name) is None else np.concatenate([getattr(one, name) for one in parts])
            for name in ("xyz", "normals", "colour", "label", "view", "true_mm")
        )
    )


def scan(
    body,
    views,
    *,
    points,
    noise_mm,
    seed,
    drift_mm_per_m=0.0,
    faults=None,
    normals=True,
    colour=False,
    targets=None,
    ground=True,
    surroundings=None,
    T_vehicle_segment=None,
    unit_mm=1.0,
    chunk=1_000_000,
):
    """Set up a scan of about ``points`` points of ``body`` from ``views``; draw them with :meth:`Scan.chunks`.

    ``noise_mm``: standard deviation along the beam on matt paint at right angles; it grows with 1 / cos(incidence).
    ``drift_mm_per_m``: how fast the scanner's pose walks away, against the distance from the start of the path.
    ``targets``: a ``survey.Targets`` whose stickers show in the points. ``ground``: whether there is a floor at Z = 0.
    ``surroundings``: another Body that stands near. ``T_vehicle_segment``: the raw frame, an arbitrary one by default.
    ``unit_mm``: millimetres in a unit of the raw file, 1000 for metres.
    """
    rng = np.random.default_rng([seed, 1])
    faults = faults or Faults()
    parts = [body] + ([bodies.ground(body.bounds_mm)] if ground else []) + ([surroundings] if surroundings else [])
    cut = [bodies.subdivide(part, FACE_MM) for part in parts]
    labels = [SURFACE] + ([GROUND] if ground else []) + ([SURROUNDINGS] if surroundings else [])
    scene = bodies.join(cut)
    kind = np.repeat(np.array(labels, np.uint8), [len(part.faces) for part in cut])
    caster = paths.caster(scene)
    candidates, count = _candidates(scene, views, caster, rng)
    drift, turn = _walk(views, drift_mm_per_m, rng)
    run = Scan(
        body=body,
        scene=scene,
        kind=kind,
        views=views,
        candidates=candidates,
        candidate_count=count,
        slip_mm=_slips(views, faults, rng),
        drift_mm=drift,
        turn_rad=turn,
        T_vehicle_segment=random_frame(rng) if T_vehicle_segment is None else T_vehicle_segment,
        points=points,
        noise_mm=noise_mm,
        seed=seed,
        faults=faults,
        normals=normals,
        colour=colour,
        targets=targets,
        unit_mm=unit_mm,
        chunk=chunk,
        caster=caster,
    )
    # a pilot tells how many of the points drawn come back, so that the asked number does
    area = _weights(run)[0].sum()
    if area == 0:
        raise ValueError("no viewpoint sees the body")
    pilot = replace(run, density=100_000 / area)
    share = len(_draw(pilot, np.random.default_rng([seed, 2]), 0, 1)[0]) / 100_000
    return replace(run, density=points * (1 - faults.clusters) / share / area)


def random_frame(rng):
    """An arbitrary rigid pose within a few metres."""
    return rigid.pose(Rotation.random(rng=rng).as_matrix(), rng.uniform(-3000, 3000, 3))


def geometry(scene):
    """Corner a, edges b - a and c - a, unit normal and area of each face."""
    a, b, c = (scene.vertices_mm[scene.faces[:, at]] for at in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    return a, b - a, c - a, cross / np.maximum(length, 1e-12)[:, None], length / 2


def _candidates(scene, views, caster, rng):
    """Viewpoints that see the middle of each face, at most VIEWS_A_FACE of the nearest: (m, k) int32, count (m,)."""
    a, ab, ac, normal, _ = geometry(scene)
    middle = a + (ab + ac) / 3
    tried = min(4 * VIEWS_A_FACE, len(views))
    _, near = cKDTree(views.aim_mm).query(middle, tried, workers=-1)
    near = near.reshape(len(middle), tried)
    good = np.zeros(near.shape, bool)
    for at in range(tried):
        rows = np.flatnonzero(good.sum(axis=1) < VIEWS_A_FACE)
        view = near[rows, at]
        _, _, fit = in_view(views, view, middle[rows], normal[rows])
        rows, view = rows[fit], view[fit]
        good[rows, at] = seen(caster, views.position_mm[view], middle[rows])
    order = np.argsort(~good, axis=1, kind="stable")[:, :VIEWS_A_FACE]
    return np.take_along_axis(near, order, axis=1).astype(np.int32), good.sum(axis=1)


def in_view(views, view, xyz_mm, normal):
    """Unit beam, cosine of the incidence, and whether the point lies in the view, not too deep and not too steep."""
    beam = xyz_mm - views.position_mm[view]
    depth = np.linalg.norm(beam, axis=1)
    beam /= depth[:, None]
    cosine = np.abs(np.einsum("ij,ij->i", beam, normal))
    ahead = np.einsum("ij,ij->i", beam, views.axis[view])
    return beam, cosine, (ahead > np.cos(np.radians(VIEW_DEG))) & (depth < DEEPEST_MM) & (cosine > STEEPEST_COS)


def seen(caster, position_mm, xyz_mm):
    """Whether nothing stands before the points, (n,) bool."""
    beam = xyz_mm - position_mm
    depth = np.linalg.norm(beam, axis=1)
    hit, _ = paths.cast(caster, position_mm, beam / depth[:, None])
    return hit > depth - 0.5


def _walk(views, drift_mm_per_m, rng):
    """Error of position (v, 3) mm and of orientation (v, 3) rad of each viewpoint.

    A smooth walk along the path, zero at its start; the root mean square of its length grows by ``drift_mm_per_m`` with
    the distance from there.
    """
    travelled = views.travelled_mm / max(views.travelled_mm[-1], 1.0)
    waves = np.arange(1, 4)
    phase, size = rng.uniform(0, 2 * np.pi, (3, 6)), rng.normal(0, 1, (3, 6))
    wave = np.sin(np.pi * waves[:, None, None] * travelled[:, None] + phase[:, None, :])
    smooth = np.einsum("wk,wvk->vk", size, wave) * np.sqrt(2 / len(waves) / 3)
    smooth *= drift_mm_per_m * views.reach_mm[:, None] / 1000
    return smooth[:, :3], smooth[:, 3:] / 3000.0  # as if the last metres of the path were its lever


def _slips(views, faults, rng):
    """Shift of each viewpoint by tracking slips, (v, 3) mm: whole stretches of the path, towards the scanner."""
    slip = np.zeros((len(views), 3))
    travelled = views.travelled_mm
    room = max(travelled[-1] - faults.layer_path_mm, 0.0)
    for number, size in enumerate(faults.layers_mm):
        start = room * (number + rng.uniform(0.2, 0.8)) / len(faults.layers_mm)
        stretch = (travelled >= start) & (travelled <= start + faults.layer_path_mm)
        towards = -views.axis[stretch].mean(axis=0)
        slip[stretch] = size * towards / np.linalg.norm(towards)
    return slip


def _weights(run):
    """Area of each face by the share of its points that come back, (m,), and the faces' geometry."""
    shape = geometry(run.scene)
    kept = KEPT[run.scene.material] if run.faults.dropouts else 1.0
    return shape[4] * kept * (run.candidate_count > 0), shape


def _draw(run, rng, number, count):
    """Points of one chunk that are seen: place (n, 3), face (n,), view (n,), beam (n, 3), depth (n,), cosine (n,)."""
    weight, (a, ab, ac, normal, _) = _weights(run)
    offset = np.random.default_rng([run.seed, 3]).random(len(weight))
    expected = weight * run.density / count
    first = np.floor(expected * number + offset).astype(np.int64)
    many = np.floor(expected * (number + 1) + offset).astype(np.int64) - first
    face = np.repeat(np.arange(len(weight)), many)
    nth = np.arange(len(face)) - np.repeat(np.cumsum(many) - many, many) + first[face]
    u, v = np.mod(nth[:, None] * GOLDEN + offset[face, None] * [1.0, 7.0], 1.0).T
    fold = u + v > 1
    u, v = np.where(fold, 1 - u, u), np.where(fold, 1 - v, v)
    order = rng.permutation(len(face))
    face, u, v = face[order], u[order], v[order]
    place = a[face] + u[:, None] * ab[face] + v[:, None] * ac[face]
    choice = (rng.random(len(face)) * np.minimum(run.candidate_count[face], VIEWS_A_FACE)).astype(np.int64)
    view = run.candidates[face, choice]
    beam, cosine, fit = in_view(run.views, view, place, normal[face])
    fit[fit] = seen(run.caster, run.views.position_mm[view[fit]], place[fit])
    place, face, view, beam, cosine = place[fit], face[fit], view[fit], beam[fit], cosine[fit]
    depth = np.linalg.norm(place - run.views.position_mm[view], axis=1)
    return place, face, view, beam, depth, cosine


def _chunk(run, number, count, clusters):
    rng = np.random.default_rng([run.seed, 4, number])
    place, face, view, beam, depth, cosine = _draw(run, rng, number, count)
    normal = geometry(run.scene)[3][face]
    normal *= -np.sign(np.einsum("ij,ij->i", normal, beam))[:, None]
    material = run.scene.material[face]
    label = run.kind[face].copy()
    noise = run.noise_mm / cosine * (NOISIER[material] if run.faults.dropouts else 1.0)
    lift = np.zeros(len(place))
    if run.targets is not None:
        on = _on_targets(run.targets, place)
        label[on] = TARGET
        noise[on] *= 2.0
        lift[on] = 0.1  # a sticker's thickness
    slipped = np.any(run.slip_mm[view] != 0, axis=1) & np.isin(label, (SURFACE, TARGET))
    label[slipped] = LAYER
    true = place.copy()
    ideal = place + lift[:, None] * normal
    for change in (_edges, _strays, _mirrors):
        rows, moved, what = change(run, rng, place, face, view, beam, depth, normal)
        ideal[rows], true[rows], label[rows] = moved, moved, what
    ideal += (rng.normal(0, 1, len(place)) * noise)[:, None] * beam
    seen = run.drifted(ideal, view)
    tilt = np.radians(run.faults.normal_deg)
    normal = normal + rng.normal(0, 1, normal.shape) * tilt
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    colour = run.scene.colour[face] * (0.35 + 0.65 * cosine)[:, None] + rng.normal(0, 4, place.shape)
    mine = clusters["at"] % count == number
    rows = [
        np.concatenate(pair)
        for pair in (
            (seen, clusters["xyz"][mine]),
            (normal, clusters["normal"][mine]),
            (colour, np.full((mine.sum(), 3), 120.0)),
            (label, np.full(mine.sum(), CLUSTER, np.uint8)),
            (view, clusters["view"][mine]),
            (true, clusters["xyz"][mine]),
        )
    ]
    order = rng.permutation(len(rows[0]))
    seen, normal, colour, label, view, true = (one[order] for one in rows)
    T_segment_vehicle = rigid.invert(run.T_vehicle_segment)
    return Points(
        rigid.transform(T_segment_vehicle, seen) / run.unit_mm,
        rigid.rotate(T_segment_vehicle, normal).astype(np.float32) if run.normals else None,
        np.clip(colour, 0, 255).astype(np.uint8) if run.colour else None,
        label,
        view.astype(np.int32),
        true,
    )


def _on_targets(targets, place):
    distance, nearest = cKDTree(targets.xyz_mm).query(
        place, distance_upper_bound=float(targets.diameter_mm.max()) / 2, workers=-1
    )
    hit = np.isfinite(distance)
    hit[hit] = distance[hit] <= targets.diameter_mm[nearest[hit]] / 2
    return hit


def _edges(run, rng, place, face, view, beam, depth, normal):
    """Mixed readings: a beam 2 mm wide, half of which passes an edge, gives a point between the two depths."""
    rows = np.flatnonzero(rng.random(len(place)) < run.faults.edges)
    aside = place[rows] + rng.normal(0, 1.0, (len(rows), 3)) - run.views.position_mm[view[rows]]
    second, _ = paths.cast(
        run.caster, run.views.position_mm[view[rows]], aside / np.linalg.norm(aside, axis=1)[:, None]
    )
    jump = second - depth[rows]
    share = rng.uniform(0.1, 0.9, len(rows))
    mixed = np.isfinite(second) & (np.abs(jump) > 6.0) & (np.abs(jump) < 250.0)
    rows = rows[mixed]
    return _free(run, rows, place[rows] + (share * jump)[mixed, None] * beam[rows], STRAY)


def _strays(run, rng, place, face, view, beam, depth, normal):
    """Stray reflections: points anywhere along the beam, most of them near the surface."""
    rows = np.flatnonzero(rng.random(len(place)) < run.faults.strays)
    along = np.exp(rng.uniform(np.log(2.0), np.log(300.0), len(rows))) * rng.choice([-1.0, 1.0], len(rows))
    return _free(run, rows, place[rows] + along[:, None] * beam[rows], STRAY)


def _mirrors(run, rng, place, face, view, beam, depth, normal):
    """Ghosts: what a glossy panel mirrors appears behind it, on the beam, as far on as the mirrored thing is away."""
    share = MIRRORS[run.scene.material[face]] * run.faults.mirrors
    rows = np.flatnonzero(rng.random(len(place)) < share)
    mirrored = beam[rows] - 2 * np.einsum("ij,ij->i", beam[rows], normal[rows])[:, None] * normal[rows]
    further, _ = paths.cast(run.caster, place[rows] + 0.5 * mirrored, mirrored)
    hit = np.isfinite(further) & (further > 5.0) & (further < 1500.0)
    rows = rows[hit]
    return _free(run, rows, place[rows] + further[hit, None] * beam[rows], GHOST)


def _free(run, rows, moved, what):
    """Only points that do not come to lie on some surface again: those would not be wrong."""
    if len(rows) == 0:
        return rows, moved, what
    distance = run.caster.compute_distance(open3d().core.Tensor(moved.astype(np.float32))).numpy()
    free = distance > max(1.5, 8 * run.noise_mm)
    return rows[free], moved[free], what


def _clusters(run):
    """Clumps of points between scanner and part: dict of xyz, normal, view, and number of the clump."""
    rng = np.random.default_rng([run.seed, 5])
    low, high = run.faults.cluster_points
    wanted = run.points * run.faults.clusters
    size = rng.integers(low, high + 1, max(1, round(wanted / ((low + high) / 2))) if wanted else 0)
    view = rng.integers(0, len(run.views), len(size))
    way = run.views.aim_mm[view] - run.views.position_mm[view]
    centre = run.views.position_mm[view] + rng.uniform(0.3, 0.85, len(size))[:, None] * way
    radius = rng.uniform(2.0, 12.0, len(size))
    if len(size):
        distance = run.caster.compute_distance(open3d().core.Tensor(centre.astype(np.float32))).numpy()
        apart = distance > 3 * radius + 20.0
        size, view, way, centre, radius = size[apart], view[apart], way[apart], centre[apart], radius[apart]
    at = np.repeat(np.arange(len(size)), size)
    spread = np.clip(rng.normal(0, 0.5, (len(at), 3)), -1.5, 1.5) * radius[at, None]
    back = -way[at] / np.linalg.norm(way[at], axis=1, keepdims=True) + rng.normal(0, 0.3, (len(at), 3))
    return {
        "xyz": centre[at] + spread,
        "normal": back / np.linalg.norm(back, axis=1, keepdims=True),
        "view": view[at],
        "at": at,
    }

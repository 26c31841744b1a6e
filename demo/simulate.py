"""Scans any body as a hand-held structured-light scanner would: many near views along a path, and what goes wrong.

A scan is drawn in chunks that do not depend on each other; memory does not bound its size:

    scan = simulate.scan(body, viewpoints.side(body, "left", seed=1), points=3_000_000, noise_mm=0.1, seed=1)
    for points in scan.chunks(): ...        # or scan.all_points()

The faces are sampled evenly, each point is given one of the viewpoints that see its face, and a ray from there decides
whether it is seen. Errors are then laid along that ray.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

import bodies
import sight
import viewpoints as paths
from nightbay.core import colour as tone
from nightbay.core import rigid
from scan_errors import (
    CLUSTER,
    GHOST,
    GROUND,
    KEPT,
    LABELS,
    LAYER,
    MIRRORS,
    NOISIER,
    PERFECT,
    STRAY,
    SURFACE,
    SURROUNDINGS,
    TARGET,
    Faults,
    Hits,
    clusters,
    edges,
    losses,
    mirrors,
    slips,
    strays,
    walk,
)

if TYPE_CHECKING:
    from survey import Targets

__all__ = [
    "CLUSTER",
    "GHOST",
    "GROUND",
    "KEPT",
    "LABELS",
    "LAYER",
    "MIRRORS",
    "PERFECT",
    "STRAY",
    "SURFACE",
    "SURROUNDINGS",
    "TARGET",
    "Faults",
    "Points",
    "Scan",
    "in_order",
    "join",
    "random_frame",
    "scan",
]

GOLDEN = np.array([0.7548776662466927, 0.5698402909980532])  # M. Roberts' R2 sequence: even in the plane at any length


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
    lost: np.ndarray  # (v, 4, 4) motion of each viewpoint's points by losses of track
    drift_mm: np.ndarray  # (v, 3) error of each viewpoint's position
    turn_rad: np.ndarray  # (v, 3) error of its orientation
    T_vehicle_segment: np.ndarray
    points: int
    noise_mm: float
    seed: int
    faults: Faults
    normals: bool
    colour: bool
    gain: tuple[float, float, float] | None = None  # of the light of red, green, blue; None: as the body's colours are
    targets: "Targets | None" = None
    unit_mm: float = 1.0
    chunk: int = 1_000_000
    caster: Any = field(default=None, repr=False, compare=False)
    density: float = 0.0  # points drawn a mm2 of face, all chunks together

    def drifted(self, xyz_mm: np.ndarray, view: np.ndarray, slips: bool = True) -> np.ndarray:
        """Vehicle-frame points, (n, 3), as the drifting scanner places them from their viewpoints ``view``, (n,)."""
        shift = self.drift_mm[view] + (self.slip_mm[view] if slips else 0.0)
        placed = xyz_mm + shift + np.cross(self.turn_rad[view], xyz_mm - self.views.position_mm[view])
        if slips and self.faults.losses:
            placed = np.einsum("nij,nj->ni", self.lost[view, :3, :3], placed) + self.lost[view, :3, 3]
        return placed

    def chunks(self) -> Iterator[Points]:
        """The points, about ``chunk`` at a time, in a shuffled order."""
        count = max(1, round(self.points / self.chunk))
        groups = clusters(self)
        for number in range(count):
            yield _chunk(self, number, count, groups)

    def all_points(self) -> Points:
        """All points at once."""
        return join(list(self.chunks()))


def join(parts: Sequence[Points]) -> Points:
    """Chunks of points as one."""
    return Points(
        *(
            None if getattr(parts[0], name) is None else np.concatenate([getattr(part, name) for part in parts])
            for name in ("xyz", "normals", "colour", "label", "view", "true_mm")
        )
    )


def in_order(points: Points) -> Points:
    """Points in the order in which they were captured, as some scanners export them: viewpoint after viewpoint."""
    order = np.argsort(points.view, kind="stable")
    columns = (getattr(points, name) for name in ("xyz", "normals", "colour", "label", "view", "true_mm"))
    return Points(*(None if column is None else column[order] for column in columns))


def scan(
    body: bodies.Body,
    views: paths.Viewpoints,
    *,
    points: int,
    noise_mm: float,
    seed: int,
    drift_mm_per_m: float = 0.0,
    faults: Faults | None = None,
    normals: bool = True,
    colour: bool = False,
    gain: tuple[float, float, float] | None = None,
    targets: "Targets | None" = None,
    ground: bool = True,
    surroundings: bodies.Body | None = None,
    T_vehicle_segment: np.ndarray | None = None,
    unit_mm: float = 1.0,
    chunk: int = 1_000_000,
) -> Scan:
    """Set up a scan of about ``points`` points of ``body`` from ``views``; draw them with :meth:`Scan.chunks`.

    ``noise_mm``: standard deviation along the beam on matt paint at right angles; it grows with 1 / cos(incidence).
    ``drift_mm_per_m``: how fast the scanner's pose walks away, against the distance from the start of the path.
    ``gain``: exposure and white balance of the run, factors of linear light; what they make too bright saturates.
    ``targets``: a ``survey.Targets`` whose stickers show in the points. ``ground``: whether there is a floor at Z = 0.
    ``surroundings``: another Body that stands near. ``T_vehicle_segment``: the raw frame, an arbitrary one by default.
    ``unit_mm``: millimetres in a unit of the raw file, 1000 for metres. ``chunk``: points a chunk, about.

    Raises ValueError where no viewpoint sees the body.
    """
    rng = np.random.default_rng([seed, 1])
    faults = faults or Faults()
    parts = [body] + ([bodies.ground(body.bounds_mm)] if ground else []) + ([surroundings] if surroundings else [])
    cut = [bodies.subdivide(part, sight.FACE_MM) for part in parts]
    labels = [SURFACE] + ([GROUND] if ground else []) + ([SURROUNDINGS] if surroundings else [])
    scene = bodies.join(cut)
    kind = np.repeat(np.array(labels, np.uint8), [len(part.faces) for part in cut])
    caster = paths.caster(scene)
    candidates, count = sight.candidates(scene, views, caster)
    drift, turn = walk(views, drift_mm_per_m, rng)
    run = Scan(
        body=body,
        scene=scene,
        kind=kind,
        views=views,
        candidates=candidates,
        candidate_count=count,
        slip_mm=slips(views, faults, rng),
        lost=losses(views, faults, np.random.default_rng([seed, 6])),
        drift_mm=drift,
        turn_rad=turn,
        T_vehicle_segment=random_frame(rng) if T_vehicle_segment is None else T_vehicle_segment,
        points=points,
        noise_mm=noise_mm,
        seed=seed,
        faults=faults,
        normals=normals,
        colour=colour,
        gain=gain,
        targets=targets,
        unit_mm=unit_mm,
        chunk=chunk,
        caster=caster,
    )
    # a pilot shows what share of the drawn points comes back; the density makes up for the rest
    area = _weights(run)[0].sum()
    if area == 0:
        raise ValueError("no viewpoint sees the body")
    pilot = replace(run, density=100_000 / area)
    share = len(_draw(pilot, np.random.default_rng([seed, 2]), 0, 1)[0]) / 100_000
    return replace(run, density=points * (1 - faults.clusters) / share / area)


def random_frame(rng: np.random.Generator) -> np.ndarray:
    """An arbitrary rigid pose, (4, 4), within a few metres."""
    return rigid.pose(Rotation.random(rng=rng).as_matrix(), rng.uniform(-3000, 3000, 3))


def _weights(run):
    """Area of each face by the share of its points that come back, (m,), and the faces' geometry."""
    shape = bodies.geometry(run.scene)
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
    choice = (rng.random(len(face)) * np.minimum(run.candidate_count[face], sight.VIEWS_A_FACE)).astype(np.int64)
    view = run.candidates[face, choice]
    beam, cosine, fit = sight.in_view(run.views, view, place, normal[face])
    fit[fit] = sight.seen(run.caster, run.views.position_mm[view[fit]], place[fit])
    place, face, view, beam, cosine = place[fit], face[fit], view[fit], beam[fit], cosine[fit]
    depth = np.linalg.norm(place - run.views.position_mm[view], axis=1)
    return place, face, view, beam, depth, cosine


def _chunk(run, number, count, groups):
    rng = np.random.default_rng([run.seed, 4, number])
    place, face, view, beam, depth, cosine = _draw(run, rng, number, count)
    normal = bodies.geometry(run.scene)[3][face]
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
    hits = Hits(place, face, view, beam, depth, normal)
    for fault in (edges, strays, mirrors):
        wrong = fault(run, rng, hits)
        ideal[wrong.rows], true[wrong.rows], label[wrong.rows] = wrong.place_mm, wrong.place_mm, wrong.label
    ideal += (rng.normal(0, 1, len(place)) * noise)[:, None] * beam
    seen = run.drifted(ideal, view)
    tilt = np.radians(run.faults.normal_deg)
    normal = normal + rng.normal(0, 1, normal.shape) * tilt
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    colour = run.scene.colour[face] * (0.35 + 0.65 * cosine)[:, None]
    if run.gain is not None:
        colour = tone.encoded_of(tone.light_of(colour) * run.gain)
    colour = colour + rng.normal(0, 4, place.shape)
    mine = groups["at"] % count == number
    rows = [
        np.concatenate(pair)
        for pair in (
            (seen, groups["xyz"][mine]),
            (normal, groups["normal"][mine]),
            (colour, np.full((mine.sum(), 3), 120.0)),
            (label, np.full(mine.sum(), CLUSTER, np.uint8)),
            (view, groups["view"][mine]),
            (true, groups["xyz"][mine]),
        )
    ]
    order = rng.permutation(len(rows[0]))
    seen, normal, colour, label, view, true = (column[order] for column in rows)
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

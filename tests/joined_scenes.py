"""A simulated van with an outside and a load bay, scanned apart, for the benchmark of join.

The van is scanned once, without errors (:func:`outside`, :func:`inside`); each draw takes a part of the points and
gives them drift and noise of its own, and frames that err as real ones do (:func:`scene`).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

import bodies
import loadbay
import open_van
import shell
import simulate
import viewpoints
from nightbay.core import rigid, target_noise, thinning
from nightbay.join.skin import Skin
from nightbay.matching.target_list import TargetList
from scan_errors import walk

NOISE_MM, TARGET_NOISE_MM = 0.1, 0.05
DRIFT_OUTSIDE, DRIFT_INSIDE = 0.03, 0.1  # mm/m that the scans have, as in the demo
DECLARED_INSIDE = 0.3  # mm/m that the join assumes of a part without targets
LENGTH_MM = 1500.0
STEP_MM = 260.0  # between viewpoints: fewer than in the demo, to save time
CHORD_MM = 4.0  # how closely faces follow the smooth body: both parts see the same faces
KEPT = 0.8  # share of the points that a draw takes
TARGETS = 24  # stuck round the aperture
Warp = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Run:
    """A run without errors: its path, points (n, 3) on surface with their normals, vehicle frame, and the viewpoint of
    each, (n,)."""

    views: viewpoints.Viewpoints
    true_mm: np.ndarray
    normals: np.ndarray
    view: np.ndarray

    def drawn(self, drift_mm_per_m: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Points (k, 3) and normals as another scanner on the same path would have recorded them."""
        rows = np.sort(rng.choice(len(self.view), round(KEPT * len(self.view)), replace=False))
        true, normals, view = self.true_mm[rows], self.normals[rows], self.view[rows]
        beam = true - self.views.position_mm[view]
        beam /= np.linalg.norm(beam, axis=1, keepdims=True)
        cosine = np.maximum(np.abs(np.sum(beam * normals, axis=1)), 0.25)  # steeper than 75 degrees nothing comes back
        seen = true + (rng.normal(0, NOISE_MM, len(rows)) / cosine)[:, None] * beam
        shift, turn = walk(self.views, drift_mm_per_m, rng)
        off = shift[view] + np.cross(turn[view], seen - self.views.position_mm[view])
        return seen + off, normals


@dataclass(frozen=True)
class Scene:
    """Outside and inside as scanned, each in a vehicle frame of its own; ``T_exterior_interior`` (4, 4) between those,
    the truth; target lists of both in these frames, with the same targets in the same rows; ``framed``: whether both
    vehicle frames know the floor and the plane of symmetry."""

    exterior: Skin
    interior: Skin
    T_exterior_interior: np.ndarray
    exterior_targets: TargetList
    interior_targets: TargetList
    framed: bool


def vehicle() -> bodies.Body:
    """The van without its rear doors."""
    return open_van.open_van(CHORD_MM)


def outside(body: bodies.Body, seed: int, points: int = 200_000) -> list[Run]:
    """Five runs round the body, the floor left out."""
    shares = {"left": 0.25, "right": 0.25, "front": 0.12, "rear": 0.2, "roof": 0.18}
    found = []
    for number, (name, share) in enumerate(shares.items()):
        views = viewpoints.side(body, name, seed=seed + number, step_mm=STEP_MM)
        if name == "rear":
            views = viewpoints.both(views, _round_the_aperture(body, seed, forward=True))
        found.append(_run(body, views, round(points * share), seed * 10 + number))
    return found


def inside(body: bodies.Body, seed: int, points: int = 140_000) -> list[Run]:
    """One run through the load bay that ends round the aperture."""
    bay = loadbay.load_bay(CHORD_MM, open_van.INNER)  # alone, for the scanner's path
    views = viewpoints.inside(bay, 1500.0, 4250.0, seed=seed)
    for forward in (False, True):
        views = viewpoints.both(views, _round_the_aperture(body, seed, forward))
    return [_run(body, views, points, seed * 10 + 7)]


def _round_the_aperture(body, seed, forward):
    return viewpoints.aperture(body, open_van.INNER, open_van.FLANGE_X, seed=seed, forward=forward)


def _run(body, views, points, seed):
    scan = simulate.scan(
        body, views, points=points, noise_mm=0.0, seed=seed, ground=False,
        faults=simulate.Faults(mirrors=0.0, strays=0.0), T_vehicle_segment=np.eye(4),
    )  # fmt: skip
    made = scan.all_points()
    good = np.isin(made.label, (simulate.SURFACE, simulate.TARGET))
    return Run(views, made.true_mm[good], made.normals[good].astype(np.float64), made.view[good])


def scene(
    outer: list[Run],
    inner: list[Run],
    seed: int,
    *,
    framed: bool = True,
    warp: Warp | None = None,
    exterior_sees: Warp | None = None,
    interior_sees: Warp | None = None,
) -> Scene:
    """The :class:`Scene` of a draw; every other seed has the interior's heading wrong.

    Without ``framed`` the interior's frame is any. ``warp`` moves points (n, 3) of the vehicle frame: the bay is
    another one. ``exterior_sees`` and ``interior_sees``: which points (n, 3) of that frame a part has, (n,) bool.
    """
    rng = np.random.default_rng([seed, 31])
    T_vehicle_exterior = rigid.pose(Rotation.from_rotvec(rng.normal(0, 1e-3, 3)).as_matrix(), rng.normal(0, 2, 3))
    turn = Rotation.from_rotvec(rng.normal(0, 3e-3, 3)) * Rotation.from_euler("z", 180 * (seed % 2), degrees=True)
    turn = turn if framed else Rotation.random(rng=rng)
    place = [rng.uniform(1000, 4000), rng.normal(0, 4), 620 + rng.normal(0, 3)]
    T_vehicle_interior = rigid.pose(turn.as_matrix(), place)
    T_exterior_vehicle, T_interior_vehicle = rigid.invert(T_vehicle_exterior), rigid.invert(T_vehicle_interior)
    exterior = _skin(outer, DRIFT_OUTSIDE, rng, exterior_sees, None, T_exterior_vehicle, 15.0, DRIFT_OUTSIDE)
    interior = _skin(inner, DRIFT_INSIDE, rng, interior_sees, warp, T_interior_vehicle, 12.0, DECLARED_INSIDE)
    stuck = targets(rng)
    lists = []
    for T, drift, name in (
        (T_exterior_vehicle, DRIFT_OUTSIDE, "control survey"),
        (T_interior_vehicle, DRIFT_INSIDE, "aft"),
    ):
        away = np.linalg.norm(stuck - stuck.mean(axis=0), axis=1)[:, None] / 1000
        wave = np.sin(stuck @ rng.normal(size=(3, 3)) / 1500 + rng.uniform(0, 6, 3)) * np.sqrt(2)
        at = stuck if warp is None or name == "control survey" else warp(stuck)
        at = at + drift * away * wave + rng.normal(0, TARGET_NOISE_MM, stuck.shape)
        at = rigid.transform(T, at)
        lists.append(TargetList(name, name, at, target_noise.covariance(at, TARGET_NOISE_MM, drift)))
    return Scene(exterior, interior, T_exterior_vehicle @ T_vehicle_interior, *lists, framed)


def targets(rng: np.random.Generator, count: int = TARGETS) -> np.ndarray:
    """Targets (n, 3) on the flange and the jamb of the aperture, vehicle frame."""
    outline = shell.grown(open_van.INNER, 20.0)
    along = np.linspace(0, len(outline), count, endpoint=False) + rng.uniform(0, 0.5, count)
    place = np.column_stack([np.interp(along, np.arange(len(outline)), outline[:, axis]) for axis in (0, 1)])
    jamb = rng.random(count) < 0.5
    inner = np.column_stack([np.interp(along, np.arange(len(outline)), open_van.INNER[:, axis]) for axis in (0, 1)])
    x = np.where(jamb, rng.uniform(4358, 4388, count), open_van.FLANGE_X)
    return np.column_stack([x, np.where(jamb[:, None], inner, place)])


def _skin(runs, drift, rng, sees, warp, T, spacing, declared):
    drawn = [run.drawn(drift, rng) for run in runs]
    points, normals = (np.concatenate(column) for column in zip(*drawn, strict=True))
    if sees is not None:
        there = sees(points)
        points, normals = points[there], normals[there]
    if warp is not None:  # a small stretch turns normals by as little as it turns short lines along them
        points, ends = warp(points), warp(points + normals)
        normals = (ends - points) / np.linalg.norm(ends - points, axis=1, keepdims=True)
    points, normals = rigid.transform(T, points), rigid.rotate(T, normals)
    rows = thinning.thin(points, spacing)
    return Skin(points[rows], normals[rows], spacing, NOISE_MM, declared, LENGTH_MM)

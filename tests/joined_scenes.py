"""Simulated vehicles with an outside and a load bay, scanned apart, for the tests and the benchmark of join."""

from dataclasses import dataclass
from functools import cache

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

NOISE_MM, TARGET_NOISE_MM = 0.1, 0.05
DRIFT_OUTSIDE, DRIFT_INSIDE = 0.03, 0.1  # mm/m that the scans have, as in the demo
DECLARED_INSIDE = 0.3  # mm/m that the join assumes of a part without targets
LENGTH_MM = 1500.0
STEP_MM = 260.0  # between viewpoints: fewer than in the demo, to save time
TARGETS = 24  # stuck round the aperture


@dataclass(frozen=True)
class Scene:
    """Outside and inside as scanned, each in a vehicle frame of its own; ``T_exterior_interior`` (4, 4) between those,
    the truth; target lists of both in these frames, with the same targets in the same rows."""

    exterior: Skin
    interior: Skin
    T_exterior_interior: np.ndarray
    exterior_targets: TargetList
    interior_targets: TargetList


@cache
def vehicle(chord_mm=1.0):
    """The van without its rear doors."""
    return open_van.open_van(chord_mm)


@cache
def bay(chord_mm=1.0):
    """Its load bay alone, for the scanner's path."""
    return loadbay.load_bay(chord_mm, open_van.INNER)


def stretched(body, wider_mm=0.0, longer_mm=0.0):
    """Another vehicle: wider by a length on either side, and longer behind the front axle."""
    moved = body.vertices_mm.copy()
    moved[:, 1] += np.sign(moved[:, 1]) * wider_mm * np.clip(np.abs(moved[:, 1]) / 400, 0, 1)
    moved[:, 0] += longer_mm * np.clip(moved[:, 0] / 4000, 0, 1)
    return bodies.Body(moved, body.faces, body.material, body.colour, body.dimensions_mm)


def outside(body, seed, points=160_000):
    """Points (n, 3) and normals of the outside in the vehicle frame, five runs with drift, the floor left out."""
    runs = {"left": 0.25, "right": 0.25, "front": 0.12, "rear": 0.2, "roof": 0.18}
    found = []
    for number, (name, share) in enumerate(runs.items()):
        views = viewpoints.side(body, name, seed=seed + number, step_mm=STEP_MM)
        if name == "rear":
            around = viewpoints.aperture(body, open_van.INNER, open_van.FLANGE_X, seed=seed, forward=True)
            views = viewpoints.both(views, around)
        found.append(_scan(body, views, round(points * share), DRIFT_OUTSIDE, seed * 10 + number))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))


def inside(body, seed, points=110_000):
    """Points (n, 3) and normals of the load bay in the vehicle frame, one run that ends round the aperture."""
    views = viewpoints.inside(bay(), 1500.0, 4250.0, seed=seed)
    for forward in (False, True):
        around = viewpoints.aperture(body, open_van.INNER, open_van.FLANGE_X, seed=seed, forward=forward)
        views = viewpoints.both(views, around)
    return _scan(body, views, points, DRIFT_INSIDE, seed * 10 + 7)


def _scan(body, views, points, drift, seed):
    scan = simulate.scan(
        body, views, points=points, noise_mm=NOISE_MM, seed=seed, drift_mm_per_m=drift, ground=False,
        faults=simulate.Faults(mirrors=0.0, strays=0.0), T_vehicle_segment=np.eye(4),
    )  # fmt: skip
    made = scan.all_points()
    good = np.isin(made.label, (simulate.SURFACE, simulate.TARGET))
    return made.xyz[good], made.normals[good].astype(np.float64)


def scene(outer, inner, seed, flipped=False):
    """The :class:`Scene` of scans :func:`outside` and :func:`inside`, in vehicle frames that err as real ones do.

    ``flipped``: the interior's heading is the wrong one.
    """
    rng = np.random.default_rng([seed, 31])
    T_vehicle_exterior = rigid.pose(Rotation.from_rotvec(rng.normal(0, 1e-3, 3)).as_matrix(), rng.normal(0, 2, 3))
    turn = Rotation.from_rotvec(rng.normal(0, 3e-3, 3)) * Rotation.from_euler("z", 180 * flipped, degrees=True)
    T_vehicle_interior = rigid.pose(
        turn.as_matrix(), [rng.uniform(1000, 4000), rng.normal(0, 4), 620 + rng.normal(0, 3)]
    )
    T_exterior_vehicle = rigid.invert(T_vehicle_exterior)
    T_interior_vehicle = rigid.invert(T_vehicle_interior)
    exterior = _skin(*outer, T_exterior_vehicle, 15.0, DRIFT_OUTSIDE)
    interior = _skin(*inner, T_interior_vehicle, 12.0, DECLARED_INSIDE)
    stuck = targets(rng)
    lists = []
    for T, drift, name in (
        (T_exterior_vehicle, DRIFT_OUTSIDE, "control survey"),
        (T_interior_vehicle, DRIFT_INSIDE, "aft"),
    ):
        away = np.linalg.norm(stuck - stuck.mean(axis=0), axis=1)[:, None] / 1000
        wave = np.sin(stuck @ rng.normal(size=(3, 3)) / 1500 + rng.uniform(0, 6, 3)) * np.sqrt(2)
        at = stuck + drift * away * wave + rng.normal(0, TARGET_NOISE_MM, stuck.shape)
        at = rigid.transform(T, at)
        lists.append(TargetList(name, name, at, target_noise.covariance(at, TARGET_NOISE_MM, drift)))
    return Scene(exterior, interior, T_exterior_vehicle @ T_vehicle_interior, *lists)


def targets(rng, count=TARGETS):
    """Targets (n, 3) on the flange and the jamb of the aperture, vehicle frame."""
    outline = shell.grown(open_van.INNER, 20.0)
    along = np.linspace(0, len(outline), count, endpoint=False) + rng.uniform(0, 0.5, count)
    place = np.column_stack([np.interp(along, np.arange(len(outline)), outline[:, axis]) for axis in (0, 1)])
    jamb = rng.random(count) < 0.5
    inner = np.column_stack([np.interp(along, np.arange(len(outline)), open_van.INNER[:, axis]) for axis in (0, 1)])
    x = np.where(jamb, rng.uniform(4358, 4388, count), open_van.FLANGE_X)
    return np.column_stack([x, np.where(jamb[:, None], inner, place)])


def _skin(points, normals, T, spacing, drift):
    points, normals = rigid.transform(T, points), rigid.rotate(T, normals)
    rows = thinning.thin(points, spacing)
    return Skin(points[rows], normals[rows], spacing, NOISE_MM, drift, LENGTH_MM)

"""What goes wrong in a simulated scan: drift, slips, mixed and stray readings, mirror images, clusters."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

import viewpoints as paths
from nightbay.core import rigid
from nightbay.core.native import open3d

if TYPE_CHECKING:
    from simulate import Scan

LABELS = ("surface", "stray", "cluster", "ghost", "layer", "ground", "surroundings", "target")
SURFACE, STRAY, CLUSTER, GHOST, LAYER, GROUND, SURROUNDINGS, TARGET = range(len(LABELS))

# By material (paint, glass, trim, chrome, rubber, ground, surroundings, lining). Plausible values, no source.
KEPT = np.array([1.0, 0.02, 0.35, 0.25, 0.6, 0.35, 0.8, 1.0])  # share of points that come back at all
NOISIER = np.array([1.0, 4.0, 1.8, 3.0, 1.5, 1.5, 1.2, 1.0])  # their noise, against matt paint
MIRRORS = np.array([0.004, 0.05, 0.0, 0.03, 0.0, 0.0, 0.0, 0.0])  # share of points that come off a mirror image instead


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
    losses: tuple = ()  # losses of track, each (share of the path, mm, degrees): what comes later is displaced for good


PERFECT = Faults(strays=0, edges=0, clusters=0, mirrors=0, dropouts=False, normal_deg=0)


class Hits(NamedTuple):
    """Points of a chunk that a viewpoint sees, vehicle frame, before any error.

    ``place_mm`` (n, 3); ``face`` (n,) and ``view`` (n,): numbers of face and viewpoint; ``beam`` (n, 3): unit vector
    from the viewpoint; ``depth_mm`` (n,): distance from it; ``normal`` (n, 3): unit vector, towards the viewpoint.
    """

    place_mm: np.ndarray
    face: np.ndarray
    view: np.ndarray
    beam: np.ndarray
    depth_mm: np.ndarray
    normal: np.ndarray


class Wrong(NamedTuple):
    """Wrong readings: rows of the hits that they replace, (k,), where they appear, (k, 3) mm, and their label."""

    rows: np.ndarray
    place_mm: np.ndarray
    label: int


def walk(views: paths.Viewpoints, drift_mm_per_m: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
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


def slips(views: paths.Viewpoints, faults: Faults, rng: np.random.Generator) -> np.ndarray:
    """Shift of each viewpoint by tracking slips, (v, 3) mm: whole stretches of the path, towards the scanner."""
    slip = np.zeros((len(views), 3))
    travelled = views.travelled_mm
    room = max(travelled[-1] - faults.layer_path_mm, 0.0)
    for number, size in enumerate(faults.layers_mm):
        start = room * (number + rng.uniform(0.2, 0.8)) / len(faults.layers_mm)
        stretch = (travelled >= start) & (travelled <= start + faults.layer_path_mm)
        if not stretch.any():
            continue  # the scanner was carried from one path to another meanwhile, and saw nothing
        towards = -views.axis[stretch].mean(axis=0)
        slip[stretch] = size * towards / np.linalg.norm(towards)
    return slip


def losses(views: paths.Viewpoints, faults: Faults, rng: np.random.Generator) -> np.ndarray:
    """Where each viewpoint's points are placed after losses of track, (v, 4, 4): rigid motions in the vehicle frame.

    A loss moves the view of its moment by its millimetres and turns it by its degrees, each in a random direction; all
    later viewpoints keep the motion.
    """
    placed = np.tile(np.eye(4), (len(views), 1, 1))
    travelled = views.travelled_mm
    for share, size_mm, angle_deg in faults.losses:
        shift, axis = rng.normal(size=(2, 3))
        first = int(np.searchsorted(travelled, share * travelled[-1]))
        turn = Rotation.from_rotvec(np.radians(angle_deg) * axis / np.linalg.norm(axis)).as_matrix()
        about = views.aim_mm[first]
        motion = rigid.pose(turn, about - turn @ about + size_mm * shift / np.linalg.norm(shift))
        placed[first:] = motion @ placed[first:]
    return placed


def edges(run: "Scan", rng: np.random.Generator, hits: Hits) -> Wrong:
    """Mixed readings: a beam 2 mm wide, half of which passes an edge, gives a point between the two depths."""
    place, view, beam = hits.place_mm, hits.view, hits.beam
    rows = np.flatnonzero(rng.random(len(place)) < run.faults.edges)
    aside = place[rows] + rng.normal(0, 1.0, (len(rows), 3)) - run.views.position_mm[view[rows]]
    second, _ = paths.cast(
        run.caster, run.views.position_mm[view[rows]], aside / np.linalg.norm(aside, axis=1)[:, None]
    )
    jump = second - hits.depth_mm[rows]
    share = rng.uniform(0.1, 0.9, len(rows))
    mixed = np.isfinite(second) & (np.abs(jump) > 6.0) & (np.abs(jump) < 250.0)
    rows = rows[mixed]
    return _free(run, rows, place[rows] + (share * jump)[mixed, None] * beam[rows], STRAY)


def strays(run: "Scan", rng: np.random.Generator, hits: Hits) -> Wrong:
    """Stray reflections: points anywhere along the beam, most of them near the surface."""
    place, beam = hits.place_mm, hits.beam
    rows = np.flatnonzero(rng.random(len(place)) < run.faults.strays)
    along = np.exp(rng.uniform(np.log(2.0), np.log(300.0), len(rows))) * rng.choice([-1.0, 1.0], len(rows))
    return _free(run, rows, place[rows] + along[:, None] * beam[rows], STRAY)


def mirrors(run: "Scan", rng: np.random.Generator, hits: Hits) -> Wrong:
    """Ghosts: a glossy panel shows its mirror image behind itself, on the beam, as far on as the object is from it."""
    place, beam, normal = hits.place_mm, hits.beam, hits.normal
    share = MIRRORS[run.scene.material[hits.face]] * run.faults.mirrors
    rows = np.flatnonzero(rng.random(len(place)) < share)
    mirrored = beam[rows] - 2 * np.einsum("ij,ij->i", beam[rows], normal[rows])[:, None] * normal[rows]
    further, _ = paths.cast(run.caster, place[rows] + 0.5 * mirrored, mirrored)
    hit = np.isfinite(further) & (further > 5.0) & (further < 1500.0)
    rows = rows[hit]
    return _free(run, rows, place[rows] + further[hit, None] * beam[rows], GHOST)


def _free(run: "Scan", rows: np.ndarray, moved: np.ndarray, label: int) -> Wrong:
    """The readings that do not lie on a surface again: those that do would not be wrong."""
    if len(rows) == 0:
        return Wrong(rows, moved, label)
    distance = run.caster.compute_distance(open3d().core.Tensor(moved.astype(np.float32))).numpy()
    free = distance > max(1.5, 8 * run.noise_mm)
    return Wrong(rows[free], moved[free], label)


def clusters(run: "Scan") -> dict[str, np.ndarray]:
    """Clusters of points between scanner and part.

    ``xyz`` (n, 3) mm, ``normal`` (n, 3), ``view`` (n,), and ``at`` (n,): the number of the cluster.
    """
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

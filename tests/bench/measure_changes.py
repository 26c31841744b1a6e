"""Changes that are found, changes that are none, and whether the map of uncertainty is right: on simulated scans.

    bash tests/bench/run.sh measure_changes [--seeds 11 12] [--points 300000] [--resolution 10]

Each vehicle is scanned twice, in four runs with noise, drift and pose errors drawn from the covariances that are
stated: as it is, and with a dent of 1 mm depth and 150 mm width in a door, in the bonnet and in the roof and a panel of
a door shifted by 0.7 mm. The changed scan is compared with the true body as its design, with the first scan as the
earlier one, and left against right; the first scan with its design and left against right too, where all that is found
is false. The demo's viewpoints see points spread evenly over the body, and its drift moves them; the runs are placed by
their true poses with the drawn errors. Clean and fill are left out: nothing is to be cleaned or filled. Last line: one
JSON object.
"""

import argparse
import json
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import yaml
from scipy.spatial import cKDTree

import bodies
import faults
import part_results
import shapes
import sight
import vehicles
import viewpoints
from nightbay.clouds import cloud
from nightbay.comparison import deviation, surface_fit
from nightbay.core import rigid
from nightbay.core.axes import DESIGN_GRID
from nightbay.frame.result import Bounds
from nightbay.fuse import fuse
from nightbay.measure import left_right, measured_shape, reference, surface_checks
from nightbay.measure.reference_mesh import Reference, place
from nightbay.meshes import sampling, surface, vertices
from nightbay.pipeline.settings import settings as frozen

ROOT = Path(__file__).resolve().parents[2]
RUNS = ("left", "right", "front", "rear")
NOISE_MM, DRIFT_MM_PER_M = 0.1, 0.03
SHIFT_SD_MM, TURN_SD_RAD = 0.05, 2e-5  # of a run's pose, at its middle
FRAME_SD_MM, FRAME_SD_DEG = 0.05, 0.003
DEPTH_MM, WIDTH_MM, PANEL_MM = 1.0, 150.0, 0.7
EDGE_MM = 10.0  # over which the panel's edge is bent in
MARGIN_MM = 60.0  # a patch that a change's edge crosses reaches out by as much
MEANS = ("design", "earlier scan", "left against right")
BODIES = {"compact": (vehicles.compact, shapes.COMPACT), "panel van": (vehicles.panel_van, shapes.VAN)}


@dataclass(frozen=True)
class Change:
    """A change of a body: its ``kind``, "dent" or "panel"; its middle, (3,); half its extent, (3,) mm for a panel or
    the radius of a dent."""

    kind: str
    at_mm: np.ndarray
    half_mm: np.ndarray

    def depth_mm(self, points_mm):
        """How far each point, (n, 3), is moved inwards."""
        if self.kind == "dent":
            away = np.linalg.norm(points_mm - self.at_mm, axis=1)
            return DEPTH_MM * np.where(away < WIDTH_MM / 2, (1 + np.cos(np.pi * away / (WIDTH_MM / 2))) / 2, 0.0)
        inside = (self.half_mm - np.abs(points_mm - self.at_mm)).min(axis=1)
        return PANEL_MM * np.clip(inside / EDGE_MM, 0.0, 1.0)

    def covers(self, points_mm, margin_mm=0.0):
        """Which points, (n, 3), it may have changed."""
        if self.kind == "dent":
            return np.linalg.norm(points_mm - self.at_mm, axis=1) < WIDTH_MM / 2 + margin_mm
        return np.all(np.abs(points_mm - self.at_mm) < self.half_mm + margin_mm, axis=1)

    def mirrored(self):
        """The change on the other side."""
        return replace(self, at_mm=self.at_mm * [1.0, -1.0, 1.0])


def changes_of(body, shape, random):
    """Three dents and a shifted panel at places of their own."""
    (x0, z0, x1, z1), rear = shape.doors[0], shape.doors[1]
    middle = np.array([(rear[0] + rear[2]) / 2, -shape.width / 2, (rear[1] + rear[3]) / 2 - 0.15 * (rear[3] - rear[1])])
    wanted = [
        ("dent", [random.uniform(x0 + 200, x1 - 200), shape.width / 2, z0 + 0.3 * (z1 - z0)], "side"),
        ("dent", [shape.bonnet[0][0] * 0.5, random.uniform(150, 400), 2000.0], "top"),
        ("dent", [shape.roof_peak + random.uniform(0, 200), -random.uniform(150, 350), 4000.0], "top"),
    ]
    tree = body.mesh.vertices
    found = []
    for kind, at, where in wanted:
        at = np.array(at)
        axis = [0, 1] if where == "top" else [0, 2]
        off = np.linalg.norm(tree[:, axis] - at[axis], axis=1)
        near = np.flatnonzero(off < off.min() + 30.0)
        outer = tree[near, 2] if where == "top" else tree[near, 1] * np.sign(at[1])
        found.append(Change(kind, tree[near[np.argmax(outer)]], np.full(3, WIDTH_MM / 2)))
    half = np.array([0.35 * (rear[2] - rear[0]), 250.0, 0.25 * (rear[3] - rear[1])])
    return [*found, Change("panel", middle, half)]


def changed(body, changes):
    """The body with the changes pressed in along its normals."""
    reach = np.zeros(len(body.faces), bool)
    corners = body.vertices_mm[body.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    for change in changes:
        half = change.half_mm + 20.0
        reach |= np.all((low < change.at_mm + half) & (high > change.at_mm - half), axis=1)
    near = bodies.subdivide(replace(body, faces=body.faces[reach], material=body.material[reach], colour=None), 8.0)
    normals = vertices.normals_of_all(near.vertices_mm, near.faces)
    depth = sum(change.depth_mm(near.vertices_mm) for change in changes)
    pressed = replace(near, vertices_mm=near.vertices_mm - depth[:, None] * normals)
    far = replace(body, faces=body.faces[~reach], material=body.material[~reach], colour=None)
    return bodies.join([far, pressed], body.dimensions_mm)


def scan(views, caster, points, normals, random):
    """What a run sees of points on a body, (n, 3), with their normals: the true places, the normals, and where the
    drifting scanner places them with noise."""
    drift, turn = faults.walk(views, DRIFT_MM_PER_M, random)
    _, near = cKDTree(views.aim_mm).query(points, sight.VIEWS_A_FACE)
    view = near[np.arange(len(points)), random.integers(0, near.shape[1], len(points))]
    beam, cosine, fit = sight.in_view(views, view, points, normals)
    fit &= np.einsum("ij,ij->i", beam, normals) < 0.0
    fit[fit] = sight.seen(caster, views.position_mm[view[fit]], points[fit])
    true, normals, view, beam, cosine = points[fit], normals[fit], view[fit], beam[fit], cosine[fit]
    placed = true + (random.normal(size=len(true)) * NOISE_MM / cosine)[:, None] * beam
    placed += drift[view] + np.cross(turn[view], placed - views.position_mm[view])
    return true, normals.astype(np.float32), placed


def shape_of(body, folder, seed, points, resolution_mm, values):
    """The measured shape of a body that was scanned, and the settings of measure as a body has them."""
    random = np.random.default_rng([seed, 7])
    cleaned, poses, bounds, fuse_poses = [], {}, {}, {}
    whole = surface.Surface(body.vertices_mm.astype(np.float32), body.faces)
    every, facing = sampling.oriented(whole, points)
    caster = viewpoints.caster(body)
    for number, name in enumerate(RUNS):
        views = viewpoints.side(body, name, seed=100 * seed + number, with_top=True)
        true, normals, xyz = scan(views, caster, every, facing, np.random.default_rng([seed, number, 5]))
        # targets hold a run where its mean drift is taken out; the stated covariance is of what is left
        T = rigid.fit(true[::20], xyz[::20])
        middle = true.mean(axis=0)
        sd = np.repeat([TURN_SD_RAD, SHIFT_SD_MM], 3)
        T = rigid.moved(T, random.normal(size=6) * sd, middle)
        origin = np.round(xyz.mean(axis=0))
        block = cloud.Cloud((xyz - origin).astype(np.float32), normals)
        cloud.write(folder / name, [block], origin, 500.0)
        result = {"kept": len(xyz), "normals_certainty": None}
        cleaned.append(SimpleNamespace(segment=name, part="exterior", folder=folder / name, result=result))
        poses[name] = part_results.pose(T, rigid.covariance_at_origin(np.diag(sd**2), middle))
        fuse_poses[name] = {"T_control_segment": T.tolist()}
        bounds[name] = Bounds(true.min(axis=0), true.max(axis=0))
    T_frame = rigid.moved(
        np.eye(4), random.normal(size=6) * np.repeat([np.radians(FRAME_SD_DEG), FRAME_SD_MM], 3), np.zeros(3)
    )
    upstream = {
        "clean": cleaned,
        "refine": SimpleNamespace(result={"poses": fuse_poses, "normal_orientation": {}, "scale": {"factor": 1.0}}),
        "frame": SimpleNamespace(result={"T_vehicle_control": T_frame.tolist()}),
    }
    (folder / "fuse").mkdir()
    fuse.fuse(upstream, {}, values, folder / "fuse", 1)
    model = surface.read_ply(folder / "fuse" / "surface.ply")
    frame = part_results.frame([0, 0, 0], [1, 1, 1], found_by=("wheels",) * 3, turn=FRAME_SD_DEG)
    for plane in ("x", "y", "z"):
        frame.zero_planes[plane] = replace(frame.zero_planes[plane], sd_mm=FRAME_SD_MM)
    frame.segments.clear()
    frame.segments.update(bounds)
    own = SimpleNamespace(
        surface=model,
        areas=vertices.areas(model),
        frame=frame,
        poses=poses,
        scan=SimpleNamespace(noise_mm=NOISE_MM, target_drift_mm_per_m=DRIFT_MM_PER_M),
        options=values.measure,
        axes=DESIGN_GRID,
    )
    return measured_shape.of(own, []), own


def areas_of(shape, own, against):
    """The changed areas by one of the MEANS: their points (n, 3), the area that each stands for, its area's number."""
    options = surface_checks.options_of(own, shape)
    limit_mm = own.options.comparison_limit_mm
    if against is None:
        found = left_right.compare(shape, float(own.axes.left), limit_mm, options)
    else:
        kind, mesh = against
        entry = {"file": "reference.ply", "units": "mm", "kind": kind, "align": "best"}
        measured = shape.sheet(shape.clusters.measured)
        placed = place(mesh.vertices_mm.astype(np.float64), mesh.faces, entry, measured, measured)
        if not isinstance(placed, Reference):
            raise SystemExit(f"refused: {placed.reason}")
        found = reference.deviations(shape, placed, entry, limit_mm, options)
    return found.compared.points_mm, found.compared.area_mm2, found.changes.area_of


def judge(found, changes):
    """Which of the changes are found, and the area, cm2, of what is listed and is none of them."""
    points, area, number = found
    near = np.zeros(len(points), bool)
    hits = []
    for change in changes:
        hits.append(bool(np.any((number > 0) & change.covers(points))))
        near |= change.covers(points, MARGIN_MM)
    return hits, float(area[(number > 0) & ~near].sum() / 100.0)


def coverage(shape, body):
    """Shares of the measured area whose true deviation keeps to the stated expanded uncertainty: of the shape, best
    fitted to the true body, and of coordinates in the vehicle frame."""
    clusters = shape.clusters
    true = surface.Surface(body.vertices_mm.astype(np.float32), body.faces)
    points, normals = sampling.oriented(true, 200_000)
    target = surface_fit.Sheet(points, normals, float(np.sqrt(surface.area_mm2(true) / len(points))))
    fit = surface_fit.fit(shape.sheet(clusters.measured), target, (20.0, 5.0))
    shares = []
    for T, sd in ((fit.T_target_points, shape.uncertainty.shape), (np.eye(4), shape.uncertainty.in_vehicle)):
        placed, facing = rigid.transform(T, clusters.points_mm), rigid.rotate(T, clusters.normals)
        off = deviation.signed(placed, facing, true, 25.0).value_mm
        known = clusters.measured & np.isfinite(off) & np.isfinite(sd)
        kept = np.abs(off[known]) <= 2.0 * sd[known]
        shares.append(float(clusters.area_mm2[known][kept].sum() / clusters.area_mm2[known].sum()))
    return shares


def measured(seeds=(11, 12), points=300_000, resolution_mm=10.0) -> dict:
    """The figures over all bodies and seeds."""
    own = yaml.safe_load((ROOT / "config" / "config.yaml").read_text(encoding="utf-8"))
    own["scan"] |= {"resolution_mm": resolution_mm, "noise_mm": NOISE_MM}
    values = frozen(own)
    hits = {means: {"dent": [], "panel": []} for means in MEANS}
    false_cm2 = {means: [] for means in MEANS}
    covered, in_vehicle = [], []
    for name, (make, shape) in BODIES.items():
        body = make()
        for seed in seeds:
            changes = changes_of(body, shape, np.random.default_rng([seed, 3]))
            pressed = changed(body, changes)
            with tempfile.TemporaryDirectory() as scratch:
                scans = {}
                for number, (key, each) in enumerate((("before", body), ("after", pressed))):
                    (folder := Path(scratch) / key).mkdir()
                    scans[key] = shape_of(each, folder, 1000 * number + seed, points, resolution_mm, values)
            for key, each in (("before", body), ("after", pressed)):
                shares = coverage(scans[key][0], each)
                covered.append(shares[0])
                in_vehicle.append(shares[1])
            design = surface.Surface(body.vertices_mm.astype(np.float32), body.faces)
            sides = [change.mirrored() if change.at_mm[1] > 0 else change for change in changes]
            earlier = scans["before"][0].surface
            for means, against, own_changes in (
                ("design", ("cad", design), changes),
                ("earlier scan", ("earlier scan", earlier), changes),
                ("left against right", None, sides),
            ):
                found, false = judge(areas_of(*scans["after"], against), own_changes)
                for change, hit in zip(changes, found, strict=True):
                    hits[means][change.kind].append(hit)
                false_cm2[means].append(false)
                if means != "earlier scan":
                    false_cm2[means].append(judge(areas_of(*scans["before"], against), [])[1])
                print(name, seed, means, found, [round(value, 1) for value in false_cm2[means][-2:]], flush=True)
            print(name, seed, "coverage", [round(value, 3) for value in (*covered[-2:], *in_vehicle[-2:])], flush=True)
    return {
        "found": {
            means: {kind: float(np.mean(values)) for kind, values in kinds.items()} for means, kinds in hits.items()
        },
        "changes_planted": sum(len(values) for values in hits["design"].values()),
        "false_area_cm2": {means: max(values) for means, values in false_cm2.items()},
        "false_area_mean_cm2": {means: float(np.mean(values)) for means, values in false_cm2.items()},
        "uncertainty_coverage_95": float(np.mean(covered)),
        "uncertainty_coverage_95_range": [min(covered), max(covered)],
        "uncertainty_coverage_95_in_vehicle": float(np.mean(in_vehicle)),
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[11, 12])
    parser.add_argument("--points", type=int, default=300_000)
    parser.add_argument("--resolution", type=float, default=10.0)
    options = parser.parse_args()
    print(json.dumps(measured(options.seeds, options.points, options.resolution), sort_keys=True))


if __name__ == "__main__":
    main()

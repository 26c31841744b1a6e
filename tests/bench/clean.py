"""How well clean tells a vehicle's surface from the rest, on a simulated segment with every point's label known.

A compact car's left side and half its top, 0.05 mm noise, strays, mixed readings at edges, clumps, mirror images, three
tracking slips. The last line is one JSON object:

- ``planted_removed``: share of strays, clumps and mirror images that are taken out; ``surface_removed``: share of the
  vehicle's own points that are, whatever the reason;
- ``layers_found``: of the area where both copies of the surface were seen and lie at least 0.5 mm apart along the
  normal, the share taken out or flagged; ``layers_false``: the same of the area without a second copy, by a slip or by
  drift;
- ``antenna_kept``: of the length of the 6 mm antenna that was seen, the share that stays;
- ``ground_kept``, ``surroundings_kept``: shares of their points that stay;
- ``cpu_s_per_million``: reading and writing included, compilation not; ``peak_gb`` of the process, the simulation
  included.
"""

import argparse
import json
import resource
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
import plyfile
import trimesh

import bodies
import simulate
import vehicles
import viewpoints
from nightbay.clean import clean
from nightbay.clean.result import Reason
from nightbay.clouds import cloud
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stage import Upstream

NOISE_MM = 0.05
SLIPS_MM = (0.6, 1.0, 2.0)
ROD_MM, ROD_LENGTH_MM, ROD_FOOT_MM = 6.0, 400.0, (1500.0, -300.0, 1480.0)  # an antenna on the roof
INTAKE = {"normals": "measured", "normals_certainty": None}
AREA_MM = 10.0  # areas are counted in cubes of that size
# Drift that places a surface twice makes copies as well. Clean tells sheets apart from five times the noise, which it
# measures to a fraction of it; from four on a flag is no false one.
DRIFT_COPY_MM = 4 * NOISE_MM
SETTINGS = settings(
    {
        "scan": {"noise_mm": NOISE_MM, "smallest_mm": 6.0},
        "clean": {"apart_mm": 100, "panel_mm": 2.0, "fewest_points": 1000},
    }
)


def simulated(points, seed):
    """Scan and its points."""
    rod = trimesh.creation.cylinder(radius=ROD_MM / 2, height=ROD_LENGTH_MM, sections=48)
    rod.apply_translation(np.add(ROD_FOOT_MM, (0, 0, ROD_LENGTH_MM / 2)))
    body = bodies.join([vehicles.compact(), bodies.of_mesh(rod, bodies.TRIM)])
    views = viewpoints.side(body, "left", seed=seed, with_top=True)
    trolley = bodies.box((-400, -1750, 20), (100, -1350, 700), bodies.SURROUNDINGS)
    scan = simulate.scan(
        body,
        views,
        points=points,
        noise_mm=NOISE_MM,
        seed=seed,
        drift_mm_per_m=0.03,
        surroundings=trolley,
        faults=simulate.Faults(layers_mm=SLIPS_MM),
    )
    return scan, scan.all_points()


def cleaned(points, folder):
    """Reason and flag of each point, in the order of the points; processor seconds of a second run."""
    origin = np.round(points.xyz.mean(axis=0))
    number = np.arange(len(points))  # carried in the colour: 24 bits are enough
    colour = np.column_stack([number >> 16, number >> 8 & 255, number & 255]).astype(np.uint8)
    block = cloud.Cloud((points.xyz - origin).astype(np.float32), points.normals, colour)
    source = cloud.write(folder / "intake", [block], origin, 500.0)
    upstream = {"intake": Upstream("intake", "job", "exterior", "left", "ok", [], [], INTAKE, folder / "intake")}
    for name in ("first", "second"):
        (folder / name).mkdir()
        begun = time.process_time()
        result = clean.clean(upstream, {}, SETTINGS, folder / name, 1)
        seconds = time.process_time() - begun
    for area in result["duplicate_layers"]:
        print(
            f"two copies over {area['area_mm2'] / 100:.0f} cm2, {area['apart_mm']:.2f} mm apart, kept: {area['kept']}"
        )
    reason, flag = np.full(len(points), 255, np.uint8), np.zeros(len(points), np.uint8)
    kept = cloud.CloudFile(folder / "second")
    kept = kept.block(0, len(kept))
    reason[_number(kept.colour)] = clean.KEPT
    if kept.flag is not None:
        flag[_number(kept.colour)] = kept.flag
    # removed points stand in the order of the working cloud
    everything = source.block(0, len(source))
    gone = reason[_number(everything.colour)] == 255
    removed = plyfile.PlyData.read(folder / "second" / "removed.ply")["vertex"].data
    reason[_number(everything.colour)[gone]] = removed["reason"]
    return reason, flag, seconds


def _number(colour):
    colour = colour.astype(np.int64)
    return (colour[:, 0] << 16) + (colour[:, 1] << 8) + colour[:, 2]


def layer_figures(scan, points, off):
    """Shares of area found and falsely found; ``off`` (n,) bool: taken out or flagged as a layer, or taken out at all
    where the point is of a slipped copy."""
    slip = scan.slip_mm[points.view] @ scan.T_vehicle_segment[:3, :3]
    along = np.abs(np.einsum("ij,ij->i", slip, points.normals))
    slipped = points.label == simulate.LAYER
    surface = np.isin(points.label, (simulate.SURFACE, simulate.TARGET))
    _, cube = np.unique(np.floor(points.true_mm / AREA_MM).astype(np.int64), axis=0, return_inverse=True)
    cube = cube.ravel()

    def count(which):
        return np.bincount(cube[which], minlength=cube.max() + 1)

    far = slipped & (along >= 0.5)
    both = (count(far) >= 3) & (count(surface) >= 3)
    found = (count(far & off) / np.maximum(count(far), 1))[both].mean()
    drift = (scan.drifted(points.true_mm, points.view, slips=False) - points.true_mm) @ scan.T_vehicle_segment[:3, :3]
    off_mm = np.einsum("ij,ij->i", drift, points.normals)[surface]
    low, high = np.full(cube.max() + 1, np.inf), np.full(cube.max() + 1, -np.inf)
    np.minimum.at(low, cube[surface], off_mm)
    np.maximum.at(high, cube[surface], off_mm)
    alone = (count(slipped) == 0) & (count(surface) >= 3)
    single = alone & (high - low < DRIFT_COPY_MM)
    false = (count(surface & off) / np.maximum(count(surface), 1))[single].mean()
    areas = (one.sum() for one in (both, alone & ~single, single))
    print("area with both copies {:.0f} cm2, drifted apart {:.0f} cm2, with one {:.0f} cm2".format(*areas))
    return found, false


def antenna_share(points, kept):
    """Share of the rod's seen length, in pieces as long as it is thick, in which most points stay."""
    from_foot = points.true_mm - np.array(ROD_FOOT_MM)
    on = (points.label == simulate.SURFACE) & (np.hypot(from_foot[:, 0], from_foot[:, 1]) < ROD_MM / 2 + 0.5)
    on &= (from_foot[:, 2] > 20.0) & (from_foot[:, 2] < ROD_LENGTH_MM)  # the lowest part stands in the roof
    piece = (from_foot[on, 2] / ROD_MM).astype(int)
    seen, left = np.bincount(piece), np.bincount(piece[kept[on]], minlength=piece.max() + 1)
    print(f"antenna: {on.sum()} points, {np.count_nonzero(seen)} pieces of {ROD_MM:.0f} mm seen")
    return np.mean(2 * left[seen > 0] >= seen[seen > 0])


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=3_000_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    scan, points = simulated(arguments.points, arguments.seed)
    folder = Path(tempfile.mkdtemp())
    try:
        reason, flag, seconds = cleaned(points, folder)
    finally:
        shutil.rmtree(folder)
    print("label          points  kept     " + " ".join(f"{name:>12}" for name in (reason.word for reason in Reason)))
    for label, name in enumerate(simulate.LABELS):
        mine = points.label == label
        if mine.any():
            by = np.bincount(reason[mine], minlength=len(Reason) + 1)
            print(f"{name:12} {mine.sum():8} {by[0] / mine.sum():.5f} " + " ".join(f"{one:12}" for one in by[1:]))
    kept = reason == clean.KEPT
    planted = np.isin(points.label, (simulate.STRAY, simulate.CLUSTER, simulate.GHOST))
    surface = np.isin(points.label, (simulate.SURFACE, simulate.TARGET))
    as_layer = (reason == Reason.DUPLICATE_LAYER) | (flag > 0)
    found, false = layer_figures(scan, points, as_layer | ((points.label == simulate.LAYER) & ~kept))
    figures = {
        "points": len(points),
        "planted_removed": np.mean(~kept[planted]),
        "surface_removed": np.mean(~kept[surface]),
        "layers_found": found,
        "layers_false": false,
        "antenna_kept": antenna_share(points, kept),
        "ground_kept": np.mean(kept[points.label == simulate.GROUND]),
        "surroundings_kept": np.mean(kept[points.label == simulate.SURROUNDINGS]),
        "cpu_s_per_million": seconds / len(points) * 1e6,
        "peak_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
    }
    print(json.dumps({name: round(float(value), 5) for name, value in figures.items()}))


if __name__ == "__main__":
    main()

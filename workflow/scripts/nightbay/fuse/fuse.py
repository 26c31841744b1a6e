"""The stage fuse: one open surface from all segments of a part, in the vehicle frame."""

import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from nightbay.core import native
from nightbay.core.errors import Rejected
from nightbay.core.rigid import transform
from nightbay.fuse import (
    boundary_trimming,
    dual_contouring,
    face_removal,
    signed_distance,
    tile_points,
    tile_stitching,
    vertex_projection,
)
from nightbay.meshes import surface
from nightbay.orientation import normal_orientation

TILE_CELLS = 128  # along a tile's edge; memory of a tile grows with it, points read twice shrink with it
BLOCK_CELLS = 16  # along the edge of the blocks in which the points are counted before the tiles are laid out
BLOCK_AREA = 0.9 * BLOCK_CELLS**2  # of a surface in a block that it crosses, on average over points and directions
MOST_BLOCKS = 200_000_000  # 0.8 GB of counts; a coach at 1 mm has 40 million, strays 19 m off all ways at 2 mm fill it
NEAREST = 1e-3  # grid units between vertices: at the end of the largest vehicle float32 still tells them apart
LONGEST_REACH = 4.0  # grid units; points farther apart than this bears do not carry the resolution asked for
ATTRIBUTES, COLOURS = ("count", "spread_mm", "confidence"), ("red", "green", "blue")  # of a vertex


@dataclass(frozen=True)
class Plan:
    """What every tile needs to know: lengths in grid units.

    ``tiles`` (n, 3) int64, in ascending order; ``spacing``: of the points of all segments together, median;
    ``longest``: greatest reach of a point in its tangent plane.
    """

    tiles: np.ndarray
    spacing: float
    longest: float
    count: int
    coloured: bool

    @property
    def halo(self):
        """Cells beyond a tile whose points it needs."""
        return (
            int(np.ceil(np.hypot(self.longest, signed_distance.BAND) + dual_contouring.MARGIN))
            + signed_distance.DENSITY_BLOCK
            + 1
        )


def fuse(upstream, sheet, settings, folder, threads):
    """Write ``surface.ply``, vehicle frame; see :mod:`nightbay.pipeline.stage` for the arguments."""
    resolution_mm = settings["scan"]["resolution_mm"]
    sources = _sources(upstream)
    plan = lay_out(sources, resolution_mm, settings["fuse"])
    print(f"{plan.count} points, spacing {plan.spacing * resolution_mm:.2f} mm, {len(plan.tiles)} tiles", flush=True)
    names = [one.name for one in sources]
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        scratch = Path(scratch)
        patches = tile_stitching.Patches(scratch, plan.tiles)
        coloured = work(sources, plan, settings, patches, threads)
        del sources  # and with them the pages of their files
        native.trim_heap()
        attributes = ATTRIBUTES + (COLOURS if plan.coloured else ())
        whole = tile_stitching.join(patches, attributes, NEAREST * resolution_mm)
        print(f"{len(whole.vertices_mm)} vertices, {len(whole.faces)} faces before specks", flush=True)
        if not len(whole.faces):
            raise Rejected(
                f"the {plan.count} points of {', '.join(names)} carry no surface at {resolution_mm} mm: they lie"
                f" {plan.spacing * resolution_mm:.1f} mm apart; set scan.resolution_mm to that"
            )
        coloured /= len(whole.vertices_mm)
        left, bare_mm2 = boundary_trimming.draw_back(whole)
        left, specks, specks_mm2 = face_removal.without_specks(left, settings["scan"]["smallest_mm"] ** 2)
        if not left.face_count:
            raise Rejected(
                f"no piece of the surface of {', '.join(names)} is larger than scan.smallest_mm"
                f" {settings['scan']['smallest_mm']} mm squared: check that the segments hold this part"
            )
        left.write(folder / "surface.ply", ["units mm", "frame vehicle"])
    gone = {"bare_area_mm2": bare_mm2, "specks": specks, "specks_area_mm2": specks_mm2}
    return _numbers(surface.open_ply(folder / "surface.ply"), plan, settings, gone, len(names), coloured)


def _sources(upstream):
    T_vehicle_control = np.array(upstream["frame"].result["T_vehicle_control"], dtype=np.float64)
    poses = upstream["refine"].result["poses"]
    sources = [
        tile_points.Source(
            one.segment,
            normal_orientation.cloud(one, upstream["refine"]),
            T_vehicle_control @ np.array(poses[one.segment]["T_control_segment"]),
        )
        for one in sorted(upstream["clean"], key=lambda one: one.segment)
    ]
    return [one for one in sources if len(one.cloud)]


def lay_out(sources, resolution_mm, settings):
    """Count the points in blocks and lay out the tiles: :class:`Plan`.

    Raises Rejected if there are no points, or if they lie so far apart that no vehicle can be meant.
    """
    if not sources:
        raise Rejected("no segment of the part has a point left after cleaning: check the parameters of clean")
    poses = [tile_points.grid_pose(one, resolution_mm) for one in sources]
    corners = np.concatenate(
        [
            transform(T, np.array([[bounds[(c >> k) & 1][k] for k in range(3)] for c in range(8)]))
            for one, T in zip(sources, poses, strict=True)
            for bounds in [(one.cloud.tiles["low_mm"].min(axis=0), one.cloud.tiles["high_mm"].max(axis=0))]
        ]
    )
    low = np.floor(corners.min(axis=0) / BLOCK_CELLS).astype(np.int64) - 1
    shape = np.ceil(corners.max(axis=0) / BLOCK_CELLS).astype(np.int64) + 2 - low
    if np.prod(shape.astype(np.float64)) > MOST_BLOCKS:
        extent_m = np.ptp(corners, axis=0) * resolution_mm / 1000
        raise Rejected(
            f"the segments together span {extent_m[0]:.1f} x {extent_m[1]:.1f} x {extent_m[2]:.1f} m, too far for"
            f" {resolution_mm} mm: check the poses and the strays that clean left"
        )
    counts = np.zeros(shape, np.int32)
    for one, T in zip(sources, poses, strict=True):
        for block in one.cloud.blocks():
            cell, place = np.empty((len(block), 3), np.int32), np.empty((len(block), 3), np.float32)
            tile_points.to_grid(block.xyz_mm, T, cell, place)
            tile_points.tally(cell, BLOCK_CELLS, low, counts)
    occupied = counts[counts > 0]
    order = np.argsort(occupied)
    middle = np.searchsorted(np.cumsum(occupied[order]), occupied.sum() / 2)  # of points, not of blocks
    spacing = float(np.sqrt(BLOCK_AREA / occupied[order[middle]]))
    longest = float(np.clip(settings["bridge"] * spacing, settings["smoothing"], LONGEST_REACH))
    pad = int(np.ceil(np.hypot(longest, signed_distance.BAND))) + 1
    block_low = (np.argwhere(counts > 0) + low) * BLOCK_CELLS
    bounds = [(block_low - pad) // TILE_CELLS, (block_low + BLOCK_CELLS + pad) // TILE_CELLS]
    touched = [np.column_stack([bounds[(c >> k) & 1][:, k] for k in range(3)]) for c in range(8)]
    tiles = np.unique(np.concatenate(touched), axis=0)
    coloured = any(one.cloud.attributes.count("colour") for one in sources)
    return Plan(tiles, spacing, longest, int(occupied.sum()), coloured)


def work(sources, plan, settings, patches, threads):
    """Let each tile of the plan leave what it adds among ``patches``; how many vertices got a colour."""

    def one(number):
        patch, vertex = tile(sources, plan, settings, number)
        coloured = np.count_nonzero(vertex.pop("coloured"))
        patches.save(number, patch, vertex)
        return coloured

    total, tenth = 0, -(-len(plan.tiles) // 10)
    with ThreadPoolExecutor(threads) as pool:
        for done, coloured in enumerate(pool.map(one, range(len(plan.tiles))), 1):
            total += coloured
            if done % tenth == 0:
                print(f"{done} of {len(plan.tiles)} tiles", flush=True)
    return total


def tile(sources, plan, settings, number):
    """One tile: ``(nightbay.fuse.dual_contouring.Patch, dict of vertex arrays)``."""
    own, scan = settings["fuse"], settings["scan"]
    resolution_mm, noise_mm = scan["resolution_mm"], scan["noise_mm"]
    points = tile_points.gather(
        sources, resolution_mm, plan.tiles[number], TILE_CELLS, plan.halo, own["undecided_weight"]
    )
    reach = signed_distance.reaches(
        points.cell, points.start, points.halo, points.edge, own["bridge"], own["smoothing"], plan.longest
    )
    field = signed_distance.field(points, reach, TILE_CELLS, dual_contouring.MARGIN)
    patch = dual_contouring.contour(field, TILE_CELLS, own["overhang"])
    found = vertex_projection.settle(
        patch, points, reach, plan.longest, len(sources), noise_mm / resolution_mm,
        np.cos(np.radians(own["crease_deg"])), own["agreement"],
    )  # fmt: skip
    vertex = {
        "xyz_mm": ((found["place"] + plan.tiles[number] * TILE_CELLS) * resolution_mm).astype(np.float32),
        "count": found["count"],
        "spread_mm": found["spread"] * np.float32(resolution_mm),
    }
    vertex["coloured"] = found["coloured"]
    vertex["normal"] = np.rint(127 * found["normal"]).astype(np.int8)
    vertex["confidence"] = confidence(found["count"], vertex["spread_mm"], found["doubt"], noise_mm)
    if plan.coloured:
        vertex |= dict(zip(COLOURS, found["colour"].T, strict=True))
    return patch, vertex


def confidence(count, spread_mm, doubt, noise_mm):
    """0..1 from (n,) arrays: how far a vertex is a measurement. A definition of our own, a product of three shares:

    count / (count + 3), half at three points; 1 / (1 + (spread / 3 noise)**2), half where the points lie three times as
    far apart as the scanner's noise explains; 1 - doubt / 2, half where no layer of a double surface could be chosen.
    """
    value = count / (count + 3) / (1 + (spread_mm / (3 * noise_mm)) ** 2) * (1 - doubt / 2)
    return value.astype(np.float32)


def _numbers(kept, plan, settings, gone, segments, coloured):
    resolution_mm = settings["scan"]["resolution_mm"]
    spacing_mm = plan.spacing * resolution_mm
    notes = []
    if spacing_mm > resolution_mm:
        notes.append(
            f"The points lie {spacing_mm:.1f} mm apart (median), wider than the surface grid of {resolution_mm} mm:"
            " detail finer than the points is not in the model."
        )
    count, spread_mm = kept.vertex["count"][:], kept.vertex["spread_mm"][:]
    return {
        "resolution_mm": resolution_mm,
        "points": plan.count,
        "segments": segments,
        "spacing_mm": spacing_mm,
        "reach_mm": plan.longest * resolution_mm,
        "tiles": len(plan.tiles),
        "vertices": len(kept.vertices_mm),
        "faces": len(kept.faces),
        "area_mm2": surface.area_mm2(replace(kept, vertices_mm=kept.vertices_mm[:])),
        **gone,
        "count_median": float(np.median(count)),
        "spread_median_mm": float(np.median(spread_mm)),
        "noise_median_mm": float(np.median(spread_mm / np.sqrt(np.maximum(count, 1)))),
        "confidence_median": float(np.median(kept.vertex["confidence"][:])),
        "coloured": coloured if plan.coloured else None,
        "notes": notes,
    }

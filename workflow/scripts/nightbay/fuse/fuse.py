"""The stage fuse: one open surface from all segments of a part, in the vehicle frame."""

import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

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
from nightbay.fuse.result import FuseResult
from nightbay.meshes import surface
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed

TILE_CELLS = 128  # along a tile's edge; memory of a tile grows with it, points read twice shrink with it
BLOCK_CELLS = 16  # along the edge of the blocks in which the points are counted before the tiles are laid out
BLOCK_AREA = 0.9 * BLOCK_CELLS**2  # of a surface in a block that it crosses, on average over points and directions
MOST_BLOCKS = 200_000_000  # 0.8 GB of counts; a coach at 1 mm has 40 million, strays 19 m off all ways at 2 mm fill it
NEAREST = 1e-3  # grid units between vertices: at the end of the largest vehicle float32 still tells them apart
LONGEST_REACH = 4.0  # grid units; points farther apart than this bears do not carry the resolution asked for
ATTRIBUTES, COLOURS = ("count", "spread_mm", "confidence"), ("red", "green", "blue")  # of a vertex


@dataclass(frozen=True)
class Parameters:
    """The parameters that the tiles need: of the section fuse of the settings, and two lengths of the section scan."""

    resolution_mm: float
    noise_mm: float
    smoothing: float
    bridge: float
    overhang: float
    crease_deg: float
    agreement: float
    undecided_weight: float

    @staticmethod
    def of(settings: Any) -> "Parameters":
        """From the settings of the stage."""
        own = {
            field.name: getattr(settings.fuse, field.name)
            for field in fields(Parameters)
            if not field.name.endswith("_mm")
        }
        return Parameters(settings.scan.resolution_mm, settings.scan.noise_mm, **own)


@dataclass(frozen=True)
class Plan:
    """All that a tile is worked out from, beside the clouds; it can be sent to another process.

    ``tiles`` (n, 3) int64, in ascending order; ``spacing``: median of the points of all segments together, grid units;
    ``longest``: greatest reach of a point in its tangent plane, grid units; ``count`` of the points; ``coloured``:
    whether any segment has colour.
    """

    parameters: Parameters
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
    resolution_mm = settings.scan.resolution_mm
    sources = _sources(upstream)
    plan = lay_out(sources, Parameters.of(settings))
    print(f"{plan.count} points, spacing {plan.spacing * resolution_mm:.2f} mm, {len(plan.tiles)} tiles", flush=True)
    names = [one.name for one in sources]
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        scratch = Path(scratch)
        patches = tile_stitching.Patches(scratch, plan.tiles)
        coloured = work(sources, plan, patches, threads)
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
        left, trimmed_mm2 = boundary_trimming.draw_back(whole)
        left, specks, specks_mm2 = face_removal.without_specks(left, settings.scan.smallest_mm**2)
        if not left.face_count:
            raise Rejected(
                f"no piece of the surface of {', '.join(names)} is larger than scan.smallest_mm"
                f" {settings.scan.smallest_mm} mm squared: check that the segments hold this part"
            )
        left.write(folder / "surface.ply", ["units mm", "frame vehicle"])
    removed = {"trimmed_area_mm2": trimmed_mm2, "specks": specks, "specks_area_mm2": specks_mm2}
    result = _result(surface.open_ply(folder / "surface.ply"), plan, settings, removed, len(names), coloured)
    return typed.write(result) | {"notes": _notes(result)}


def _sources(upstream):
    T_vehicle_control = np.array(upstream["frame"].result["T_vehicle_control"], dtype=np.float64)
    sources = [
        normal_orientation.open_posed(cleaned, upstream["refine"], T_vehicle_control)
        for cleaned in sorted(upstream["clean"], key=lambda cleaned: cleaned.segment)
    ]
    return [one for one in sources if len(one.cloud)]


def lay_out(sources, parameters):
    """Count the points in blocks and lay out the tiles: :class:`Plan`.

    Raises Rejected if there are no points, or if they lie so far apart that no vehicle can be meant.
    """
    if not sources:
        raise Rejected("no segment of the part has a point left after cleaning: check the parameters of clean")
    resolution_mm = parameters.resolution_mm
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
    longest = float(np.clip(parameters.bridge * spacing, parameters.smoothing, LONGEST_REACH))
    pad = int(np.ceil(np.hypot(longest, signed_distance.BAND))) + 1
    block_low = (np.argwhere(counts > 0) + low) * BLOCK_CELLS
    bounds = [(block_low - pad) // TILE_CELLS, (block_low + BLOCK_CELLS + pad) // TILE_CELLS]
    touched = [np.column_stack([bounds[(c >> k) & 1][:, k] for k in range(3)]) for c in range(8)]
    tiles = np.unique(np.concatenate(touched), axis=0)
    coloured = any(one.cloud.attributes.count("colour") for one in sources)
    return Plan(parameters, tiles, spacing, longest, int(occupied.sum()), coloured)


def work(sources, plan, patches, threads):
    """Let each tile of the plan leave what it adds among ``patches``; how many vertices got a colour."""

    def one(number):
        patch, vertex = tile(sources, plan, number)
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


def tile(sources, plan, number):
    """One tile: ``(nightbay.fuse.dual_contouring.Patch, dict of vertex arrays)``."""
    own = plan.parameters
    resolution_mm, noise_mm = own.resolution_mm, own.noise_mm
    points = tile_points.gather(sources, resolution_mm, plan.tiles[number], TILE_CELLS, plan.halo, own.undecided_weight)
    reach = signed_distance.reaches(
        points.cell, points.start, points.halo, points.edge, own.bridge, own.smoothing, plan.longest
    )
    field = signed_distance.field(points, reach, TILE_CELLS, dual_contouring.MARGIN)
    patch = dual_contouring.contour(field, TILE_CELLS, own.overhang)
    found = vertex_projection.settle(
        patch, points, reach, plan.longest, len(sources), noise_mm / resolution_mm,
        np.cos(np.radians(own.crease_deg)), own.agreement,
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


def _result(
    kept: surface.Surface, plan: Plan, settings: Any, removed: dict[str, Any], segments: int, coloured: float
) -> FuseResult:
    """``removed``: area and number of what trimming and the removal of specks took, by their names in the result."""
    count, spread_mm = kept.vertex["count"][:], kept.vertex["spread_mm"][:]
    return FuseResult(
        resolution_mm=settings.scan.resolution_mm,
        points=plan.count,
        segments=segments,
        spacing_mm=plan.spacing * settings.scan.resolution_mm,
        reach_mm=plan.longest * settings.scan.resolution_mm,
        tiles=len(plan.tiles),
        vertices=len(kept.vertices_mm),
        faces=len(kept.faces),
        area_mm2=surface.area_mm2(replace(kept, vertices_mm=kept.vertices_mm[:])),
        **removed,
        count_median=float(np.median(count)),
        spread_median_mm=float(np.median(spread_mm)),
        noise_median_mm=float(np.median(spread_mm / np.sqrt(np.maximum(count, 1)))),
        confidence_median=float(np.median(kept.vertex["confidence"][:])),
        coloured=coloured if plan.coloured else None,
    )


def _notes(result: FuseResult) -> list[str]:
    if result.spacing_mm <= result.resolution_mm:
        return []
    return [
        f"The points lie {result.spacing_mm:.1f} mm apart (median), wider than the surface grid of"
        f" {result.resolution_mm} mm: detail finer than the points is not in the model."
    ]

"""The stage fuse: one open surface from all segments of a part, in the vehicle frame."""

import tempfile
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import colour, native
from nightbay.core.errors import Rejected
from nightbay.fuse import (
    boundary_trimming,
    colour_blend,
    colour_match,
    colour_patches,
    dual_contouring,
    face_removal,
    signed_distance,
    tile_plan,
    tile_points,
    tile_stitching,
    vertex_projection,
)
from nightbay.fuse.colour_blend import Blend
from nightbay.fuse.result import ColourMatch, FuseResult
from nightbay.fuse.tile_plan import Parameters, Plan
from nightbay.meshes import surface
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.stance import left_out

NEAREST = 1e-3  # grid units between vertices; float32 still separates them at the end of the largest vehicle
ATTRIBUTES, COLOURS = ("count", "spread_mm", "confidence"), ("red", "green", "blue")  # of a vertex
GREY = 128  # byte of a vertex without coloured points


def fuse(upstream: Mapping[str, Any], sheet: Any, settings: Any, folder: Path, threads: int) -> dict[str, Any]:
    """Write ``surface.ply`` in the vehicle frame and return its :class:`FuseResult` and notes.

    :mod:`nightbay.pipeline.stage` describes the arguments. Raises Rejected if the points make no surface.
    """
    resolution_mm = settings.scan.resolution_mm
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        sources = read_sources(upstream, Path(scratch) / "sources")
        plan = tile_plan.plan_tiles(sources, Parameters.of(settings))
        spacing_mm = plan.spacing * resolution_mm
        print(f"{plan.count} points, spacing {spacing_mm:.2f} mm, {len(plan.tiles)} tiles", flush=True)
        names = [source.name for source in sources]
        blend, matched = match_colours(sources, plan, settings.fuse)
        patches = tile_stitching.Patches(Path(scratch), plan.tiles)
        coloured = process_tiles(sources, plan, blend, patches, threads)
        del sources  # releases the mapped pages of their files
        native.trim_heap()
        attributes = ATTRIBUTES + (COLOURS if blend else ())
        whole = tile_stitching.stitch(patches, attributes, NEAREST * resolution_mm)
        print(f"{len(whole.vertices_mm)} vertices, {len(whole.faces)} faces before trimming", flush=True)
        if not len(whole.faces):
            raise Rejected(
                f"the {plan.count} points of {', '.join(names)} define no surface at {resolution_mm} mm: they lie"
                f" {spacing_mm:.1f} mm apart; set scan.resolution_mm to that"
            )
        share = coloured / len(whole.vertices_mm)
        removed = _clean_up(whole, names, settings.scan.smallest_mm, folder / "surface.ply")
    kept = surface.open_ply(folder / "surface.ply")
    result = replace(_result(kept, plan, len(names), removed), coloured=share if blend else None, colour=matched)
    return typed.write(result) | {"notes": _notes(result)}


def read_sources(upstream: Mapping[str, Any], folder: Path) -> list[PosedSegment]:
    """The segments that have points, in order of their names.

    Points that frame marked as left out are not among them: of such a segment the others are written to ``folder``.
    """
    framed = upstream["frame"]
    T_vehicle_control = np.array(framed.result["T_vehicle_control"], dtype=np.float64)
    sources = [
        normal_orientation.open_posed(cleaned, upstream["refine"], T_vehicle_control)
        for cleaned in normal_orientation.placed(upstream["clean"], upstream["refine"])
    ]
    marked = left_out.segments(framed.result)
    left = [left_out.without(source, framed.folder, folder) if source.name in marked else source for source in sources]
    return [source for source in left if len(source.cloud)]


def match_colours(sources: list[PosedSegment], plan: Plan, own: Any) -> tuple[Blend | None, ColourMatch | None]:
    """How the colours of the segments are blended, and the numbers of their match; None where no segment has colour."""
    spacing_mm = plan.spacing * plan.parameters.resolution_mm
    patch_mm = colour_patches.edge_mm(plan.count, spacing_mm, sources)
    matched = colour_match.match(sources, patch_mm, own.match_colours)
    if matched is None:
        return None, None
    return colour_blend.plan(sources, matched, spacing_mm, own.colour_blend_mm), matched.result


def process_tiles(
    sources: list[PosedSegment], plan: Plan, blend: Blend | None, patches: tile_stitching.Patches, threads: int
) -> int:
    """Save the patches of all tiles of the plan; returns the number of vertices that have a colour."""

    def process(number: int) -> int:
        patch, vertex = tile(sources, plan, blend, number)
        coloured = int(np.count_nonzero(vertex.pop("coloured")))
        patches.save(number, patch, vertex)
        return coloured

    total, tenth = 0, -(-len(plan.tiles) // 10)
    with ThreadPoolExecutor(threads) as pool:
        for done, coloured in enumerate(pool.map(process, range(len(plan.tiles))), 1):
            total += coloured
            if done % tenth == 0:
                print(f"{done} of {len(plan.tiles)} tiles", flush=True)
    return total


def tile(
    sources: list[PosedSegment], plan: Plan, blend: Blend | None, number: int
) -> tuple[dual_contouring.Patch, dict[str, np.ndarray]]:
    """The patch of one tile, and by name the arrays of its own vertices.

    These are ``xyz_mm`` (n, 3) float32 in the vehicle frame, ``normal`` (n, 3) int8 of length 127 or zero, the
    attributes of :data:`ATTRIBUTES` and, if there is a ``blend``, of :data:`COLOURS`, and ``coloured`` (n,) bool.
    """
    parameters = plan.parameters
    resolution_mm, noise_mm = parameters.resolution_mm, parameters.noise_mm
    points = tile_points.gather(
        sources, resolution_mm, plan.tiles[number], tile_plan.TILE_CELLS, plan.halo, parameters.undecided_weight
    )
    reach = signed_distance.reaches(points, parameters.sparse_reach, parameters.smoothing, plan.longest)
    field = signed_distance.field(points, reach, tile_plan.TILE_CELLS, dual_contouring.MARGIN)
    patch = dual_contouring.contour(field, tile_plan.TILE_CELLS, parameters.overhang)
    criteria = vertex_projection.Criteria(
        plan.longest,
        noise_mm / resolution_mm,
        np.cos(np.radians(parameters.crease_deg)),
        parameters.agreement,
        len(sources),
    )
    tone = _tone(patch, points, blend, plan, number)
    found = vertex_projection.project_vertices(patch, points, reach, criteria, tone)
    spread_mm = found.spread * np.float32(resolution_mm)
    vertex = {
        "xyz_mm": ((found.position + plan.tiles[number] * tile_plan.TILE_CELLS) * resolution_mm).astype(np.float32),
        "normal": np.rint(127 * found.normal).astype(np.int8),
        "count": found.effective_count,
        "spread_mm": spread_mm,
        "confidence": confidence(found.effective_count, spread_mm, found.undecided, noise_mm),
        "coloured": found.coloured,
    }
    if blend:
        painted = np.where(found.coloured[:, None], colour.bytes_of(found.light), np.uint8(GREY))
        vertex |= dict(zip(COLOURS, painted.T, strict=True))
    return patch, vertex


def _tone(
    patch: dual_contouring.Patch, points: tile_points.TilePoints, blend: Blend | None, plan: Plan, number: int
) -> vertex_projection.Tone:
    """How the colours of a tile's points become light at its vertices; empty arrays without a ``blend``."""
    if blend is None:
        return vertex_projection.Tone(*(np.empty((0,) * axes, np.float32) for axes in (3, 3, 2, 2)))
    xyz_mm = (patch.position + plan.tiles[number] * tile_plan.TILE_CELLS) * plan.parameters.resolution_mm
    segments = np.unique(points.segment[points.coloured])
    return vertex_projection.Tone(blend.light, blend.trust, *blend.at(xyz_mm, segments))


def confidence(count: np.ndarray, spread_mm: np.ndarray, undecided: np.ndarray, noise_mm: float) -> np.ndarray:
    """Confidence in a vertex, 0..1, (n,) float32 from (n,) arrays; our own definition, the product of three shares:

    count / (count + 3), half at three points; 1 / (1 + (spread / 3 noise)**2), half where the points scatter three
    times as much as the scanner's noise explains; 1 - undecided / 2, half where no layer of a double surface could be
    chosen.
    """
    value = count / (count + 3) / (1 + (spread_mm / (3 * noise_mm)) ** 2) * (1 - undecided / 2)
    return value.astype(np.float32)


def _clean_up(whole: surface.Surface, names: list[str], smallest_mm: float, path: Path) -> dict[str, Any]:
    """Trim margins, remove specks and write the rest; returns the removed areas and counts, named as in the result."""
    left, trimmed_mm2 = boundary_trimming.trim(whole)
    left, specks, specks_mm2 = face_removal.remove_specks(left, smallest_mm**2)
    if not left.face_count:
        raise Rejected(
            f"no piece of the surface of {', '.join(names)} is larger than scan.smallest_mm"
            f" {smallest_mm} mm squared: check that the segments hold this part"
        )
    left.write(path, ["units mm", "frame vehicle"])
    return {"trimmed_area_mm2": trimmed_mm2, "specks": specks, "specks_area_mm2": specks_mm2}


def _result(kept: surface.Surface, plan: Plan, segments: int, removed: dict[str, Any]) -> FuseResult:
    resolution_mm = plan.parameters.resolution_mm
    count, spread_mm = kept.vertex["count"][:], kept.vertex["spread_mm"][:]
    return FuseResult(
        resolution_mm=resolution_mm,
        points=plan.count,
        segments=segments,
        spacing_mm=plan.spacing * resolution_mm,
        reach_mm=plan.longest * resolution_mm,
        tiles=len(plan.tiles),
        vertices=len(kept.vertices_mm),
        faces=len(kept.faces),
        area_mm2=surface.area_mm2(replace(kept, vertices_mm=kept.vertices_mm[:])),
        **removed,
        count_median=float(np.median(count)),
        spread_median_mm=float(np.median(spread_mm)),
        noise_median_mm=float(np.median(spread_mm / np.sqrt(np.maximum(count, 1)))),
        confidence_median=float(np.median(kept.vertex["confidence"][:])),
        coloured=None,
        colour=None,
    )


def _notes(result: FuseResult) -> list[str]:
    notes = colour_match.notes_of(result.colour) if result.colour else []
    if result.spacing_mm <= result.resolution_mm:
        return notes
    return notes + [
        f"The points lie {result.spacing_mm:.1f} mm apart (median), wider than the surface grid of"
        f" {result.resolution_mm} mm: detail finer than the points is not in the model."
    ]

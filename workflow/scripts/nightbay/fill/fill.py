"""Stage fill: closes the small gaps of a surface, marks the faces that it adds, and lists the openings that it leaves.

The measured surface is read a block at a time; only the zone around its boundaries is held in memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core.axes import axes
from nightbay.fill import gaps, mirrored_side, patch, patch_fairing, patch_quality
from nightbay.fill.gaps import Shapes
from nightbay.fill.patch import Patches
from nightbay.fill.result import FillResult, Opening, OpeningsTotal
from nightbay.frame.result import FrameResult
from nightbay.fuse.result import FuseResult
from nightbay.meshes import surface, topology
from nightbay.meshes.surface import Surface
from nightbay.meshes.topology import Loops
from nightbay.pipeline import typed

RINGS = 3  # rings of measured vertices around a gap that its patch continues: enough to average noise, still local
LISTED = 200  # openings that are listed one by one; the rest is counted
OUTLINED = 60  # of these, the largest that carry points of their boundary: more can't be told apart in a picture
OUTLINE_POINTS = 64  # of a boundary, evenly along it: enough to draw it on a picture of the whole vehicle
COMMENTS = ("units mm", "frame vehicle", "filled 1: made up, not measured")  # of the surface's file
NOT_MIRRORED = (
    "No side was mirrored, because the frame has no symmetry plane: scan parts of the other side too, such as front, "
    "rear and roof."
)
NO_UNCERTAINTY = "a filled face continues the surface around it and was not measured"


def fill(upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int) -> dict:
    """Write ``surface.ply`` in the vehicle frame, its faces marked ``filled`` 0 or 1, and return a :class:`FillResult`.

    Where ``sheet`` names a side to mirror, its image is added, marked as filled. :mod:`nightbay.pipeline.stage`
    describes the arguments.
    """
    fused = typed.read(FuseResult, upstream["fuse"].result)
    measured = surface.open_ply(upstream["fuse"].folder / "surface.ply")
    closed = close_gaps(measured, fused.resolution_mm, settings.fill.largest_gap_mm, settings.fill.largest_tilt_deg)
    result = summarize(closed, fused.area_mm2)
    print(f"{result.gaps} gaps closed, {result.open.count} openings left")
    added, notes = closed.added, []
    if side := sheet.get("mirror"):
        frame = typed.read(FrameResult, upstream["frame"].result)
        if frame.zero_planes["y"].found:
            left = float(axes(frame.axes).left)
            image = mirrored_side.image(measured, left if side == "left" else -left)
            added = mirrored_side.joined(added, image, len(measured.vertices_mm))
            result = replace(result, mirrored=side, mirrored_area_mm2=surface.area_mm2(image))
        else:
            notes = [NOT_MIRRORED]
            result = replace(result, mirrored_refused=NOT_MIRRORED)
    write(folder / "surface.ply", measured, added)
    return typed.write(result) | {"notes": notes}


def write(path: Path, measured: Surface, added: Surface) -> None:
    """Write a measured surface and, behind it, what :func:`close_gaps` adds."""
    vertices = [surface.Rows.of({"xyz": some.vertices_mm} | some.vertex) for some in (measured, added)]
    spans = surface.spans(len(measured.faces))
    faces = ({"vertex_indices": measured.faces[rows], "filled": _marks(rows.stop - rows.start, 0)} for rows in spans)
    filled = surface.Rows.of({"vertex_indices": added.faces} | added.face)
    vertex_blocks = chain(*(some.blocks for some in vertices))
    surface.stream_ply(
        path,
        surface.Rows(vertices[0].names, sum(some.count for some in vertices), vertex_blocks),
        surface.Rows(filled.names, len(measured.faces) + filled.count, chain(faces, filled.blocks)),
        COMMENTS,
    )


@dataclass(frozen=True)
class BoundaryZone:
    """What lies within :data:`RINGS` edges of a surface's boundaries: ``rows`` (k,) of its vertices there, and,
    numbered by these rows, ``vertices_mm`` (k, 3), ``faces`` (m, 3) and the vertices on ``boundary``."""

    rows: np.ndarray
    vertices_mm: np.ndarray
    faces: np.ndarray
    boundary: np.ndarray


@dataclass(frozen=True)
class GapPlanes:
    """The gaps to close, each in the plane of its cap: ``rims``, a list of (k,) vertex numbers of the zone,
    anticlockwise about the cap's axis; ``frames`` (g, 3, 3) with rows u, v and the axis; ``centres_mm`` (g, 3);
    ``rim_uvw_mm`` (r, 3): all rims' vertices, one rim after another, in these frames."""

    rims: list[np.ndarray]
    frames: np.ndarray
    centres_mm: np.ndarray
    rim_uvw_mm: np.ndarray


@dataclass(frozen=True)
class Closure:
    """What :func:`close_gaps` makes of a surface.

    ``added``: a Surface whose vertices are numbered after the measured ones; ``shape`` and ``kind`` (l,) of the
    boundary ``loops``, whose numbers are those of ``boundary_mm`` (n, 3); ``filled_mm2``: areas of the added faces;
    ``spread_mm``, one a patch: standard deviation of the measured vertices about what the patch follows.
    """

    added: Surface
    loops: Loops
    boundary_mm: np.ndarray
    shape: Shapes
    kind: np.ndarray
    filled_mm2: np.ndarray
    spread_mm: np.ndarray


def boundary_zone(measured: Surface) -> BoundaryZone:
    """:class:`BoundaryZone` of a surface, which is read a block at a time, its faces once for each ring and once
    more."""
    count = len(measured.vertices_mm)
    boundary = rows = topology.boundary_vertices(measured.faces, count)
    for _ in range(RINGS):
        faces = topology.touching(measured.faces, rows, count)
        rows = np.flatnonzero(surface.in_use(faces, count))
    topology.compact(faces)
    return BoundaryZone(rows, measured.vertices_mm[rows], faces, np.searchsorted(rows, boundary))


def close_gaps(measured: Surface, spacing_mm: float, largest_gap_mm: float, largest_tilt_deg: float) -> Closure:
    """Close the gaps of a surface that are small enough; its columns may lie on disk.

    ``spacing_mm``: spacing of the surface's vertices, and of the patches' vertices; the limits are those of
    :func:`nightbay.fill.gaps.classify`.
    """
    zone = boundary_zone(measured)
    loops = topology.loops(zone.faces, len(zone.rows), zone.boundary)
    shape = gaps.shapes(loops, zone.vertices_mm, zone.faces)
    kind = gaps.classify(loops, shape, zone.vertices_mm, largest_gap_mm, largest_tilt_deg)
    small = np.flatnonzero(kind == gaps.GAP)
    if not len(small):
        return Closure(_nothing(measured), loops, zone.vertices_mm, shape, kind, np.empty(0), np.empty(0))
    rims = [loops[number][::-1] for number in small]  # against the half-edges: anticlockwise about the cap's axis
    planes = _gap_planes(rims, shape.axis[small], shape.centre_mm[small], zone.vertices_mm)
    patches = _plane_patches(planes, spacing_mm)
    folded = np.setdiff1d(np.arange(len(small)), patches.patch)
    if len(folded) == len(small):
        kind[small] = gaps.FOLDED
        return Closure(_nothing(measured), loops, zone.vertices_mm, shape, kind, np.empty(0), np.empty(0))
    inner, spread_mm = _lift(zone, planes, patches)
    rim = np.concatenate(rims)
    areas = surface.face_areas(Surface(np.vstack([zone.vertices_mm[rim], inner]), patches.faces))
    flat = np.unique(patches.patch[areas == 0])  # a slot so narrow that single precision has no room for faces
    kind[small[np.union1d(folded, flat)]] = gaps.FOLDED
    if len(flat):
        areas = areas[~np.isin(patches.patch, flat)]
        patches, stays = patch.without(patches, flat)
        inner = inner[stays]
    added = _added(measured, zone.rows[rim], patches, inner)
    spread_mm = spread_mm[np.unique(patches.patch)]
    return Closure(added, loops, zone.vertices_mm, shape, kind, areas, spread_mm)


def _gap_planes(rims: list[np.ndarray], axes: np.ndarray, centres_mm: np.ndarray, vertices_mm: np.ndarray) -> GapPlanes:
    """:class:`GapPlanes` of rims, with the ``axes`` (g, 3) and ``centres_mm`` (g, 3) of their caps."""
    frames = patch_fairing.plane_frames(axes)
    owner = np.repeat(np.arange(len(rims)), [len(rim) for rim in rims])
    return GapPlanes(rims, frames, centres_mm, _in_planes(vertices_mm[np.concatenate(rims)], owner, frames, centres_mm))


def _in_planes(points_mm: np.ndarray, owner: np.ndarray, frames: np.ndarray, centres_mm: np.ndarray) -> np.ndarray:
    """Points (p, 3) in the frame of the gap that each belongs to, ``owner`` (p,): (p, 3) float64."""
    return np.einsum("ijk,ik->ij", frames[owner], points_mm.astype(np.float64) - centres_mm[owner])


def _plane_patches(planes: GapPlanes, spacing_mm: float) -> Patches:
    """Refined plane patches of the gaps whose boundary allows one."""
    start = np.r_[0, np.cumsum([len(rim) for rim in planes.rims])]
    patches, _ = patch.clip_ears(planes.rim_uvw_mm[:, :2], start)
    if not len(patches.faces):
        return patches
    return patch_quality.improve(patch.refine(patches, spacing_mm), spacing_mm)


def _lift(zone: BoundaryZone, planes: GapPlanes, patches: Patches) -> tuple[np.ndarray, np.ndarray]:
    """The patches' inner vertices on a continuation of the surface around, (k, 3) float32, and the spread of the
    measured vertices about what each patch follows, (g,) mm."""
    owner, others = patch_fairing.surroundings(zone.faces, len(zone.rows), planes.rims, RINGS)
    uvw_mm = _in_planes(zone.vertices_mm[others], owner, planes.frames, planes.centres_mm)
    coefficients, spread_mm = patch_fairing.fit_quadrics(uvw_mm, owner, len(planes.rims))
    height = patch_fairing.lift(patches, coefficients, planes.rim_uvw_mm[:, 2])
    inner = np.column_stack([patches.uv_mm[patches.rim_count :], height])
    of_patch = patches.patch_of_vertex[patches.rim_count :]
    lifted = np.einsum("ikj,ik->ij", planes.frames[of_patch], inner) + planes.centres_mm[of_patch]
    return lifted.astype(np.float32), spread_mm


def _added(measured: Surface, rim: np.ndarray, patches: Patches, inner: np.ndarray) -> Surface:
    """The Surface to append to the measured one; ``rim`` (rim_count,): the rim points' measured vertices."""
    number = np.r_[rim, len(measured.vertices_mm) + np.arange(len(inner))]
    filled = {"filled": _marks(len(patches.faces), 1)}
    vertex = _unmeasured(measured.vertex, rim, patches)
    return Surface(inner, number[patches.faces].astype(np.int32), vertex, filled)


def _unmeasured(vertex: Mapping[str, Any], rim: np.ndarray, patches: Patches) -> dict[str, np.ndarray]:
    """The vertex attributes of the added vertices: no points, no confidence, no spread; colour from the rim."""
    count = len(patches.uv_mm) - patches.rim_count
    values = {name: np.full(count, np.nan if name == "spread_mm" else 0, np.float32) for name in vertex}
    colours = [name for name in ("red", "green", "blue") if name in vertex]
    if colours:
        carried = patch.harmonic(patches, np.column_stack([vertex[name][rim] for name in colours]).astype(np.float64))
        values |= dict(zip(colours, np.clip(np.rint(carried), 0, 255).astype(np.uint8).T, strict=True))
    return values


def _nothing(measured: Surface) -> Surface:
    """No vertex and no face to add, with the columns of ``measured``."""
    vertex = {name: values[:0] for name, values in measured.vertex.items()}
    return Surface(np.empty((0, 3), np.float32), np.empty((0, 3), np.int32), vertex, {"filled": _marks(0, 1)})


def _marks(count: int, filled: int) -> np.ndarray:
    return np.full(count, filled, np.uint8)


def summarize(closure: Closure, measured_area_mm2: float) -> FillResult:
    """The stage's numbers; ``measured_area_mm2`` of the faces that were measured."""
    shape, kind = closure.shape, closure.kind
    closed = np.flatnonzero(kind == gaps.GAP)
    left = np.flatnonzero(np.isin(kind, (gaps.LARGE, gaps.RIM, gaps.FOLDED)))
    left = left[np.argsort(-shape.area_mm2[left], kind="stable")]
    rms_mm = float(np.sqrt(np.mean(closure.spread_mm**2))) if len(closure.spread_mm) else None
    return FillResult(
        gaps=len(closed),
        filled_faces=len(closure.added.faces),
        filled_area_mm2=float(closure.filled_mm2.sum()),
        measured_area_mm2=measured_area_mm2,
        largest_filled_area_mm2=float(shape.area_mm2[closed].max()) if len(closed) else None,
        surroundings_rms_mm=rms_mm,
        filled_uncertainty_mm=None,
        filled_uncertainty_reason=NO_UNCERTAINTY,
        outer_boundaries=int(np.count_nonzero(kind == gaps.OUTER)),
        open=OpeningsTotal(len(left), float(shape.area_mm2[left].sum()), min(len(left), LISTED)),
        openings=[_opening(closure, int(number), rank < OUTLINED) for rank, number in enumerate(left[:LISTED])],
    )


def _opening(closure: Closure, number: int, outlined: bool) -> Opening:
    """The record of a loop that stays open, rounded to what a person can use; ``outlined``: with its boundary."""
    shape = closure.shape
    return Opening(
        kind=str(closure.kind[number]),
        centre_mm=np.array([round(float(value), 2) for value in shape.centre_mm[number]]),
        size_mm=np.array([round(float(value), 2) for value in shape.high_mm[number] - shape.low_mm[number]]),
        area_mm2=round(float(shape.area_mm2[number]), 1),
        perimeter_mm=round(float(shape.perimeter_mm[number]), 1),
        boundary_mm=outline(closure.boundary_mm[closure.loops[number]]) if outlined else None,
    )


def outline(loop_mm: np.ndarray) -> np.ndarray:
    """At most :data:`OUTLINE_POINTS` points of a closed loop, (k, 3) mm, in its order and evenly along it; they are
    its own points, rounded to 0.01 mm."""
    points = loop_mm.astype(np.float64)
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    if len(points) > OUTLINE_POINTS:
        rows = np.unique(np.searchsorted(along, np.linspace(0.0, along[-1], OUTLINE_POINTS)))
        points = points[rows]
    return np.array([[round(float(value), 2) for value in point] for point in points])

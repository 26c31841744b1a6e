"""Stage fill: closes small gaps of a surface, marks what it adds, and leaves and lists what is meant to be open.

The measured surface passes through a block at a time; in memory is only what lies around its boundaries.
"""

from dataclasses import dataclass
from itertools import chain

import numpy as np

from nightbay.fill import gaps as gap
from nightbay.fill import patch, patch_fairing, patch_quality
from nightbay.meshes import surface, topology

RINGS = 3  # rings of measured vertices around a gap that its patch continues: enough to average noise, still local
LISTED = 200  # openings that are listed one by one; the rest is counted


def fill(upstream, sheet, settings, folder, threads):
    """The stage's function; see ``stage.py``. Leaves ``surface.ply`` with ``filled`` a face."""
    own, fused = settings["fill"], upstream["fuse"]
    measured = surface.open_ply(fused.folder / "surface.ply")
    added, report = close_gaps(measured, fused.result["resolution_mm"], own["largest_gap_mm"], own["largest_tilt_deg"])
    print(f"{report['gaps']} gaps closed, {report['open']['count']} openings left")
    write(folder / "surface.ply", measured, added)
    return report | {"measured_area_mm2": fused.result["area_mm2"]}


def write(path, measured, added):
    """Write a measured surface and, behind it, what :func:`close_gaps` adds."""
    vertices = [surface.Rows.of({"xyz": one.vertices_mm} | one.vertex) for one in (measured, added)]
    spans = surface.spans(len(measured.faces))
    faces = ({"vertex_indices": measured.faces[rows], "filled": _marks(rows.stop - rows.start, 0)} for rows in spans)
    made_up = surface.Rows.of({"vertex_indices": added.faces} | added.face)
    surface.stream_ply(
        path,
        surface.Rows(vertices[0].names, sum(one.count for one in vertices), chain(*(one.blocks for one in vertices))),
        surface.Rows(made_up.names, len(measured.faces) + made_up.count, chain(faces, made_up.blocks)),
        ["units mm", "frame vehicle", "filled 1: made up, not measured"],
    )


@dataclass(frozen=True)
class Around:
    """What lies within :data:`RINGS` edges of a surface's boundaries: ``rows`` (k,) of its vertices there, and, in
    numbers of these, ``vertices_mm`` (k, 3), ``faces`` (m, 3) and the vertices on ``boundary``."""

    rows: np.ndarray
    vertices_mm: np.ndarray
    faces: np.ndarray
    boundary: np.ndarray


def around_boundaries(measured):
    """:class:`Around` of a surface, which is read a block at a time, its faces once for each ring and once more."""
    count = len(measured.vertices_mm)
    boundary = rows = topology.boundary_vertices(measured.faces, count)
    for _ in range(RINGS):
        faces = topology.touching(measured.faces, rows, count)
        rows = np.flatnonzero(surface.in_use(faces, count))
    topology.compact(faces)
    return Around(rows, measured.vertices_mm[rows], faces, np.searchsorted(rows, boundary))


def close_gaps(measured, spacing_mm, largest_gap_mm, largest_tilt_deg):
    """Close the gaps of a :class:`~nightbay.meshes.surface.Surface`, in memory or not, that are small enough.

    Returns what is to be added, a Surface whose faces count its vertices behind the measured ones, and the stage's
    numbers.
    """
    near = around_boundaries(measured)
    loops = topology.loops(near.faces, len(near.rows), near.boundary)
    if not len(loops):
        return _nothing(measured), _report(None, np.empty(0, "<U8"), np.empty(0), np.empty(0))
    shape = gap.shapes(loops, near.vertices_mm, near.faces)
    kind = gap.classify(loops, shape, near.vertices_mm, largest_gap_mm, largest_tilt_deg)
    gaps = np.flatnonzero(kind == gap.GAP)
    rims = [loops[number][::-1] for number in gaps]  # against the half-edges: anticlockwise about the cap's axis
    frames, centres = patch_fairing.plane_frames(shape.axis[gaps]), shape.centre_mm[gaps]
    patches, uvw_rim = _plane_patches(rims, frames, centres, near.vertices_mm, spacing_mm)
    sound = np.zeros(len(gaps), bool)
    sound[patches.patch] = True
    kind[gaps[~sound]] = gap.FOLDED
    if not sound.any():
        return _nothing(measured), _report(shape, kind, np.empty(0), np.empty(0))
    inner, spread = _bent(near, rims, frames, centres, patches, uvw_rim)
    rim = np.concatenate(rims)
    areas = surface.face_areas(surface.Surface(np.vstack([near.vertices_mm[rim], inner]), patches.faces))
    flat = np.unique(patches.patch[areas == 0])  # a slot so narrow that single precision has no room for faces
    if len(flat):
        kind[gaps[flat]] = gap.FOLDED
        areas = areas[~np.isin(patches.patch, flat)]
        patches, stays = patch.without(patches, flat)
        inner = inner[stays]
    added = _added(measured, near.rows[rim], patches, inner)
    return added, _report(shape, kind, areas, spread[np.unique(patches.patch)])


def _plane_patches(rims, frames, centres, vertices_mm, spacing_mm):
    """Refined plane patches of the gaps whose rim allows one, and the rims in the frames of their planes, (k, 3)."""
    if not rims:
        empty = np.empty((0, 3))
        return patch.Patches(empty[:, :2], empty.astype(int), np.empty(0, int), np.empty(0, int), 0), empty
    owner = np.repeat(np.arange(len(rims)), [len(rim) for rim in rims])
    point = vertices_mm[np.concatenate(rims)].astype(np.float64)
    uvw = np.einsum("ijk,ik->ij", frames[owner], point - centres[owner])
    start = np.r_[0, np.cumsum([len(rim) for rim in rims])]
    patches, _ = patch.clip_ears(uvw[:, :2], start)
    if not len(patches.faces):
        return patches, uvw
    return patch_quality.widen(patch.refine(patches, spacing_mm), spacing_mm), uvw


def _bent(near, rims, frames, centres, patches, uvw_rim):
    """The patches' inner vertices on a continuation of the surface around, (k, 3) float32, and the spread of the
    measured vertices about what each patch follows, mm."""
    owner, others = patch_fairing.surroundings(near.faces, len(near.rows), rims, RINGS)
    point = near.vertices_mm[others].astype(np.float64)
    uvw = np.einsum("ijk,ik->ij", frames[owner], point - centres[owner])
    coefficients, spread = patch_fairing.fit_quadrics(uvw, owner, len(rims))
    height = patch_fairing.lift(patches, coefficients, uvw_rim[:, 2])
    inner = np.column_stack([patches.uv_mm[patches.rim_count :], height])
    of_patch = patches.patch_of_vertex[patches.rim_count :]
    lifted = np.einsum("ikj,ik->ij", frames[of_patch], inner) + centres[of_patch]
    return lifted.astype(np.float32), spread


def _added(measured, rim, patches, inner):
    """The Surface that goes behind the measured one; ``rim`` (rim_count,): the rim points' measured vertices."""
    number = np.r_[rim, len(measured.vertices_mm) + np.arange(len(inner))]
    filled = {"filled": _marks(len(patches.faces), 1)}
    vertex = _unmeasured(measured.vertex, rim, patches)
    return surface.Surface(inner, number[patches.faces].astype(np.int32), vertex, filled)


def _unmeasured(vertex, rim, patches):
    """What the vertex attributes say of the added ones: no points, no confidence, no spread; colour from the rim."""
    count = len(patches.uv_mm) - patches.rim_count
    said = {name: np.full(count, np.nan if name == "spread_mm" else 0, np.float32) for name in vertex}
    colours = [name for name in ("red", "green", "blue") if name in vertex]
    if colours:
        carried = patch.harmonic(patches, np.column_stack([vertex[name][rim] for name in colours]).astype(np.float64))
        said |= dict(zip(colours, np.clip(np.rint(carried), 0, 255).astype(np.uint8).T, strict=True))
    return said


def _nothing(measured):
    """No vertex and no face to add, with the columns of ``measured``."""
    vertex = {name: values[:0] for name, values in measured.vertex.items()}
    return surface.Surface(np.empty((0, 3), np.float32), np.empty((0, 3), np.int32), vertex, {"filled": _marks(0, 1)})


def _marks(count, filled):
    return np.full(count, filled, np.uint8)


def _report(shape, kind, filled_mm2, spread):
    """The stage's numbers; ``filled_mm2``: the areas of the added faces."""
    closed = np.flatnonzero(kind == gap.GAP)
    left = np.flatnonzero((kind == gap.LARGE) | (kind == gap.RIM) | (kind == gap.FOLDED))
    left = left[np.argsort(-shape.area_mm2[left], kind="stable")] if len(left) else left
    return {
        "gaps": len(closed),
        "filled_faces": len(filled_mm2),
        "filled_area_mm2": float(filled_mm2.sum()),
        "largest_filled_area_mm2": float(shape.area_mm2[closed].max()) if len(closed) else None,
        "surroundings_rms_mm": float(np.sqrt(np.mean(spread**2))) if len(spread) else None,
        "filled_uncertainty_mm": None,
        "filled_uncertainty_reason": "a filled face continues the surface around it and was not measured",
        "outer_boundaries": int(np.count_nonzero(kind == gap.OUTER)),
        "open": {
            "count": len(left),
            "area_mm2": float(shape.area_mm2[left].sum()) if len(left) else 0.0,
            "listed": min(len(left), LISTED),
        },
        "openings": [
            {
                "kind": str(kind[number]),
                "centre_mm": [round(float(value), 2) for value in shape.centre_mm[number]],
                "size_mm": [round(float(value), 2) for value in shape.high_mm[number] - shape.low_mm[number]],
                "area_mm2": round(float(shape.area_mm2[number]), 1),
                "perimeter_mm": round(float(shape.perimeter_mm[number]), 1),
            }
            for number in left[:LISTED]
        ],
    }

"""Stage fill: closes small gaps of a surface, marks what it adds, and leaves and lists what is meant to be open."""

import numpy as np

from nightbay import bend, gap, patch, surface, topology

RINGS = 3  # rings of measured vertices around a gap that its patch continues: enough to average noise, still local
LISTED = 200  # openings that are listed one by one; the rest is counted


def fill(upstream, sheet, settings, folder, threads):
    """The stage's function; see ``stage.py``. Leaves ``surface.ply`` with ``filled`` a face."""
    own = settings["fill"]
    filled, report = close_gaps(
        surface.read_ply(upstream["fuse"].folder / "surface.ply"),
        upstream["fuse"].result["resolution_mm"],
        own["largest_gap_mm"],
        own["largest_tilt_deg"],
    )
    print(f"{report['gaps']} gaps closed, {report['open']['count']} openings left")
    surface.write_ply(folder / "surface.ply", filled, ["units mm", "frame vehicle", "filled 1: made up, not measured"])
    return report


def close_gaps(measured, spacing_mm, largest_gap_mm, largest_tilt_deg):
    """Close the gaps of a :class:`~nightbay.surface.Surface` that are small enough.

    Returns the surface with a face attribute ``filled``, measured vertices and faces first and unchanged, and the
    stage's numbers. The measured surface's vertex attributes go over into it, to save memory.
    """
    vertices, faces = measured.vertices_mm, measured.faces
    loops = topology.loops(faces, len(vertices))
    if not len(loops):
        return _unfilled(measured), _report(loops, None, np.empty(0, "<U8"), measured, None)
    shape = gap.shapes(loops, vertices, faces)
    kind = gap.classify(loops, shape, vertices, largest_gap_mm, largest_tilt_deg)
    gaps = np.flatnonzero(kind == gap.GAP)
    rims = [loops[number][::-1] for number in gaps]  # against the half-edges: anticlockwise about the cap's axis
    frames = bend.plane_frames(shape.axis[gaps])
    patches, uvw_rim = _plane_patches(rims, frames, shape.centre_mm[gaps], vertices, spacing_mm)
    sound = np.zeros(len(gaps), bool)
    sound[patches.patch] = True
    kind[gaps[~sound]] = gap.FOLDED
    if not sound.any():
        return _unfilled(measured), _report(loops, shape, kind, measured, None)
    return _close(measured, loops, shape, kind, gaps, rims, frames, patches, uvw_rim)


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
    return patch.refine(patches, spacing_mm), uvw


def _close(measured, loops, shape, kind, gaps, rims, frames, patches, uvw_rim):
    """Bend the patches and join them to the measured surface."""
    vertices, faces = measured.vertices_mm, measured.faces
    owner, near = bend.surroundings(faces, len(vertices), rims, RINGS)
    centre = shape.centre_mm[gaps]
    uvw = np.einsum("ijk,ik->ij", frames[owner], vertices[near].astype(np.float64) - centre[owner])
    coefficients, spread = bend.fit_quadrics(uvw, owner, len(gaps))
    height = bend.lift(patches, coefficients, uvw_rim[:, 2])
    inner = np.column_stack([patches.uv_mm[patches.rim_count :], height])
    of_patch = patches.patch_of_vertex[patches.rim_count :]
    added = np.einsum("ikj,ik->ij", frames[of_patch], inner) + centre[of_patch]
    number = np.r_[np.concatenate(rims), len(vertices) + np.arange(len(added))]
    made_up = surface.Surface(
        np.vstack([vertices, added.astype(np.float32)]),
        np.vstack([faces, number[patches.faces].astype(np.int32)]),
        _with_unmeasured(measured.vertex, patches, rims),
        {"filled": np.r_[np.zeros(len(faces), np.uint8), np.ones(len(patches.faces), np.uint8)]},
    )
    return made_up, _report(loops, shape, kind, made_up, spread[np.unique(patches.patch)])


def _with_unmeasured(vertex, patches, rims):
    """Vertex attributes with those of the added vertices behind; ``vertex`` is emptied on the way, to save memory."""
    longer = {}
    for name in list(vertex):
        values = vertex.pop(name)
        longer[name] = np.concatenate([values, _unmeasured(name, values, patches, rims)])
    return longer


def _unmeasured(name, values, patches, rims):
    """What a vertex attribute says of the added vertices: no points, no confidence, no spread; colour from the rim."""
    count = len(patches.uv_mm) - patches.rim_count
    if name in ("red", "green", "blue"):
        colour = patch.harmonic(patches, values[np.concatenate(rims)].astype(np.float64)[:, None])[:, 0]
        return np.clip(np.rint(colour), 0, 255).astype(np.uint8)
    return np.full(count, np.nan if name == "spread_mm" else 0, np.float32)


def _unfilled(measured):
    return surface.Surface(
        measured.vertices_mm, measured.faces, measured.vertex, {"filled": np.zeros(len(measured.faces), np.uint8)}
    )


def _report(loops, shape, kind, made_up, spread):
    """The stage's numbers."""
    filled = made_up.face["filled"].astype(bool) if "filled" in made_up.face else np.zeros(len(made_up.faces), bool)
    areas = surface.face_areas(made_up)
    closed = np.flatnonzero(kind == gap.GAP)
    left = np.flatnonzero((kind == gap.LARGE) | (kind == gap.RIM) | (kind == gap.FOLDED))
    left = left[np.argsort(-shape.area_mm2[left], kind="stable")] if len(left) else left
    return {
        "gaps": len(closed),
        "filled_faces": int(filled.sum()),
        "filled_area_mm2": float(areas.sum(where=filled)),
        "measured_area_mm2": float(areas.sum(where=~filled)),
        "largest_filled_area_mm2": float(shape.area_mm2[closed].max()) if len(closed) else None,
        "surroundings_rms_mm": None if spread is None else float(np.sqrt(np.mean(spread**2))),
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

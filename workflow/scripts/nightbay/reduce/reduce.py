"""Stage reduce: levels of detail of a surface, each with its measured deviation from the full one."""

import shutil
from dataclasses import replace

import numpy as np

from nightbay.meshes import surface, topology
from nightbay.reduce import decimate, deviation

SAMPLES = 200_000  # points compared in each direction: a 95 % quantile of so many is known to 0.05 % of rank
REACH = 0.1  # of the surface's mean edge: most distances are less, and the search goes on for the rest
BEGIN = 0.5  # first limit: the root of a mean square, and 95 % lie within twice that: below there is nothing to measure
AIM, ENOUGH = 0.985, 0.97  # share of the deviation allowed that is steered for, and that ends the search
STEEP = 3.0  # the limit grows at least with the cube of the deviation: boundaries and folds lag behind
GROWTH, LEAST_GROWTH = 4.0, 1.05  # of the limit, mm2, from one sweep to the next, at most and at least
HALVE = 2.0  # the same towards a number of faces, where the last sweep ends halfway: cheap edges go first
STALL_SHARE, STALLS = 0.01, 3  # sweeps in a row that take off less than this share: boundaries and folds hold the rest


def reduce(upstream, sheet, settings, folder, threads):
    """The stage's function; see ``stage.py``. Leaves ``full.ply`` and ``<level>.ply`` for each level."""
    source = upstream["fill"].folder / "surface.ply"
    full = surface.open_ply(source)
    full = replace(full, vertices_mm=full.vertices_mm[:])  # needed all over; its faces are read as they are needed
    shutil.copyfile(source, folder / "full.ply")
    levels = {"full": {"faces": len(full.faces), "vertices": len(full.vertices_mm), "deviation": None}}
    probe = deviation.sample(full, SAMPLES)
    targets = sorted(settings["reduce"]["levels"].items(), key=lambda item: _fineness(item[1]))
    state = begin(full, targets[0][1], threads) if targets else None
    for name, target in targets:
        state = reach(state, probe, target)
        level, levels[name] = measured(full, state.surface, probe)
        levels[name]["target"] = dict(target)
        surface.write_ply(
            folder / f"{name}.ply", level, ["units mm", "frame vehicle", "filled 1: made up, not measured"]
        )
        print(f"{name}: {len(level.faces)} faces, deviation {levels[name]['deviation']}", flush=True)
    return {"levels": levels}


def begin(full, target, threads):
    """A first sweep of the full surface, run by run: :class:`~nightbay.reduce.decimate.Reduction`."""
    if "faces" in target:
        return decimate.begin(full, decimate.cheap_mm2(full), target["faces"], threads)
    return decimate.begin(full, (BEGIN * target["deviation_mm"]) ** 2, threads=threads)


def _fineness(target):
    """Levels are made one from another, so the finer come first: those by deviation, then those by number of faces."""
    return (0, target["deviation_mm"]) if "deviation_mm" in target else (1, -target["faces"])


def reach(state, probe, target):
    """Reduce while the target allows it, and give back the last :class:`Reduction` that met it.

    ``probe`` (p, 3): points of the full surface, whose distances decide about a target of deviation.
    """
    if "faces" in target:
        return _down_to(state, target["faces"])
    return _within(state, probe, target["deviation_mm"])


def _down_to(state, faces):
    """Reduce to a number of faces; boundaries and folds may hold more."""
    limit_mm2, stalled = state.limit_mm2, 0
    while stalled < STALLS and len(state.faces) > faces:
        gone = state.sweep(limit_mm2, faces)
        stalled = stalled + 1 if gone < STALL_SHARE * (gone + len(state.faces)) else 0
        limit_mm2 *= HALVE
    return state


def _within(state, probe, allowed_mm):
    """Reduce until 95 % of the probe are as far off as is allowed, or nearly so."""
    limit_mm2 = max(state.limit_mm2, (BEGIN * allowed_mm) ** 2)
    state.sweep(limit_mm2)
    growth, stalled = GROWTH, 0
    while growth >= LEAST_GROWTH and stalled < STALLS:
        before = state.copy()
        gone = state.sweep(limit_mm2 * growth)
        off_mm = float(np.quantile(_distances(probe, state.surface), 0.95))
        if off_mm > allowed_mm:
            state, growth = before, np.sqrt(growth)
            continue
        if off_mm >= ENOUGH * allowed_mm:
            break
        limit_mm2 *= growth
        stalled = stalled + 1 if gone < STALL_SHARE * (gone + len(state.faces)) else 0
        growth = min(max((AIM * allowed_mm / max(off_mm, 1e-9)) ** STEEP, LEAST_GROWTH), GROWTH)
    return state


def _distances(points_mm, mesh):
    return deviation.nearest(points_mm, mesh, REACH * _edge_mm(mesh)).distance_mm


def _edge_mm(mesh):
    """Length of the edges of a surface as if all its faces were equilateral and alike."""
    return max(2.0 / 3.0**0.25 * float(np.sqrt(surface.area_mm2(mesh) / max(len(mesh.faces), 1))), 1e-6)


def measured(full, coarse, probe):
    """A coarser mesh with the full surface's attributes, and its numbers: sizes, areas, deviation both ways and of the
    boundary, and faults of its topology.

    A vertex takes what the full surface's vertex nearest to it has; colour too. ``probe`` (p, 3) of the full surface.
    """
    points = np.concatenate([coarse.vertices_mm.astype(np.float64), deviation.sample(coarse, SAMPLES)])
    outwards = deviation.nearest(points, full, REACH * _edge_mm(full))
    level = _carry_over(full, coarse, outwards.face[: len(coarse.vertices_mm)])
    rim = topology.boundary_vertices(full.faces, len(full.vertices_mm))
    rim = full.vertices_mm[rim[:: max(1, len(rim) // SAMPLES)]].astype(np.float64)
    directions = {
        "level_to_full": outwards.distance_mm,
        "full_to_level": _distances(probe, level),
        "boundary_to_level": _distances(rim, level),
    }
    areas, filled = surface.face_areas(level), level.face["filled"].astype(bool)
    return level, {
        "faces": len(level.faces),
        "vertices": len(level.vertices_mm),
        "deviation": {
            name: {"samples": len(distance_mm), **deviation.figures(distance_mm)} if len(distance_mm) else None
            for name, distance_mm in directions.items()
        },
        "area_mm2": float(areas.sum()),
        "filled_faces": int(filled.sum()),
        "filled_area_mm2": float(areas[filled].sum()),
        "boundary_edges": len(topology.boundary_half_edges(level.faces, len(level.vertices_mm))),
        "degenerate_faces": int(np.count_nonzero(areas == 0)),
        **topology.defects(level.faces, len(level.vertices_mm)),
    }


def _carry_over(full, coarse, face):
    """``coarse`` with the attributes of the full surface; ``face`` (n,): its face nearest to each vertex."""
    corner = full.faces[face]
    aside = np.linalg.norm(full.vertices_mm[corner] - coarse.vertices_mm[:, None], axis=2)
    nearest = np.take_along_axis(corner, np.argmin(aside, axis=1)[:, None], axis=1)[:, 0]
    vertex = {name: values[nearest] for name, values in full.vertex.items()}
    return surface.Surface(coarse.vertices_mm, coarse.faces, vertex, coarse.face)

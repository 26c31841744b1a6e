"""Stage reduce: levels of detail of a surface, each with its measured deviation from the full one."""

import shutil

import numpy as np

from nightbay import decimate, deviation, surface, topology

SAMPLES = 200_000  # points compared in each direction: a 95 % quantile of so many is known to 0.05 % of rank
SEARCH_SAMPLES = 50_000  # while a level is looked for
REACH_MM = 20.0  # distance that a search for the nearest face starts with; only speed hangs on it
STALL_SHARE, STALLS = 0.01, 3  # rounds in a row that take off less than this share: boundaries and folds hold the rest


def reduce(upstream, sheet, settings, folder, threads):
    """The stage's function; see ``stage.py``. Leaves ``full.ply`` and ``<level>.ply`` for each level."""
    source = upstream["fill"].folder / "surface.ply"
    full = surface.read_ply(source)
    shutil.copyfile(source, folder / "full.ply")
    levels = {"full": {"faces": len(full.faces), "vertices": len(full.vertices_mm), "deviation": None}}
    state, probe = decimate.Reduction(full), deviation.sample(full, SEARCH_SAMPLES)
    for name, target in sorted(settings["reduce"]["levels"].items(), key=lambda item: _fineness(item[1])):
        state = reach(state, probe, target, threads)
        level, distance_mm = carry_over(full, state.surface, threads)
        levels[name] = {"target": target, **measured(full, level, distance_mm, threads)}
        surface.write_ply(
            folder / f"{name}.ply", level, ["units mm", "frame vehicle", "filled 1: made up, not measured"]
        )
        print(f"{name}: {len(level.faces)} faces, deviation {levels[name]['deviation']}", flush=True)
    return {"levels": levels}


def _fineness(target):
    """Levels are made one from another, so the finer come first: those by deviation, then those by number of faces."""
    return (0, target["deviation_mm"]) if "deviation_mm" in target else (1, -target["faces"])


def reach(state, probe, target, threads):
    """Reduce while the target allows it, and give back the last :class:`~nightbay.decimate.Reduction` that met it.

    ``probe`` (p, 3): points of the full surface, whose distances decide about a target of deviation.
    """
    stalled = 0
    while stalled < STALLS and len(state.faces) > target.get("faces", 0):
        # the limit is a mean square, and 95 % lie within twice its root: below that there is nothing to measure
        near = 2 * np.sqrt(state.limit_mm2) > target.get("deviation_mm", np.inf)
        before = state.copy() if near else None
        gone = state.round(target.get("faces", 0))
        if before is not None:
            distance = deviation.nearest(probe, state.surface, REACH_MM, threads).distance_mm
            if np.quantile(distance, 0.95) > target["deviation_mm"]:
                return before
        stalled = stalled + 1 if gone < STALL_SHARE * (gone + len(state.faces)) else 0
    return state


def carry_over(full, coarse, threads):
    """A coarser mesh with the full surface's attributes, and the distance of its vertices to the full surface, mm.

    A vertex takes what the full surface's vertex nearest to it has; colour too.
    """
    at_vertex = deviation.nearest(coarse.vertices_mm.astype(np.float64), full, REACH_MM, threads)
    corner = full.faces[at_vertex.face]
    aside = np.linalg.norm(full.vertices_mm[corner] - coarse.vertices_mm[:, None], axis=2)
    nearest = np.take_along_axis(corner, np.argmin(aside, axis=1)[:, None], axis=1)[:, 0]
    vertex = {name: values[nearest] for name, values in full.vertex.items()}
    return surface.Surface(coarse.vertices_mm, coarse.faces, vertex, coarse.face), at_vertex.distance_mm


def measured(full, level, distance_at_vertices, threads):
    """Numbers of a level: sizes, areas, deviation both ways and of the boundary, and faults of its topology."""
    areas = surface.face_areas(level)
    filled = level.face["filled"].astype(bool)
    outwards = deviation.nearest(deviation.sample(level, SAMPLES), full, REACH_MM, threads).distance_mm
    rim = np.unique(topology.boundary_half_edges(full.faces, len(full.vertices_mm)))
    rim = full.vertices_mm[rim[:: max(1, len(rim) // SAMPLES)]].astype(np.float64)
    edge = deviation.nearest(rim, level, REACH_MM, threads).distance_mm
    inwards = deviation.nearest(deviation.sample(full, SAMPLES), level, REACH_MM, threads).distance_mm
    outwards = np.concatenate([outwards, distance_at_vertices])
    return {
        "faces": len(level.faces),
        "vertices": len(level.vertices_mm),
        "deviation": {
            "level_to_full": {"samples": len(outwards), **deviation.figures(outwards)},
            "full_to_level": {"samples": len(inwards), **deviation.figures(inwards)},
            "boundary_to_level": {"samples": len(edge), **deviation.figures(edge)} if len(edge) else None,
        },
        "area_mm2": float(areas.sum()),
        "filled_faces": int(filled.sum()),
        "filled_area_mm2": float(areas[filled].sum()),
        "boundary_edges": len(topology.boundary_half_edges(level.faces, len(level.vertices_mm))),
        "degenerate_faces": int(np.count_nonzero(areas == 0)),
        **topology.defects(level.faces, len(level.vertices_mm)),
    }

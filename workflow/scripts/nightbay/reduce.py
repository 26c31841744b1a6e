"""Stage reduce: levels of detail of a surface, each with its measured deviation from the full one."""

import shutil

import numpy as np

from nightbay import decimate, deviation, surface, topology

SAMPLES = 200_000  # points compared in each direction: a 95 % quantile of so many is known to 0.05 % of rank
SEARCH_SAMPLES = 50_000  # while a level is looked for
REACH_MM = 20.0  # distance that a search for the nearest face starts with; only speed hangs on it


def reduce(upstream, sheet, settings, folder, threads):
    """The stage's function; see ``stage.py``. Leaves ``full.ply`` and ``<level>.ply`` for each level."""
    source = upstream["fill"].folder / "surface.ply"
    full = surface.read_ply(source)
    shutil.copyfile(source, folder / "full.ply")
    levels = {"full": {"faces": len(full.faces), "vertices": len(full.vertices_mm), "deviation": None}}
    coarse, rounds = surface.Surface(full.vertices_mm, full.faces), 0
    probe = deviation.sample(full, SEARCH_SAMPLES)
    for name, target in sorted(settings["reduce"]["levels"].items(), key=lambda item: _fineness(item[1])):
        coarse, rounds = _reach(coarse, rounds, probe, target, threads)
        level, numbers = finish(full, coarse, threads)
        levels[name] = {"target": target, **numbers}
        surface.write_ply(
            folder / f"{name}.ply", level, ["units mm", "frame vehicle", "filled 1: made up, not measured"]
        )
        print(f"{name}: {len(level.faces)} faces, deviation {numbers['deviation']}")
    return {"levels": levels}


def _fineness(target):
    """Levels are made one from another, so the finer come first: those by deviation, then those by number of faces."""
    return (0, target["deviation_mm"]) if "deviation_mm" in target else (1, -target["faces"])


def _reach(mesh, rounds, probe, target, threads):
    """Halve a mesh while the target allows it: (mesh, rounds so far)."""
    while True:
        if "faces" in target:
            if len(mesh.faces) <= target["faces"]:
                return mesh, rounds
            less = decimate.to_faces(mesh, max(target["faces"], len(mesh.faces) // 2), rounds)
        else:
            less = decimate.halve(mesh, rounds)
        if len(less.faces) > 0.9 * len(mesh.faces):  # boundaries hold the rest
            return mesh, rounds
        if "deviation_mm" in target:
            distance = deviation.nearest(probe, less, REACH_MM, threads).distance_mm
            if np.quantile(distance, 0.95) > target["deviation_mm"]:
                return mesh, rounds
        mesh, rounds = less, rounds + 1


def finish(full, coarse, threads):
    """Carry the full surface's attributes over to a coarser mesh and measure its deviation: (surface, numbers).

    A vertex takes the attributes of the full surface's nearest vertex. A face is marked ``filled`` when its middle lies
    on a filled face, and when it is the nearest to the middle of a filled one: nothing made up loses its mark, and some
    measured area next to it gets one.
    """
    at_vertex = deviation.nearest(coarse.vertices_mm.astype(np.float64), full, REACH_MM, threads)
    corner = full.faces[at_vertex.face]
    aside = np.linalg.norm(full.vertices_mm[corner] - coarse.vertices_mm[:, None], axis=2)
    nearest = np.take_along_axis(corner, np.argmin(aside, axis=1)[:, None], axis=1)[:, 0]
    filled = full.face["filled"].astype(bool)
    middle = coarse.vertices_mm[coarse.faces].mean(axis=1, dtype=np.float64)
    marks = filled[deviation.nearest(middle, full, REACH_MM, threads).face]
    made_up = full.vertices_mm[full.faces[filled]].mean(axis=1, dtype=np.float64)
    marks[deviation.nearest(made_up, coarse, REACH_MM, threads).face] = True
    level = surface.Surface(
        coarse.vertices_mm,
        coarse.faces,
        {name: values[nearest] for name, values in full.vertex.items()},
        {"filled": marks.astype(np.uint8)},
    )
    return level, measured(full, level, at_vertex.distance_mm, threads)


def measured(full, level, distance_at_vertices, threads):
    """Numbers of a level: sizes, areas, deviation both ways, what its topology has kept."""
    areas = np.linalg.norm(surface.face_normals(level), axis=1) / 2
    filled = level.face["filled"].astype(bool)
    outwards = deviation.nearest(deviation.sample(level, SAMPLES), full, REACH_MM, threads).distance_mm
    inwards = deviation.nearest(deviation.sample(full, SAMPLES), level, REACH_MM, threads).distance_mm
    outwards = np.concatenate([outwards, distance_at_vertices])
    return {
        "faces": len(level.faces),
        "vertices": len(level.vertices_mm),
        "deviation": {
            "level_to_full": {"samples": len(outwards), **deviation.figures(outwards)},
            "full_to_level": {"samples": len(inwards), **deviation.figures(inwards)},
        },
        "area_mm2": float(areas.sum()),
        "filled_faces": int(filled.sum()),
        "filled_area_mm2": float(areas[filled].sum()),
        "boundary_edges": len(topology.boundary_half_edges(level.faces, len(level.vertices_mm))),
        "degenerate_faces": int(np.count_nonzero(areas == 0)),
        **topology.defects(level.faces, len(level.vertices_mm)),
    }

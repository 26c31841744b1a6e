"""Stage reduce: levels of detail of a surface, each with its measured deviation from the full one."""

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.meshes import nearest, sampling, surface, topology
from nightbay.meshes.surface import Surface
from nightbay.pipeline import typed
from nightbay.reduce import decimate, deviation
from nightbay.reduce.decimate import Reduction
from nightbay.reduce.result import Deviation, Level, ReduceResult, Target

SAMPLES = 200_000  # points compared in each direction: a 95 % quantile of so many is known to 0.05 % of rank
QUANTILE = 0.95  # share of the samples that a target of deviation holds for
REACH = 0.1  # of the surface's mean edge: most distances are less; the search is widened for the rest
BEGIN = 0.5  # first limit over the target: it bounds a root mean square, and 95 % lie within twice that
AIM, ENOUGH = 0.985, 0.97  # shares of the allowed deviation: the search aims at the first and ends at the second
STEEP = 3.0  # the limit grows at least with the cube of the deviation: boundaries and folds lag behind
GROWTH, LEAST_GROWTH = 4.0, 1.05  # of the limit, mm2, from one sweep to the next, at most and at least
HALVE = 2.0  # growth of the limit towards a number of faces; slow, so that cheap edges are collapsed first
STALL_SHARE, STALLS = 0.01, 3  # the search ends after so many sweeps in a row that remove less than this share of faces
COMMENTS = ("units mm", "frame vehicle", "filled 1: made up, not measured")  # of a level's file


def reduce(upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int) -> dict:
    """Write ``full.ply`` and ``<level>.ply`` for each level, vehicle frame, and return a :class:`ReduceResult`.

    :mod:`nightbay.pipeline.stage` describes the arguments.
    """
    source = upstream["fill"].folder / "surface.ply"
    full = surface.open_ply(source)
    full = replace(full, vertices_mm=full.vertices_mm[:])  # needed all over; its faces are read as they are needed
    shutil.copyfile(source, folder / "full.ply")
    levels = {"full": Level(faces=len(full.faces), vertices=len(full.vertices_mm))}
    probe = sampling.sample(full, SAMPLES)
    targets = {name: Target(**target) for name, target in settings.reduce.levels.items()}
    state = None
    for name, target in sorted(targets.items(), key=lambda item: _fineness(item[1])):
        state = reach(state or begin(full, target, threads), probe, target)
        mesh, levels[name] = measure_level(full, state.surface, probe, target)
        surface.write_ply(folder / f"{name}.ply", mesh, COMMENTS)
        print(f"{name}: {levels[name].faces} faces; {levels[name].deviation}", flush=True)
    return typed.write(ReduceResult(levels))


def begin(full: Surface, target: Target, threads: int) -> Reduction:
    """A first sweep of the full surface, run by run."""
    if target.deviation_mm is None:
        return decimate.begin(full, decimate.median_cost_mm2(full), target.faces or 0, threads)
    return decimate.begin(full, (BEGIN * target.deviation_mm) ** 2, threads=threads)


def _fineness(target: Target) -> tuple[int, float]:
    """Sort key: each level is made from the one before, finest first; by deviation, then by number of faces."""
    return (1, -(target.faces or 0)) if target.deviation_mm is None else (0, target.deviation_mm)


def reach(state: Reduction, probe: np.ndarray, target: Target) -> Reduction:
    """Reduce while the target allows it; returns the last :class:`Reduction` that met it.

    ``probe`` (p, 3): points of the full surface, whose distances are compared with a target deviation.
    """
    if target.deviation_mm is None:
        return _down_to(state, target.faces or 0)
    return _within(state, probe, target.deviation_mm)


def _down_to(state: Reduction, faces: int) -> Reduction:
    """Reduce to a number of faces; boundaries and folds may keep more."""
    limit_mm2, stalled = state.limit_mm2, 0
    while stalled < STALLS and state.face_count > faces:
        gone = state.sweep(limit_mm2, faces)
        stalled = stalled + 1 if gone < STALL_SHARE * (gone + state.face_count) else 0
        limit_mm2 *= HALVE
    return state


def _within(state: Reduction, probe: np.ndarray, allowed_mm: float) -> Reduction:
    """Reduce until the 95 % quantile of the probe's distances is just below ``allowed_mm``."""
    limit_mm2 = max(state.limit_mm2, (BEGIN * allowed_mm) ** 2)
    state.sweep(limit_mm2)
    growth, stalled = GROWTH, 0
    while growth >= LEAST_GROWTH and stalled < STALLS:
        before = state.copy()
        gone = state.sweep(limit_mm2 * growth)
        off_mm = float(np.quantile(_distances(probe, state.surface), QUANTILE))
        if off_mm > allowed_mm:
            state, growth = before, np.sqrt(growth)
            continue
        if off_mm >= ENOUGH * allowed_mm:
            break
        limit_mm2 *= growth
        stalled = stalled + 1 if gone < STALL_SHARE * (gone + state.face_count) else 0
        growth = min(max((AIM * allowed_mm / max(off_mm, 1e-9)) ** STEEP, LEAST_GROWTH), GROWTH)
    return state


def _distances(points_mm: np.ndarray, mesh: Surface) -> np.ndarray:
    return nearest.nearest(points_mm, mesh, REACH * _edge_mm(mesh)).distance_mm


def _edge_mm(mesh: Surface) -> float:
    """Edge length of a surface, mm, as if all its faces were equilateral and equally large."""
    return max(2.0 / 3.0**0.25 * float(np.sqrt(surface.area_mm2(mesh) / max(len(mesh.faces), 1))), 1e-6)


def measure_level(full: Surface, coarse: Surface, probe: np.ndarray, target: Target) -> tuple[Surface, Level]:
    """A coarser mesh with the full surface's attributes, and its numbers: sizes, areas, deviation both ways and of the
    boundary, and faults of its topology.

    A vertex takes the attributes, colour included, of the nearest vertex of the full surface. ``probe`` (p, 3) of the
    full surface.
    """
    points = np.concatenate([coarse.vertices_mm.astype(np.float64), sampling.sample(coarse, SAMPLES)])
    outwards = nearest.nearest(points, full, REACH * _edge_mm(full))
    mesh = _carry_over(full, coarse, outwards.face[: len(coarse.vertices_mm)])
    boundary = topology.boundary_vertices(full.faces, len(full.vertices_mm))
    boundary_mm = full.vertices_mm[boundary[:: max(1, len(boundary) // SAMPLES)]].astype(np.float64)
    areas, filled = surface.face_areas(mesh), mesh.face["filled"].astype(bool)
    return mesh, Level(
        faces=len(mesh.faces),
        vertices=len(mesh.vertices_mm),
        target=target,
        deviation=Deviation(
            level_to_full=deviation.figures(outwards.distance_mm),
            full_to_level=deviation.figures(_distances(probe, mesh)),
            boundary_to_level=deviation.figures(_distances(boundary_mm, mesh)) if len(boundary_mm) else None,
        ),
        area_mm2=float(areas.sum()),
        filled_faces=int(filled.sum()),
        filled_area_mm2=float(areas[filled].sum()),
        boundary_edges=len(topology.boundary_half_edges(mesh.faces, len(mesh.vertices_mm))),
        degenerate_faces=int(np.count_nonzero(areas == 0)),
        **topology.defects(mesh.faces, len(mesh.vertices_mm)),
    )


def _carry_over(full: Surface, coarse: Surface, face: np.ndarray) -> Surface:
    """``coarse`` with the attributes of the full surface; ``face`` (n,): its face nearest to each vertex."""
    corner = full.faces[face]
    aside = np.linalg.norm(full.vertices_mm[corner] - coarse.vertices_mm[:, None], axis=2)
    closest = np.take_along_axis(corner, np.argmin(aside, axis=1)[:, None], axis=1)[:, 0]
    vertex = {name: values[closest] for name, values in full.vertex.items()}
    return Surface(coarse.vertices_mm, coarse.faces, vertex, coarse.face)

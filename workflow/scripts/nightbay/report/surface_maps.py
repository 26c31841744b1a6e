"""Maps of what is said of a part's whole surface: its uncertainty, left against right, and against a reference."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core.language import say
from nightbay.core.text_format import MINUS, shortest
from nightbay.measure.result import Area
from nightbay.meshes import surface
from nightbay.report import picture
from nightbay.report.maps import Key, draw_map, round_up, swatches_of
from nightbay.report.part import Part
from nightbay.report.view_marks import Mark

SIGNED_MAP, UNCERTAINTY_MAP = "RdBu_r", "viridis"
SIDE_VIEWS = ("left", "top")  # where most of the left side is seen
EVENED = 16  # points, the size of a patch of 40 mm at 10 mm
MOST_MARKS = 9  # numbered areas in a picture: all are listed


def draw(part: Part, scene: picture.Scene, text_mm: float) -> dict[str, dict[str, Any]]:
    """The maps of a part that there are: "uncertainty", "sides" and "reference"."""
    if part.measure is None:
        return {}
    found = {
        "uncertainty": _uncertainty(part, scene, text_mm),
        "sides": _left_right(part, scene, text_mm),
        "reference": _reference(part, scene, text_mm),
    }
    return {name: drawn for name, drawn in found.items() if drawn}


def _uncertainty(part: Part, scene: picture.Scene, text_mm: float) -> dict[str, Any] | None:
    """The expanded uncertainty of the surface's shape."""
    stated = part.measure.uncertainty if part.measure else None
    if stated is None:
        return None
    mapped = surface.read_ply(part.folder("measure") / "deliverables" / "uncertainty.ply")
    values = _at_vertices(scene, mapped.vertices_mm, _evened(mapped.vertices_mm, mapped.vertex["uncertainty_mm"]))
    most = round_up(stated.p95_mm)
    key = Key(
        say("Expanded uncertainty (k = 2), mm"), picture.bar(UNCERTAINTY_MAP), "0 mm",
        say("{length} mm or more", length=shortest(most)),
        swatches_of(scene, filled=say("filled, not measured"), unknown=say("not known")),
    )  # fmt: skip
    return draw_map(
        say("Uncertainty of the surface"),
        say("How far the measured surface may lie from the true one along its normal (95 %): noise, poses of the "
            "segments and drift; root mean square of {count} neighbouring points. The vehicle frame is not in it.",
            count=EVENED),
        scene, picture.colours_of(values, 0.0, most, UNCERTAINTY_MAP), text_mm, names=picture.VIEWS, key=key,
        filled=scene.mesh.face["filled"].astype(bool),
    )  # fmt: skip


def _left_right(part: Part, scene: picture.Scene, text_mm: float) -> dict[str, Any] | None:
    """Left side against the mirrored right side, as measure compared them."""
    if part.measure is None or part.measure.symmetry is None:
        return None
    compared = np.load(part.folder("measure") / "sides.npy")
    if not len(compared["points_mm"]):
        return None
    values = _at_vertices(scene, compared["points_mm"], compared["deviation_mm"])
    most = _limit(compared["deviation_mm"], part.measure.symmetry.areas)
    key = Key(
        say("Deviation, mm"), picture.bar(SIGNED_MAP),
        say("{length} mm: left side further in", length=MINUS + shortest(most)),
        say("{length} mm: left side further out", length="+" + shortest(most)),
        swatches_of(scene, unknown=say("not compared")),
    )  # fmt: skip
    return draw_map(
        say("Left side against the mirrored right side"),
        say("Signed deviation along the normal, positive where the left side is further out. Numbers: areas that "
            "differ significantly, as listed."),
        scene, picture.colours_of(values, -most, most, SIGNED_MAP), text_mm, names=SIDE_VIEWS, key=key,
        marks=_marks(part.measure.symmetry.areas, scene, SIDE_VIEWS),
    )  # fmt: skip


def _reference(part: Part, scene: picture.Scene, text_mm: float) -> dict[str, Any] | None:
    """The measured surface against the reference of the job sheet."""
    reference = part.measure.reference if part.measure else None
    if reference is None or reference.state != "compared":
        return None
    compared = np.load(part.folder("measure") / "compared.npy")
    values = _at_vertices(scene, compared["points_mm"], compared["deviation_mm"])
    most = _limit(compared["deviation_mm"], reference.areas)
    key = Key(
        say("Deviation, mm"), picture.bar(SIGNED_MAP),
        say("{length} mm: inside the reference", length=MINUS + shortest(most)),
        say("{length} mm: outside the reference", length="+" + shortest(most)),
        swatches_of(scene, unknown=say("not compared")),
    )  # fmt: skip
    return draw_map(
        say("Measured surface against the reference"),
        say("Signed deviation along the normal, positive where the measured surface is further out. Numbers: areas "
            "that differ significantly, as listed."),
        scene, picture.colours_of(values, -most, most, SIGNED_MAP), text_mm, names=picture.VIEWS, key=key,
        marks=_marks(reference.areas, scene, picture.VIEWS),
    )  # fmt: skip


def _evened(points_mm: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Root mean square of the values of the :data:`EVENED` nearest points, (n,): each is an estimate from a few points
    of the scan, and their scatter says nothing of the place. NaN stays NaN."""
    known = np.flatnonzero(np.isfinite(values))
    evened = np.full(len(values), np.nan)
    if len(known):
        _, near = cKDTree(points_mm[known]).query(points_mm[known], k=min(EVENED, len(known)))
        square = np.asarray(values[known], np.float64) ** 2
        evened[known] = np.sqrt(square[near.reshape(len(known), -1)].mean(axis=1))
    return evened


def _at_vertices(scene: picture.Scene, points_mm: np.ndarray, values: np.ndarray) -> np.ndarray:
    """The value of the nearest of some points, (k, 3), at each vertex of the scene, (n,) float64, NaN far from all."""
    tree = cKDTree(points_mm)
    some = points_mm[:: max(1, len(points_mm) // 10_000)]
    spacing = np.median(tree.query(some, k=2)[0][:, 1]) if len(points_mm) > 1 else 0.0
    _, row = tree.query(scene.mesh.vertices_mm, distance_upper_bound=3 * spacing)  # far from all points: the row behind
    return np.append(values, np.nan).astype(np.float64)[row]


def _limit(deviation_mm: np.ndarray, areas: Sequence[Area]) -> float:
    """The end of a scale of deviations: 95 % of the surface, and half of the largest that is listed."""
    known = np.abs(deviation_mm[np.isfinite(deviation_mm)])
    listed = [abs(area.largest_mm) / 2 for area in areas]
    return round_up(max([float(np.quantile(known, 0.95)) if len(known) else 0.0, *listed, 1e-3]))


def _marks(areas: Sequence[Area], scene: picture.Scene, names: Sequence[str]) -> dict[str, list[Mark]]:
    """The numbers of the largest areas in the views that show them."""
    shown = areas[:MOST_MARKS]
    if not shown:
        return {}
    places = np.array([area.at_mm for area in shown])
    return {
        name: [
            Mark(area.number, area.at_mm) for area, seen in zip(shown, scene.visible(name, places), strict=True) if seen
        ]
        for name in names
    }

"""Stage measure: dimensions, sections and left against right of a part in the vehicle frame."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import thinning
from nightbay.frame.result import AxleResult, FrameResult
from nightbay.measure import (
    axle_dimensions,
    dimensions,
    exclusions,
    named_sizes,
    nominal,
    ordered_features,
    over_mirrors,
    pieces,
    plane_sections,
    poor_ends,
    ramp_angles,
    room_sizes,
    surface_checks,
    tangent_planes,
)
from nightbay.measure.body import Body
from nightbay.measure.result import (
    COVERAGE,
    Dimension,
    Extent,
    MeasureResult,
    Protrusion,
    RoomSize,
    Track,
)
from nightbay.measure.room_faces import Shell
from nightbay.meshes import surface, vertices
from nightbay.meshes.surface import Surface
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.refine.result import RefineResult

SHELL_MM = 5.0  # of the vertices from which a room's sizes are taken: some hundred thousand in a load bay
LAMP_OR_HANDLE = (
    "Short protrusions at the sides that reach less than a mirror are part of the width. ISO 612 leaves lamps out and "
    "counts handles, but the shape does not show which they are."
)


@dataclass(frozen=True)
class Stated:
    """``dimensions`` by name, the ``protrusions`` at sides and roof, ``notes``: what can't be stated, and why; and what
    refers ``to_axles``."""

    dimensions: dict[str, Dimension]
    protrusions: list[Protrusion]
    notes: list[str]
    to_axles: axle_dimensions.Found


def measure(upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int) -> dict:
    """Write the sections and what :mod:`~nightbay.measure.surface_checks` writes; return a :class:`MeasureResult`
    and notes.

    :mod:`nightbay.pipeline.stage` describes the arguments.
    """
    refined = typed.read(RefineResult, upstream["refine"].result)
    frame = typed.read(FrameResult, upstream["frame"].result)
    model = surface.open_ply(upstream["fill"].folder / "surface.ply")
    model = replace(model, vertices_mm=model.vertices_mm[:])  # all positions are needed; faces are read block by block
    areas = vertices.areas(model)
    loose = pieces.loose(model.vertices_mm, areas, settings.measure.loose_mm2)
    loose_mm2 = float(areas[loose].sum())
    areas[loose] = 0.0
    remains = exclusions.ground_rows(model, areas, frame)
    remains_mm2 = float(areas[remains].sum())
    areas[remains] = 0.0
    body = Body(
        surface=model,
        areas=areas,
        noise_mm=vertex_noise(model, settings.scan.noise_mm),
        support_mm2=tangent_planes.support_of(areas, settings.measure.support_mm2),
        options=settings.measure,
        scan=settings.scan,
        frame=frame,
        poses=refined.poses,
        scale=refined.scale,
    )
    print(f"{len(model.vertices_mm)} vertices, {len(model.faces)} faces", flush=True)
    stated = state_dimensions(body, upstream["fill"].part)
    nominal_mm, nominal_deg = sheet.get("nominal_mm", {}), sheet.get("nominal_deg", {})
    found = {name: nominal.dimension(value, nominal_mm.get(name)) for name, value in stated.dimensions.items()}
    angles = {name: nominal.angle(value, nominal_deg.get(name)) for name, value in stated.to_axles.angles.items()}
    room, room_notes = (
        room_of(body, upstream, sheet.get("sizes", [])) if upstream["fill"].part == "interior" else ([], [])
    )
    checks = surface_checks.check(body, refined.discrepancies, sheet, folder, threads)
    result = MeasureResult(
        dimensions=found,
        support_mm2=body.support_mm2,
        loose_mm2=loose_mm2,
        protrusions=stated.protrusions,
        extent_mm=extent(body),
        track=track(frame.axles),
        sections=plane_sections.write(
            body, upstream["fill"].job, upstream["fill"].part, sheet.get("sections", []), folder
        ),
        symmetry=checks.symmetry,
        scale=refined.scale,
        room=room,
        angles=angles,
        not_stated=stated.to_axles.not_stated,
        underbody=stated.to_axles.underbody,
        uncertainty=checks.uncertainty,
        reference=checks.reference,
        features=ordered_features.find(upstream, sheet.get("ordered", {}), settings.scan, folder),
    )
    notes = (
        stated.notes
        + unscanned_end_notes(body, found)
        + poor_ends.notes([*found.values(), *angles.values()])
        + room_notes
    )
    return typed.write(result) | {"notes": [*ground_notes(remains_mm2, settings.measure.loose_mm2), *notes]}


def room_of(
    body: Body, upstream: Mapping[str, Any], wanted: Sequence[Mapping[str, Any]]
) -> tuple[list[RoomSize], list[str]]:
    """Sizes of an interior, and of the job sheet's ``wanted`` distances, and sentences on what can't be stated.

    Its shell is the measured surface's vertices, thinned: neighbours share points, more of them say no more. Edges of
    openings are taken from the cleaned points of ``upstream``.
    """
    cleaned = normal_orientation.placed(upstream["clean"], upstream["refine"])
    rows = np.flatnonzero(body.areas > 0.0)
    spacing_mm = max(SHELL_MM, float(np.sqrt(body.areas.sum() / max(len(rows), 1))))
    rows = rows[thinning.thin(body.vertices_mm[rows], spacing_mm)]
    shell = Shell(
        points_mm=body.vertices_mm[rows].astype(np.float64),
        normals=vertices.normals(body.surface, rows).astype(np.float64),
        spacing_mm=spacing_mm,
        frame=body.frame,
        poses=body.poses,
        scale=body.scale,
        scan=body.scan,
        clouds=PosedClouds(
            normal_orientation.open_posed(segment, upstream["refine"], body.frame.T_vehicle_control)
            for segment in cleaned
        ),
    )
    sizes, notes = room_sizes.find(shell, body.options.belt_mm)
    named, refused = named_sizes.find(shell, wanted)
    return [*sizes, *named], [*notes, *refused]


def state_dimensions(body: Body, part: str | None) -> Stated:
    """The dimensions of a ``part`` ("exterior" or "interior")."""
    found, noticed, notes = _exterior(body) if part == "exterior" else _interior(body)
    stated = {name: value for name, value in found.items() if value is not None}
    level = part == "exterior" and all(body.frame.zero_planes[axis].found for axis in "zy")
    to_axles = axle_dimensions.find(body) if level else axle_dimensions.Found()
    stated |= to_axles.dimensions
    known = poor_ends.quality(body)
    stated = {name: dimensions.with_poor_ends(value, known) for name, value in stated.items()}
    to_axles.angles = {name: ramp_angles.with_poor_ends(angle, known) for name, angle in to_axles.angles.items()}
    for name, value in stated.items():
        print(f"{name}: {value.value_mm:.2f} mm, U = {value.uncertainty_mm:.2f} mm (k = 2) {value.budget_mm}")
    for name, angle in to_axles.angles.items():
        print(f"{name}: {angle.value_deg:.3f} deg, U = {angle.uncertainty_deg:.3f} deg (k = 2) {angle.budget_deg}")
    return Stated(stated, [*noticed, *to_axles.protrusions], notes, to_axles)


def _interior(body: Body) -> tuple[dict[str, Dimension | None], list[Protrusion], list[str]]:
    if not (body.frame.zero_planes["z"].found and body.frame.zero_planes["y"].found):
        return {}, [], ["No inner dimension can be stated: the frame is kept as scanned."]
    names = ("inner_length", "inner_width", "inner_height")
    return {name: dimensions.span(name, body, axis) for axis, name in enumerate(names)}, [], []


def _exterior(body: Body) -> tuple[dict[str, Dimension | None], list[Protrusion], list[str]]:
    found: dict[str, Dimension | None] = {}
    noticed: list[Protrusion] = []
    notes: list[str] = []
    level, middle = (body.frame.zero_planes[axis].found for axis in "zy")
    ground = level and body.frame.ground_z_mm(np.zeros(3)) is not None
    if level and middle:
        found["length"] = dimensions.span("length", body, 0)
        areas, noticed = exclusions.width_areas(body)
        found["width"] = dimensions.span("width", body, 1, areas)
        found["width_over_mirrors"], doubts = over_mirrors.state(body, noticed)
        notes += doubts
        if any(
            not protrusion.excluded and protrusion.reach_mm < body.options.mirror_reach_mm for protrusion in noticed
        ):
            notes.append(LAMP_OR_HANDLE)
    else:
        notes.append("Length and width can't be stated: the frame has no symmetry plane.")
    if ground:
        areas, thin = exclusions.body_height_areas(body)
        found["height"] = dimensions.height("height", body)
        found["height_body"] = dimensions.height("height_body", body, areas)
        noticed += thin
    else:
        notes.append("Height can't be stated: the frame has no ground.")
    found["wheelbase"] = dimensions.wheelbase(body)
    if found["wheelbase"] is None:
        notes.append("Wheelbase can't be stated: fewer than two axles were found.")
    return found, noticed, notes


def ground_notes(remains_mm2: float, least_mm2: float) -> list[str]:
    """A sentence on surface that lies in the ground, where that is ``least_mm2`` or more."""
    if remains_mm2 < least_mm2:
        return []
    return [
        f"{remains_mm2 / 100:.0f} cm\u00b2 of the model lie in the ground plane: ground that the stage clean did not "
        "recognise. No dimension counts it; cut it out of the model, or scan that segment with more of the ground."
    ]


def unscanned_end_notes(body: Body, found: Mapping[str, Dimension]) -> list[str]:
    """A sentence for each end of a dimension that lies in an opening of what was scanned."""
    front, rear = ("high", "low") if body.axes.forward > 0 else ("low", "high")
    left, right = ("high", "low") if body.axes.left > 0 else ("low", "high")
    ends_of_length = {front: "front", rear: "rear"}
    words = {"length": ends_of_length, "overhang": ends_of_length, "width": {left: "left", right: "right"}}
    sentences = []
    for name, value in found.items():
        ends = next((ends for kind, ends in words.items() if kind in name), {"high": "top", "low": "bottom"})
        for end in value.unscanned_ends:
            x, y, z = end.point_mm
            dimension = name.replace("_", " ").capitalize()
            sentences.append(
                f"{dimension}: the {ends[end.end]} end lies in an opening of what was scanned, about X {x:.0f}, "
                f"Y {y:.0f}, Z {z:.0f} mm. The surface extrapolated across it reaches about {end.beyond_mm:.1f} mm "
                "further, which is not in the uncertainty: scan this end again or check it by hand."
            )
    return sentences


def track(axles: list[AxleResult]) -> Track:
    """Tracks, axle by axle, with expanded uncertainties; None where they are not known."""

    def expanded(sd_mm: float | None) -> float | None:
        return None if sd_mm is None else COVERAGE * sd_mm

    return Track(
        over_tyres_mm=[axle.over_tyres_mm for axle in axles],
        over_tyres_uncertainty_mm=[expanded(axle.over_tyres_sd_mm) for axle in axles],
        track_mm=[axle.track_mm for axle in axles],
        track_uncertainty_mm=[expanded(axle.track_sd_mm) for axle in axles],
        reasons=[axle.track_reason for axle in axles],
    )


def extent(body: Body) -> Extent | None:
    """Bounds of the measured surface along the axes of the frame; None without measured surface."""
    bounds = vertices.bounds(body.vertices_mm, body.areas)
    return None if bounds is None else Extent(*bounds)


def vertex_noise(model: Surface, noise_mm: float) -> np.ndarray:
    """Standard deviation of the points about each vertex, (n,) float32 mm, at least ``noise_mm``, that of a point on
    paint."""
    if "spread_mm" not in model.vertex:
        return np.full(len(model.vertices_mm), noise_mm, np.float32)
    spread = model.vertex["spread_mm"][:]
    return np.fmax(spread, np.float32(noise_mm), out=spread)  # unknown spreads are NaN

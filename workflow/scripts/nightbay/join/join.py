"""Stage join: the interior of a job in the frame of its exterior, its load sizes there, and the walls' thickness."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import axes, rigid
from nightbay.core.errors import Rejected
from nightbay.join import acceptance, evidence, load_sizes, models, registration, thickness
from nightbay.join.evidence import Part
from nightbay.join.joined_parts import JoinedParts
from nightbay.join.registration import Registered
from nightbay.join.result import Contradictions, JoinedFile, JoinResult, Tried
from nightbay.join.skin import Skin
from nightbay.meshes import surface
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.sections.plane import AxisPlane, axis_plane

REMEDY = (
    "stick four targets or more where both parts see them, let both parts see a door's sill and pillars, or name four "
    "points or more of both models in the job sheet (join.point_pairs_mm)"
)


def join(
    upstream: Mapping[str, Sequence[Upstream]], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Find the interior's pose in the exterior; write tables, ``sections.json`` and the models in one
    frame.

    :mod:`nightbay.pipeline.stage` describes the arguments. Returns a :class:`JoinResult` as plain data, with ``notes``.
    Raises :class:`Rejected` where no pose is found, or where something contradicts it: both parts stay as they are.
    """
    exterior, interior = evidence.parts_of(upstream)
    a, b = evidence.skin(exterior, settings), evidence.skin(interior, settings)
    print(f"{len(a.points_mm)} points of the exterior, {len(b.points_mm)} of the interior")
    found = registration.register(
        a, b, evidence.evidence(exterior, interior, sheet, settings.scan), sheet["by"], settings
    )
    if isinstance(found, list):
        raise Rejected(_not_found(found))
    against = acceptance.contradictions_of(a, b, found, settings.join.cell_mm)
    fault = acceptance.fault(a, b, found, against, _same_frames(exterior, interior), settings)
    if fault is not None:
        raise Rejected(
            f"Interior and exterior are not joined: a pose was found by {found.found_by}, but {fault.reason}; {REMEDY}."
        )
    step = settings.join.thickness_step_mm
    walls = thickness.measure(a, b, found.T_a_b, found.motion, step, settings.join.thickest_mm)
    (folder / models.THICKNESS_FILE).write_text("\n".join(thickness.table(walls)) + "\n", encoding="utf-8")
    planes = _planes(rigid.transform(found.T_a_b, b.corners_mm))
    load = load_sizes.find(JoinedParts(exterior, interior, a, b, found.T_a_b, found.motion))
    (folder / models.LOAD_FILE).write_text("\n".join(load_sizes.table(load)) + "\n", encoding="utf-8")
    sections = [thickness.section(plane.name, plane.axis, plane.value_mm, walls, step) for plane in planes]
    files = _write(exterior, interior, found, planes, sheet["combined"], folder)
    convention = axes.axes(exterior.frame.axes)
    result = _result(exterior, interior, found, against, b)
    made = JoinResult(
        **result, thickness=thickness.walls(walls, convention), sections=sections, load=load, deliverables=files
    )
    return typed.write(made) | {"notes": _notes(made)}


def _not_found(tried: Sequence[Tried]) -> str:
    """Why the parts can't be joined, one sentence."""
    why = "; ".join(f"by {each.by}: {each.reason}" for each in tried)
    return f"Interior and exterior are not joined ({why}): {REMEDY}."


def _same_frames(exterior: Part, interior: Part) -> tuple[bool, bool]:
    """Whether both vehicle frames know where up is, and which end is the front."""
    frames = (exterior.frame, interior.frame)
    return (
        all(frame.zero_planes["z"].found for frame in frames),
        all(evidence.knows_front(frame) for frame in frames),
    )


def _planes(corners_mm: np.ndarray) -> list[AxisPlane]:
    """A section through the room's middle across each axis of the exterior's vehicle frame."""
    middle = corners_mm.mean(axis=0)
    return [
        axis_plane(f"{axis.upper()} = {round(middle[number]):.0f} mm", number, float(round(middle[number])))
        for number, axis in enumerate("xyz")
    ]


def _write(
    exterior: Part, interior: Part, found: Registered, planes: Sequence[AxisPlane], combined: bool, folder: Path
) -> list[JoinedFile]:
    """Write the models and sections; returns the files that a customer gets."""
    outer, inner = (surface.open_ply(part.fill.folder / "surface.ply") for part in (exterior, interior))
    frame = axes.axes(exterior.frame.axes).meaning
    models.write_sections(folder, outer, inner, found.T_a_b, planes)
    files = [models.write_interior(folder, inner, found.T_a_b, frame)]
    if combined:
        files.append(models.write_combined(folder, outer, inner, found.T_a_b, frame))
    models.write_sums(folder, [*(file.file for file in files), models.THICKNESS_FILE, models.LOAD_FILE])
    return files


def _result(exterior: Part, interior: Part, found: Registered, against: Contradictions, b: Skin) -> dict[str, Any]:
    """The fields of the result that follow from the pose."""
    T_control_vehicle = rigid.invert(exterior.frame.T_vehicle_control)
    corners = rigid.transform(found.T_a_b, b.corners_mm)
    at_origin = rigid.covariance_at_origin(found.motion.covariance, found.motion.centre_mm)
    turn = np.kron(np.eye(2), T_control_vehicle[:3, :3])
    # the same motion about the origin of the control frame: turned into its axes, then moved from vehicle's origin
    covariance = rigid.covariance_at_origin(turn @ at_origin @ turn.T, T_control_vehicle[:3, 3])
    T_vehicle_interior_control = found.T_a_b @ interior.frame.T_vehicle_control
    return {
        "found_by": found.found_by,
        "tried": found.tried,
        "T_exterior_interior": T_control_vehicle @ T_vehicle_interior_control,
        "covariance": covariance,
        "T_vehicle_interior": found.T_a_b,
        "T_vehicle_interior_control": T_vehicle_interior_control,
        "middle_sd_mm": float(found.motion.sd_at(corners.mean(axis=0)[None])[0]),
        "corner_sd_mm": float(found.motion.sd_at(corners).max()),
        "rotation_sd_deg": np.degrees(np.sqrt(np.diag(found.motion.covariance)[:3])),
        "points": found.points,
        "surface": found.surface,
        "contradictions": against,
        "alternatives": found.alternatives,
        "thickness_coverage": thickness.COVERAGE,
    }


def _notes(made: JoinResult) -> list[str]:
    """Sentences for the report."""
    notes = [f"The parts could not be joined by {each.by}: {each.reason}." for each in made.tried]
    if made.points is not None and made.points.dropped:
        dropped = ", ".join(made.points.dropped)
        notes.append(f"Common points that contradict the others were left out of the join: {dropped}.")
    return notes

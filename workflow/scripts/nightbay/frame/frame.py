"""Sets a part into the vehicle frame: one rigid transform, and how each zero plane was found."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.clean.result import CleanResult, SegmentGround
from nightbay.clouds.posed import PosedClouds
from nightbay.core import axes, rigid
from nightbay.core.errors import NotFound
from nightbay.frame import (
    axles,
    datum,
    fiducials,
    fixed_frame,
    ground_choice,
    ground_plane,
    heading,
    interior,
    room_hints,
    room_list,
    stance_evidence,
    stance_notes,
    stance_result,
    tyre_contact,
    ways,
)
from nightbay.frame.ground_plane import GroundPlane, SegmentPlane
from nightbay.frame.part_view import PartView
from nightbay.frame.result import FrameResult, Ground, Heading, Room, Way
from nightbay.network.result import NetworkResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.refine.result import RefineResult


def frame(
    upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Find the vehicle frame of a part; see DEVELOPERS.md for the contract of a stage.

    Datums, in this order: the ground gives Z, the symmetry plane at right angles to it gives Y, the front axle gives X
    (ISO 4130 names the zero planes). Fiducials of the job sheet come before all of them in what they determine. What is
    not found stays as scanned, with the reason. Returns a :class:`FrameResult` as plain data, with notes.
    """
    options, cleaned = settings.frame, normal_orientation.placed(upstream["clean"], upstream["refine"])
    clouds = PosedClouds(normal_orientation.open_posed(segment, upstream["refine"]) for segment in cleaned)
    thinned = clouds.thinned(options.coarse_mm)
    view = PartView(clouds, *thinned, options, settings.scan.target_drift_mm_per_m, threads)
    print(f"{len(clouds)} points, {len(view.points_mm)} when thinned to {options.coarse_mm} mm")
    refined = typed.read(RefineResult, upstream["refine"].result)
    factor = refined.scale.factor
    if cleaned[0].part == "interior":
        return _interior(view, sheet.get("axes", {}), factor)
    # directions in the job sheet are those of the raw frame, with a control survey those of the survey
    hints = {name: room_hints.DIRECTIONS[value] for name, value in sheet.get("axes", {}).items()}
    planes, choice = _grounds(cleaned, view, factor)
    scanned, showing = ground_plane.join(planes, view), view
    found = exterior(view, scanned, refused=choice.reason is not None)
    named = sheet.get("stance", {})
    floors = stance_evidence.floors_mm([segment for segment in cleaned if segment.segment in planes], view, factor)
    standing = stance_evidence.find(found, view, floors, options.stance_mm, named)
    if standing and found.ground is scanned:  # that of a vehicle which leans is not level with its floor
        standing = replace(standing, kept_floor=ground_choice.kept_floor(choice, scanned))
    if standing and standing.agreement.moved:
        showing = stance_evidence.only(view, standing.used())
        planes = {name: plane for name, plane in planes.items() if name in standing.used()}
        scanned = ground_plane.join(planes, view)
        found = exterior(view, scanned, showing)
    forward = heading.find(found, view, hints)
    if found.found("z"):
        place(found, view, forward.sign)
    framed, notes = result(found, forward, view), [*ground_choice.notes(choice), *found.notes, *forward.notes]
    entries = sheet.get("vehicle_frame", {}).get("fiducials", [])
    if entries:
        poses = {name: (pose.T_control_segment, pose.covariance) for name, pose in refined.poses.items()}
        targets = typed.read(NetworkResult, upstream["network"].result).targets
        known = fiducials.read(entries, targets, poses, factor, options.fiducial_sd_mm)
        framed, more = fixed_frame.apply(known, framed, found, view)
        notes += more
    listed = zero_plane_ways(found, scanned, framed, showing)
    ground = ground_in_vehicle(found, framed)
    framed = replace(framed, ways=listed, ground=ground, grounds_left_out=choice.left_out)
    if standing and found.found("z"):
        records = {segment.segment: typed.read(CleanResult, segment.result) for segment in cleaned}
        stance = stance_result.stance(standing, framed, view, records, named, folder)
        framed, notes = replace(framed, stance=stance), [*notes, *stance_notes.notes(stance)]
    return typed.write(framed) | {"notes": notes}


def _interior(view: PartView, written: Mapping[str, Any], factor: float) -> dict[str, Any]:
    """The stage's numbers and notes for an interior; ``written``: ``axes`` of the job sheet."""
    room = interior.find(view, written, factor)
    found = room.datum
    forward = heading.find(found, view, {} if room.forward is None else {"forward": room.forward})
    if found.found("z"):
        place(found, view, forward.sign)
    framed = result(found, forward, view)
    listed = room_list.planes(room.planes, framed, view)
    framed = replace(framed, room=Room(listed, room.up, room.along))
    return typed.write(framed) | {"notes": [*room.notes, *found.notes, *forward.notes]}


def _scaled(ground: SegmentGround | None, factor: float) -> SegmentGround | None:
    """A ground from clean, which is in the scanner's lengths, in the scaled lengths of the clouds."""
    return None if ground is None else replace(ground, offset_mm=ground.offset_mm * factor)


def _grounds(
    cleaned: Sequence[Any], view: PartView, factor: float
) -> tuple[dict[str, SegmentPlane], ground_choice.Choice]:
    """The grounds in use, {segment: plane in the control frame}, and the choice among all that segments show."""
    grounds = {segment.segment: _scaled(typed.read(CleanResult, segment.result).ground, factor) for segment in cleaned}
    planes = ground_plane.of_segments(grounds, view)

    def axles_on(names: list[str]) -> int:
        ground = ground_plane.join({name: planes[name] for name in names}, view)
        found = exterior(view, ground)
        return len(found.axles) if found.ground is ground else 0  # not those of the plane through the tyres

    choice = ground_choice.choose(planes, view, axles_on)
    return {name: planes[name] for name in choice.used}, choice


def exterior(
    view: PartView, ground: GroundPlane | None, wheels: PartView | None = None, refused: bool = False
) -> datum.Datum:
    """The datum of a vehicle's exterior: zero Z from the ``ground`` where segments show it, else from its tyres.

    ``wheels``: the view that the wheels come from where that is not the whole part. ``refused``: segments show a
    ground, but none can be used.
    """
    wheels = wheels or view
    standing = tyre_contact.find(wheels) if ground is None else ground
    if isinstance(standing, NotFound):
        if refused:
            return datum.as_scanned(f"no ground that segments show can be used, and {standing.reason}")
        return datum.as_scanned(f"no segment shows the ground, and {standing.reason}")
    found = datum.level(standing, view.points_mm)
    datum.set_mirror(found, view)
    if found.lean_deg is not None and ground is not None:
        found = leaning(found, ground, view)
    if found.found("y"):  # without it, the direction of the axles is not known
        axles.find(found, wheels)
        if not found.wheels:
            found.notes.append(
                "No wheel stands on the ground: heights are those over the floor under the part, which say nothing of "
                "its ride height and its pitch."
            )
    return found


def leaning(found: datum.Datum, ground: GroundPlane, view: PartView) -> datum.Datum:
    """The datum of a vehicle that leans, as on its side stand: it follows the vehicle, zero Z is where its tyres stand.

    As it was ``found`` against the ``ground`` where its tyres do not show a plane.
    """
    standing = tyre_contact.find(view)
    if isinstance(standing, NotFound):
        return found
    upright = datum.level(standing, view.points_mm)
    datum.set_mirror(upright, view)
    if not upright.found("y"):
        return found
    lean_deg = np.degrees(np.arccos(np.clip(upright.up @ ground.normal, -1.0, 1.0)))
    upright.notes.append(
        f"The vehicle leans by {lean_deg:.1f} degrees against the ground, as on a stand or a ramp: its frame follows "
        "the vehicle, zero Z is the plane on which its tyres stand, and heights are taken from there."
    )
    return upright


def place(found: datum.Datum, view: PartView, sign: float) -> None:
    """Set the zero planes that depend on which end is the front; wheels and axles move with them.

    ``sign`` of the front along the level frame's X.
    """
    before = found.T_level_control
    if view.options.zero_y == "axle":
        axles.set_zero_y(found, sign, view.options.zero_y_axle)
        axles.carry(found, before)
    before = found.T_level_control
    axles.set_zero_x(found, view, sign)
    axles.carry(found, before)


def result(found: datum.Datum, forward: heading.Forward, view: PartView) -> FrameResult:
    """The stage's numbers."""
    convention = axes.axes(view.options.axes) if found.found("z") else axes.AS_SCANNED
    # a part that is kept as scanned keeps its X
    x_axis = found.along * forward.sign * (convention.forward if found.found("z") else 1.0)
    rotation = np.array([x_axis, np.cross(found.up, x_axis), found.up])
    T_vehicle_control = rigid.pose(rotation, -rotation @ found.zero_mm)
    T_vehicle_level = T_vehicle_control @ rigid.invert(found.T_level_control)
    if found.symmetry:
        # the roll counts towards `across` until the front is known, then towards the vehicle's right
        sign = float(np.sign(found.across @ np.cross(found.along * forward.sign, found.up)))
        found.symmetry = replace(found.symmetry, roll_deg=found.symmetry.roll_deg * sign)
    planes = sum(found.found(name) for name in "xyz")
    return FrameResult(
        T_vehicle_control=T_vehicle_control,
        axes=convention.name,
        state={0: "as scanned", 3: "vehicle"}.get(planes, "partial"),
        zero_planes=found.planes,
        rotation_sd_deg={
            name: None if value is None else float(np.degrees(value)) for name, value in found.turn_sd_rad.items()
        },
        heading=Heading(forward.found_by, forward.assumed),
        symmetry=found.symmetry,
        wheels=axles.wheels_in_vehicle(found.wheels, T_vehicle_level, convention),
        axles=axles.axles_in_vehicle(found.axles, T_vehicle_level, convention),
        segments=view.bounds(T_vehicle_control),
    )


def zero_plane_ways(found: datum.Datum, scanned: GroundPlane | None, framed: FrameResult, view: PartView) -> list[Way]:
    """Each way in which a zero plane can be found, against the planes in use; ``scanned``: the ground as segments saw
    it."""
    sign = float(np.sign(axes.axes(framed.axes).forward * (framed.T_vehicle_control[0, :3] @ found.along)))
    listed = [ways.of_ground(ground) for ground in (scanned or found.ground,) if ground is not None]
    if found.planes["z"].found_by == "tyre contact" and scanned is not None and found.ground is not None:
        listed.append(ways.of_ground(found.ground))
    elif scanned is not None:
        listed += ways.of_tyres(found, view)
    listed += [*ways.of_mirror(found, view), *ways.of_axles(found, sign)]
    listed += fixed_frame.ways_of(framed, view)
    turns = {name: np.radians(sd or 0.0) for name, sd in framed.rotation_sd_deg.items()}
    planes = framed.zero_planes
    in_use = ways.Frame(
        framed.T_vehicle_control,
        view.points_mm.mean(axis=0),
        {name: plane.found_by if plane.found else None for name, plane in planes.items()},
        {name: plane.shape_sd_mm or plane.sd_mm or 0.0 for name, plane in planes.items()},
        turns,
    )
    return ways.compare(listed, in_use, view.options)


def ground_in_vehicle(found: datum.Datum, framed: FrameResult) -> Ground | None:
    """The plane on which the vehicle stands, in the vehicle frame; None where it is not known."""
    if found.ground is None:
        return None
    normal = rigid.rotate(framed.T_vehicle_control, found.ground.normal[None])[0]
    point = rigid.transform(framed.T_vehicle_control, (found.ground.normal * found.ground.offset_mm)[None])[0]
    return Ground(found.ground.found_by, normal, float(normal @ point), float(found.ground.sd_mm))

"""Sets a part into the vehicle frame: one rigid transform, and how each zero plane was found."""

from dataclasses import replace

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid
from nightbay.frame import axles, datum, ground_plane, heading, interior, tyre_contact
from nightbay.frame.result import Bounds, FrameResult, Heading
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed

SIGNED = {f"{sign}{axis}": s * np.eye(3)[at] for at, axis in enumerate("xyz") for sign, s in (("+", 1.0), ("-", -1.0))}


def frame(upstream, sheet, settings, folder, threads):
    """Find the vehicle frame of a part; see DEVELOPERS.md for the contract of a stage.

    Datums, in this order: the ground gives Z, the symmetry plane at right angles to it gives Y, the front axle gives X
    (ISO 4130 names the zero planes). What can't be found stays as scanned, and says so.
    """
    options = settings["frame"]
    segments = {one.segment: one for one in upstream["clean"]}
    poses = upstream["refine"].result["poses"]
    T_control_segment = {name: poses[name]["T_control_segment"] for name in segments}
    clouds = PosedClouds(normal_orientation.open_posed(one, upstream["refine"]) for one in upstream["clean"])
    drift = settings["scan"]["target_drift_mm_per_m"]
    seen = datum.Seen(clouds, *clouds.thinned(options["coarse_mm"]), poses, options, drift, threads)
    print(f"{len(clouds)} points, {len(seen.points_mm)} when thinned to {options['coarse_mm']} mm")
    # directions in the sheet are the raw frame's; a control survey is the raw frame that counts
    hints = {name: SIGNED[value] for name, value in sheet.get("axes", {}).items()}
    if upstream["clean"][0].part == "interior":
        found = interior.find(seen, hints)
    else:
        factor = upstream["refine"].result["scale"]["factor"]
        grounds = {name: _scaled(one.result.get("ground"), factor) for name, one in segments.items()}
        found = exterior(seen, ground_plane.join(grounds, T_control_segment, seen))
    facing = heading.find(found, seen, hints)
    if found.found("z"):
        place(found, seen, facing["sign"])
    return result(found, facing, seen)


def _scaled(ground, factor):
    """A ground of clean, in millimetres of the scanner, in those of the clouds as they are handed out."""
    return None if ground is None else ground | {"offset_mm": ground["offset_mm"] * factor}


def exterior(seen, ground):
    """The :class:`~nightbay.frame.datum.Datum` of a vehicle's outside, standing on its ground where that was seen."""
    if ground is None:
        ground = tyre_contact.find(seen)
        if isinstance(ground, str):
            return datum.as_scanned(f"no segment shows the ground, and {ground}")
    found = datum.level(ground, seen.points_mm)
    datum.set_mirror(found, seen)
    if found.found("y"):  # without it, nobody knows which way an axle runs
        axles.find(found, seen)
    return found


def place(found, seen, sign):
    """Zero planes that depend on which end is the front; wheels and axles move with them."""
    before = found.T_level_control
    if seen.options["zero_y"] == "axle":
        axles.set_zero_y(found, sign, seen.options["zero_y_axle"])
        axles.carry(found, before)
    before = found.T_level_control
    axles.set_zero_x(found, seen, sign)
    axles.carry(found, before)


def result(found, facing, seen):
    """The stage's numbers."""
    design_grid = seen.options["axes"] == "design_grid"
    # kept as scanned means exactly so: neither axis convention is laid on it
    x_axis = found.along * facing["sign"] * (-1.0 if design_grid and found.found("z") else 1.0)
    rotation = np.array([x_axis, np.cross(found.up, x_axis), found.up])
    T_vehicle_control = rigid.pose(rotation, -rotation @ found.zero_mm)
    T_vehicle_level = T_vehicle_control @ rigid.invert(found.T_level_control)
    posed = rigid.transform(T_vehicle_control, seen.points_mm)
    bounds = {name: posed[seen.segment == at] for at, name in enumerate(seen.names)}
    if found.symmetry:
        # told against `across` so far, from now on against the vehicle's right
        sign = float(np.sign(found.across @ np.cross(found.along * facing["sign"], found.up)))
        found.symmetry = replace(found.symmetry, roll_deg=found.symmetry.roll_deg * sign)
    planes = sum(found.found(name) for name in "xyz")
    numbers = FrameResult(
        T_vehicle_control=T_vehicle_control,
        axes=seen.options["axes"] if found.found("z") else "as_scanned",
        state={0: "as scanned", 3: "vehicle"}.get(planes, "partial"),
        zero_planes=found.planes,
        rotation_sd_deg={
            name: None if value is None else float(np.degrees(value)) for name, value in found.turn_sd_rad.items()
        },
        heading=Heading(facing["found_by"], facing["assumed"]),
        symmetry=found.symmetry,
        wheels=axles.wheels_in_vehicle(found.wheels, T_vehicle_level, design_grid),
        axles=axles.axles_in_vehicle(found.axles, T_vehicle_level, design_grid),
        segments={name: Bounds(mine.min(axis=0), mine.max(axis=0)) for name, mine in bounds.items() if len(mine)},
    )
    return typed.write(numbers) | {"notes": [*found.notes, *facing["notes"]]}

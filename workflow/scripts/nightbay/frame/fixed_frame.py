"""The vehicle frame by fiducials put in the place of the one that was found without them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from nightbay.core import axes, rigid
from nightbay.core.errors import NotFound
from nightbay.frame import axles, fiducials
from nightbay.frame.datum import Datum
from nightbay.frame.fiducials import Fiducial, Fixed
from nightbay.frame.part_view import PartView
from nightbay.frame.result import FrameResult, Heading, ZeroPlane
from nightbay.frame.ways import Found

NAMED = "named fiducials"
HALF_TURN = np.diag([-1.0, -1.0, 1.0, 1.0])  # between the design grid and ISO 8855, about Z


def apply(
    named: Sequence[Fiducial], framed: FrameResult, found: Datum, view: PartView
) -> tuple[FrameResult, list[str]]:
    """The frame by ``named`` fiducials, and notes; as it was ``framed`` where they do not give one.

    ``found``: the datum behind ``framed``. Where fiducials determine something, they come before ground, symmetry and
    axles, whose planes are then compared with theirs.
    """
    convention = axes.axes(view.options.axes)
    to_axes = np.eye(4) if convention == axes.DESIGN_GRID else HALF_TURN
    directions = found.found("z") and found.found("y")
    T_grid = (to_axes if found.found("z") else np.eye(4)) @ framed.T_vehicle_control  # a half turn is its own inverse
    off = np.linalg.norm(view.points_mm - view.points_mm.mean(axis=0), axis=1)
    turns = [framed.rotation_sd_deg[name] for name in "xyz"]
    start = fiducials.Start(
        T_grid,
        directions,
        np.array([np.inf if turn is None else np.radians(turn) for turn in turns]),
        view.points_mm.mean(axis=0),
        float(off.max()),
    )
    fixed = fiducials.fix(named, start, view.options.symmetry_sd_mm)
    if isinstance(fixed, NotFound):
        return framed, [f"The fiducials of the job sheet are not used: {fixed.reason}."]
    notes = [] if fixed.contradiction is None else [fixed.contradiction]
    if fixed.turned:
        notes.append(
            "The fiducials show the front at the other end than the names of segments, the sheet or the shape."
        )
    return _replaced(framed, fixed, to_axes @ fixed.T_grid_control, found, view), notes


def _replaced(
    framed: FrameResult, fixed: Fixed, T_vehicle_control: np.ndarray, found: Datum, view: PartView
) -> FrameResult:
    """The result with everything that depends on the frame taken from the fiducials' one."""
    planes = {}
    for at, name in enumerate("xyz"):
        normal = T_vehicle_control[at, :3]
        offset_mm = -float(T_vehicle_control[at, 3])
        plane = framed.zero_planes[name]
        if name in fixed.named:
            planes[name] = ZeroPlane(NAMED, None, normal, offset_mm, fixed.sd_mm[name])
        else:
            planes[name] = replace(plane, normal=normal, offset_mm=offset_mm) if plane.found else plane
    convention = axes.axes(view.options.axes)
    T_vehicle_level = T_vehicle_control @ rigid.invert(found.T_level_control)
    number = sum(plane.found for plane in planes.values())
    return replace(
        framed,
        T_vehicle_control=T_vehicle_control,
        axes=convention.name,
        state="vehicle" if number == len(planes) else "partial",
        zero_planes=planes,
        rotation_sd_deg={name: float(np.degrees(sd)) for name, sd in zip("xyz", fixed.turn_sd_rad, strict=True)},
        heading=Heading(NAMED, False) if fixed.heads else framed.heading,
        wheels=axles.wheels_in_vehicle(found.wheels, T_vehicle_level, convention),
        axles=axles.axles_in_vehicle(found.axles, T_vehicle_level, convention),
        segments=view.bounds(T_vehicle_control),
        fiducials=fixed.listed,
    )


def ways_of(framed: FrameResult, view: PartView) -> list[Found]:
    """The zero planes that the fiducials give, as ways in use."""
    found = []
    for name, plane in framed.zero_planes.items():
        if plane.found_by != NAMED or plane.normal is None or plane.offset_mm is None or plane.sd_mm is None:
            continue
        count = sum(entry.residual_mm[name] is not None for entry in framed.fiducials)
        found.append(
            Found(name, NAMED, plane.normal * plane.offset_mm, plane.normal, plane.sd_mm, {}, count, "fiducials", [])
        )
    return found

"""Sets a part into the vehicle frame: one rigid transform, and how each zero plane was found."""

from dataclasses import dataclass, field

import numpy as np

from nightbay import axles, front, groundplane, interior, rigid, symmetry
from nightbay.posed import PosedClouds

# distances within which a mirror image counts as one, coarse to fine; the last one comes from the parameters
REACHES_MM = (250.0, 100.0, 40.0, 15.0)
SIGNED = {f"{sign}{axis}": s * np.eye(3)[at] for at, axis in enumerate("xyz") for sign, s in (("+", 1.0), ("-", -1.0))}


@dataclass
class Datum:
    """What is known of the vehicle frame while it is being found, in the control frame.

    ``up``, ``along``, ``across`` (3,) unit, right-handed (along x across = up); ``zero_mm`` (3,): a point that lies on
    every zero plane that was found; ``planes`` and ``notes`` go to the JSON.
    """

    along: np.ndarray
    across: np.ndarray
    up: np.ndarray
    zero_mm: np.ndarray
    planes: dict
    turn_sd_rad: dict
    wheels: list = field(default_factory=list)
    axles: list = field(default_factory=list)
    symmetry: dict | None = None
    forward: dict | None = None
    notes: list = field(default_factory=list)

    @property
    def T_level_control(self):
        """Into the level frame: X along the body (either way), Y across, Z up, zero at ``zero_mm``."""
        rotation = np.array([self.along, self.across, self.up])
        return rigid.pose(rotation, -rotation @ self.zero_mm)


def frame(upstream, sheet, settings, folder, threads):
    """Find the vehicle frame of a part; see DEVELOPERS.md for the contract of a stage.

    Datums, in this order: the ground gives Z, the symmetry plane of the body at right angles to it gives Y, the front
    axle gives X (ISO 4130 names the zero planes). What can't be found stays as scanned, and says so.
    """
    options = settings["frame"]
    segments = {one.segment: one for one in upstream["clean"]}
    poses = {name: upstream["refine"].result["poses"][name]["T_control_segment"] for name in segments}
    clouds = PosedClouds({name: one.folder for name, one in segments.items()}, poses)
    points, normals, segment = clouds.thinned(options["coarse_mm"])
    print(f"{len(clouds)} points, {len(points)} when thinned to {options['coarse_mm']} mm")
    hints = {name: SIGNED[value] for name, value in sheet.get("axes", {}).items()}
    if upstream["clean"][0].part == "interior":
        datum = interior.find(points, normals, hints, options, threads)
    else:
        grounds = {name: one.result.get("ground") for name, one in segments.items()}
        ground = groundplane.join(grounds, poses, points, segment, clouds.names)
        datum = exterior(clouds, points, normals, ground, hints, options, threads)
    facing = front.find(datum, points, normals, segment, clouds.names, hints)
    if datum.planes["z"]["found_by"] != "kept":
        place(datum, facing["sign"], options)
    return result(datum, facing, points, segment, clouds.names, options)


def exterior(clouds, points, normals, ground, hints, options, threads):
    """The :class:`Datum` of a vehicle's outside."""
    if ground is None:
        return as_scanned("no segment shows the ground")
    datum = level(ground, points)
    mirror = mirror_plane(datum, points, normals, options, threads)
    if isinstance(mirror, str):
        keep_across(datum, mirror)
    else:
        set_mirror(datum, mirror, points, normals, options, threads)
    axles.find(datum, clouds, options, threads)
    return datum


def place(datum, sign, options):
    """Zero planes that depend on which end is the front; wheels and axles move with them."""
    before = datum.T_level_control
    if options["zero_y"] == "axle":
        axles.set_zero_y(datum, sign, options["zero_y_axle"])
        axles.carry(datum, before)
    before = datum.T_level_control
    axles.set_zero_x(datum, sign)
    axles.carry(datum, before)


def as_scanned(reason):
    """The control frame itself, for want of anything better, with the reason."""
    kept = {"found_by": "kept", "reason": reason, "normal": None, "offset_mm": None, "sd_mm": None}
    return Datum(
        *np.eye(3),
        np.zeros(3),
        {name: dict(kept) for name in "xyz"},
        dict.fromkeys("xyz"),
        notes=[f"The frame is kept as scanned: {reason}."],
    )


def level(ground, points):
    """A :class:`Datum` that knows the ground and the long direction of the body, roughly."""
    along = symmetry.guesses(points, ground.normal)[0]
    datum = as_scanned("not looked for yet")
    datum.notes.clear()
    datum.up, datum.along, datum.across = ground.normal, along, np.cross(ground.normal, along)
    middle = points.mean(axis=0)
    datum.zero_mm = middle - (middle @ ground.normal - ground.offset_mm) * ground.normal
    datum.planes["z"] = {
        "found_by": "ground plane",
        "normal": ground.normal.tolist(),
        "offset_mm": ground.offset_mm,
        "sd_mm": ground.sd_mm,
        "reason": None,
        "segments": ground.segments,
        "spread_mm": ground.spread_mm,
        "roughness_mm": ground.roughness_mm,
    }
    datum.turn_sd_rad.update(x=ground.tilt_sd_rad, y=ground.tilt_sd_rad)
    return datum


def mirror_plane(datum, points, normals, options, threads, axes=None):
    """The symmetry plane near the datum's long direction, or the reason why there is none (str)."""
    found = symmetry.fit(
        points,
        normals,
        datum.across,
        float(np.median(points @ datum.across)),
        axes=[datum.up] if axes is None else axes,
        along=datum.along,
        reaches_mm=(*REACHES_MM, options["symmetry_limit_mm"]),
        spacing_mm=options["coarse_mm"],
        threads=threads,
    )
    if found is None:
        return "the two sides of the part do not hold a symmetry plane fast"
    print(f"symmetry plane: {found.share:.1%} within {found.limit_mm} mm, sd {found.sd_mm:.3f} mm")
    if found.share < options["symmetry_share"]:
        return (
            f"only {found.share:.0%} of the points have a mirror image within {found.limit_mm:g} mm, "
            f"{options['symmetry_share']:.0%} are needed"
        )
    if found.sd_mm > options["symmetry_sd_mm"]:
        return f"the symmetry plane is uncertain by {found.sd_mm:.1f} mm, {options['symmetry_sd_mm']:g} mm are allowed"
    return found


def set_mirror(datum, mirror, points, normals, options, threads):
    """Take the symmetry plane as zero Y, and tell how far the body rolls against the ground."""
    datum.across = mirror.normal
    datum.along = np.cross(datum.across, datum.up)
    datum.zero_mm = datum.zero_mm - (datum.zero_mm @ mirror.normal - mirror.offset_mm) * mirror.normal
    datum.turn_sd_rad["z"] = mirror.turn_sd_rad(datum.up)
    datum.planes["y"] = {
        "found_by": "symmetry plane of the body",
        "normal": mirror.normal.tolist(),
        "offset_mm": mirror.offset_mm,
        "sd_mm": mirror.sd_mm,
        "reason": None,
    }
    datum.symmetry = {"share": mirror.share, "rms_mm": mirror.rms_mm, "limit_mm": mirror.limit_mm}
    free = mirror_plane(datum, points, normals, options, threads, axes=[datum.up, datum.along])
    if not isinstance(free, str):
        datum.symmetry["roll_deg"] = float(np.degrees(np.arcsin(free.normal @ datum.up)))
        datum.symmetry["roll_sd_deg"] = float(np.degrees(free.turn_sd_rad(datum.along)))


def keep_across(datum, reason):
    """No symmetry plane: X and Y stay in the direction of the control frame's axes, laid level."""
    axis = np.eye(3)[int(np.argmax(np.abs(datum.along)))]
    axis = axis * np.sign(axis @ datum.along)
    datum.along = axis - (axis @ datum.up) * datum.up
    datum.along /= np.linalg.norm(datum.along)
    datum.across = np.cross(datum.up, datum.along)
    datum.zero_mm = datum.planes["z"]["offset_mm"] * datum.up
    datum.planes["y"]["reason"] = reason
    datum.notes.append(f"Zero Y is kept as scanned: {reason}.")


def result(datum, facing, points, segment, names, options):
    """The stage's numbers."""
    design_grid = options["axes"] == "design_grid"
    ahead = datum.along * facing["sign"]
    x_axis = -ahead if design_grid else ahead
    rotation = np.array([x_axis, np.cross(datum.up, x_axis), datum.up])
    T_vehicle_control = rigid.pose(rotation, -rotation @ datum.zero_mm)
    T_vehicle_level = T_vehicle_control @ rigid.invert(datum.T_level_control)
    posed = rigid.transform(T_vehicle_control, points)
    found = [name for name in "xyz" if datum.planes[name]["found_by"] != "kept"]
    return {
        "T_vehicle_control": T_vehicle_control.tolist(),
        "axes": options["axes"],
        "state": {0: "as scanned", 3: "vehicle"}.get(len(found), "partial"),
        "zero_planes": datum.planes,
        "turn_sd_deg": {
            name: None if value is None else float(np.degrees(value)) for name, value in datum.turn_sd_rad.items()
        },
        "front": {"found_by": facing["found_by"], "assumed": facing["assumed"]},
        "symmetry": datum.symmetry,
        "wheels": axles.wheels_in_vehicle(datum.wheels, T_vehicle_level, design_grid),
        "axles": axles.axles_in_vehicle(datum.axles, T_vehicle_level, design_grid),
        "segments": {
            name: {
                "low_mm": posed[segment == at].min(axis=0).tolist(),
                "high_mm": posed[segment == at].max(axis=0).tolist(),
            }
            for at, name in enumerate(names)
        },
        "notes": [*datum.notes, *facing["notes"]],
    }

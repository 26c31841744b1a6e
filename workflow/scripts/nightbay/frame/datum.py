"""The vehicle frame while it is being found: which zero planes are known, and how."""

from dataclasses import dataclass, field, replace

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid
from nightbay.frame import symmetry
from nightbay.frame.result import Symmetry, ZeroPlane

# distances within which a mirror image counts as one, coarse to fine; the last one comes from the parameters
REACHES_MM = (250.0, 100.0, 40.0, 15.0)


@dataclass(frozen=True)
class Seen:
    """A part as frame looks at it, in the control frame.

    ``clouds``: every point; ``points_mm`` (n, 3) with unit ``normals`` (n, 3), evenly thinned, and the row of each
    one's ``segment`` (n,) in ``clouds.names``; ``poses`` of refine; ``options`` of frame; ``drift_mm_per_m`` of the
    survey; ``threads``.
    """

    clouds: PosedClouds
    points_mm: np.ndarray
    normals: np.ndarray
    segment: np.ndarray
    poses: dict
    options: dict
    drift_mm_per_m: float
    threads: int

    @property
    def names(self):
        """The segments' names in the order of their rows."""
        return self.clouds.names

    def registration_sd(self, direction):
        """Standard uncertainty of the part's mean place along ``direction``, (3,) unit, mm, and of its turn, rad.

        From the poses' covariances, each segment moves the mean by its share of the points, and from the survey's drift
        over the part's rms reach from its middle. None, None where a pose has no covariance.
        """
        off = self.points_mm - self.points_mm.mean(axis=0)
        reach = float(np.sqrt(np.linalg.eigvalsh(off.T @ off / len(off))[-1]))
        variance = (self.drift_mm_per_m * reach / 1000.0) ** 2
        for at, name in enumerate(self.names):
            mine = self.points_mm[self.segment == at]
            covariance = self.poses[name].get("covariance")
            if covariance is None:
                return None, None
            if len(mine):
                moves = np.concatenate([np.cross(mine.mean(axis=0), direction), direction])
                variance += (len(mine) / len(self.points_mm)) ** 2 * float(moves @ np.array(covariance, float) @ moves)
        return float(np.sqrt(variance)), float(np.sqrt(variance)) / reach


@dataclass
class Datum:
    """What is known of the vehicle frame, in the control frame.

    ``along``, ``across``, ``up`` (3,) unit, right-handed (along x across = up); ``zero_mm`` (3,): a point that lies on
    every zero plane that was found; ``planes``, ``turn_sd_rad``, ``symmetry`` and ``notes`` go to the JSON; ``wheels``
    and ``axles`` stand in the level frame; ``inside``: of a part seen from inside.
    """

    along: np.ndarray
    across: np.ndarray
    up: np.ndarray
    zero_mm: np.ndarray
    planes: dict[str, ZeroPlane]
    turn_sd_rad: dict
    wheels: list = field(default_factory=list)
    axles: list = field(default_factory=list)
    symmetry: Symmetry | None = None
    notes: list = field(default_factory=list)
    inside: bool = False

    def found(self, name):
        """Whether zero plane x, y or z was found."""
        return self.planes[name].found

    @property
    def T_level_control(self):
        """Into the level frame: X along the body (either way), Y across, Z up, zero at ``zero_mm``."""
        rotation = np.array([self.along, self.across, self.up])
        return rigid.pose(rotation, -rotation @ self.zero_mm)


def as_scanned(reason):
    """The control frame itself, for want of anything better, with the reason."""
    kept = ZeroPlane("kept", reason, None, None, None)
    return Datum(
        *np.eye(3),
        np.zeros(3),
        dict.fromkeys("xyz", kept),
        dict.fromkeys("xyz"),
        notes=[f"The frame is kept as scanned: {reason}."],
    )


def level(ground, points_mm, along=None):
    """A :class:`Datum` that knows a :class:`GroundPlane` and the long direction, roughly."""
    datum = as_scanned("not looked for")
    datum.notes.clear()
    along = symmetry.guesses(points_mm, ground.normal)[0] if along is None else along
    along = along - (along @ ground.normal) * ground.normal
    datum.up, datum.along = ground.normal, along / np.linalg.norm(along)
    datum.across = np.cross(datum.up, datum.along)
    middle = points_mm.mean(axis=0)
    datum.zero_mm = middle - (middle @ ground.normal - ground.offset_mm) * ground.normal
    datum.planes["z"] = ZeroPlane(
        ground.found_by,
        None,
        ground.normal,
        ground.offset_mm,
        ground.sd_mm,
        segments=ground.segments,
        spread_mm=ground.spread_mm,
        roughness_mm=ground.roughness_mm,
    )
    datum.turn_sd_rad.update(x=ground.tilt_sd_rad, y=ground.tilt_sd_rad)
    return datum


def mirror_plane(seen, along, across, axes):
    """The symmetry plane near a first guess, or the reason why there is none (str).

    ``along``, ``across`` (3,) unit: the guessed directions; ``axes`` (k, 3): about which the normal may turn.
    """
    options = seen.options
    found = symmetry.fit(
        seen.points_mm,
        seen.normals,
        across,
        float(np.median(seen.points_mm @ across)),
        axes=axes,
        along=along,
        reaches_mm=(*REACHES_MM, options["symmetry_limit_mm"]),
        spacing_mm=options["coarse_mm"],
        least_share=options["symmetry_share"],
        threads=seen.threads,
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


def set_mirror(datum, seen):
    """Look for the symmetry plane, and take the upright plane through its middle as zero Y.

    The plane may lean: a vehicle stands askew on its springs, and one that must be upright would not meet both sides.
    """
    mirror = mirror_plane(seen, datum.along, datum.across, [datum.up, datum.along])
    # the top leans to the side on which the normal points down
    roll_deg = None if isinstance(mirror, str) else -float(np.degrees(np.arcsin(mirror.normal @ datum.up)))
    if roll_deg is not None and abs(roll_deg) > seen.options["roll_deg"]:
        mirror = (
            f"the symmetry plane leans by {abs(roll_deg):.1f} degrees against the ground, "
            f"{seen.options['roll_deg']:g} are allowed"
        )
    if isinstance(mirror, str):
        keep_across(datum, mirror)
        return
    across = mirror.normal - (mirror.normal @ datum.up) * datum.up
    datum.across = across / np.linalg.norm(across)
    datum.along = np.cross(datum.across, datum.up)
    middle = mirror.centre_mm - (mirror.normal @ mirror.centre_mm - mirror.offset_mm) * mirror.normal
    datum.zero_mm = datum.zero_mm + ((middle - datum.zero_mm) @ datum.across) * datum.across
    posed, posed_turn = seen.registration_sd(datum.across)
    datum.turn_sd_rad["z"] = float(np.hypot(mirror.turn_sd_rad(datum.up), posed_turn or 0.0))
    datum.planes["y"] = ZeroPlane(
        "symmetry plane of the part",
        None,
        datum.across,
        float(datum.across @ middle),
        float(np.hypot(mirror.sd_mm, posed or 0.0)),
        shape_sd_mm=mirror.sd_mm,
        registration_sd_mm=posed,
    )
    datum.symmetry = Symmetry(
        share=mirror.share,
        rms_mm=mirror.rms_mm,
        limit_mm=mirror.limit_mm,
        roll_deg=roll_deg,
        roll_sd_deg=float(np.degrees(mirror.turn_sd_rad(datum.along))),
    )


def keep_across(datum, reason):
    """No symmetry plane: X and Y stay in the direction of the control frame's axes, laid level, with its zero."""
    axis = np.eye(3)[int(np.argmax(np.abs(datum.along)))]
    axis = axis * np.sign(axis @ datum.along)
    datum.along = axis - (axis @ datum.up) * datum.up
    datum.along /= np.linalg.norm(datum.along)
    datum.across = np.cross(datum.up, datum.along)
    datum.zero_mm = datum.planes["z"].offset_mm * datum.up
    datum.planes["y"] = replace(datum.planes["y"], reason=reason)
    datum.notes.append(f"Zero Y is kept as scanned: {reason}.")

"""The vehicle frame while it is being found: which zero planes are known, and how."""

from dataclasses import dataclass, field, replace

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.frame import symmetry
from nightbay.frame.ground_plane import GroundPlane
from nightbay.frame.part_view import PartView
from nightbay.frame.result import Symmetry, ZeroPlane
from nightbay.frame.symmetry import Plane
from nightbay.frame.wheels import Axle, Wheel

# distances within which a point counts as a mirror image, coarse to fine; the last comes from the settings
REACHES_MM = (250.0, 100.0, 40.0, 15.0)
LONG = 1.6  # least length of a whole vehicle over its width, mirrors included (common practice, no source)


@dataclass
class Datum:
    """What is known of the vehicle frame, in the control frame.

    ``along``, ``across``, ``up`` (3,) unit, right-handed (along x across = up); ``zero_mm`` (3,): a point that lies on
    every zero plane that was found; ``planes``, ``turn_sd_rad``, ``symmetry`` and ``notes`` go to the JSON; ``wheels``
    and ``axles`` are in the level frame; ``mirror``: the symmetry plane, which may lean; ``lean_deg``: how far it leans
    where that is too much for zero Y; ``ground`` on which it stands; ``inside``: the part is an interior; ``open_end``
    (3,): direction of the end of a room that is open while the other is closed, None otherwise.
    """

    along: np.ndarray
    across: np.ndarray
    up: np.ndarray
    zero_mm: np.ndarray
    planes: dict[str, ZeroPlane]
    turn_sd_rad: dict[str, float | None]
    wheels: list[Wheel] = field(default_factory=list)
    axles: list[Axle] = field(default_factory=list)
    symmetry: Symmetry | None = None
    mirror: Plane | None = None
    lean_deg: float | None = None
    ground: GroundPlane | None = None
    notes: list[str] = field(default_factory=list)
    inside: bool = False
    open_end: np.ndarray | None = None

    def found(self, name: str) -> bool:
        """Whether zero plane x, y or z was found."""
        return self.planes[name].found

    @property
    def T_level_control(self) -> np.ndarray:
        """Pose (4, 4) into the level frame: X along the body (either way), Y across, Z up, zero at ``zero_mm``."""
        rotation = np.array([self.along, self.across, self.up])
        return rigid.pose(rotation, -rotation @ self.zero_mm)


def as_scanned(reason: str) -> Datum:
    """The control frame itself as the datum; ``reason``: why no zero plane was found."""
    kept = ZeroPlane("kept", reason, None, None, None)
    along, across, up = np.eye(3)
    return Datum(
        along,
        across,
        up,
        np.zeros(3),
        dict.fromkeys("xyz", kept),
        dict.fromkeys("xyz"),
        notes=[f"The frame is kept as scanned: {reason}."],
    )


def level(ground: GroundPlane, points_mm: np.ndarray, along: np.ndarray | None = None) -> Datum:
    """A :class:`Datum` with zero Z from the ground and a rough long direction.

    ``points_mm`` (n, 3) of the part; ``along`` (3,): the long direction where it is known, else the plan view gives it.
    """
    datum = as_scanned("not looked for")
    datum.notes.clear()
    along = symmetry.guesses(points_mm, ground.normal)[0] if along is None else along
    along = along - (along @ ground.normal) * ground.normal
    datum.up, datum.along = ground.normal, along / np.linalg.norm(along)
    datum.across = np.cross(datum.up, datum.along)
    middle = points_mm.mean(axis=0)
    datum.zero_mm = middle - (middle @ ground.normal - ground.offset_mm) * ground.normal
    datum.ground = ground
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


def mirror_plane(view: PartView, along: np.ndarray, across: np.ndarray, axes: np.ndarray) -> symmetry.Plane | NotFound:
    """The symmetry plane near a first guess; :class:`NotFound` where the part has none, or it is too uncertain.

    ``along``, ``across`` (3,) unit: the guessed directions; ``axes`` (k, 3): about which the normal may turn.
    """
    options = view.options
    search = symmetry.Search(
        axes=axes,
        along=along,
        reaches_mm=(*REACHES_MM, options.symmetry_limit_mm),
        spacing_mm=options.coarse_mm,
        least_share=options.symmetry_share,
        threads=view.threads,
    )
    offset_mm = float(np.median(view.points_mm @ across))
    found = symmetry.fit(view.points_mm, view.normals, across, offset_mm, search)
    if isinstance(found, NotFound):
        return found
    print(f"symmetry plane: {found.share:.1%} within {found.limit_mm} mm, sd {found.sd_mm:.3f} mm")
    if found.share < options.symmetry_share:
        return NotFound(
            f"only {found.share:.0%} of the points have a mirror image within {found.limit_mm:g} mm, "
            f"{options.symmetry_share:.0%} are needed"
        )
    if found.sd_mm > options.symmetry_sd_mm:
        return NotFound(
            f"the symmetry plane is uncertain by {found.sd_mm:.1f} mm, {options.symmetry_sd_mm:g} mm are allowed"
        )
    return found


def set_mirror(datum: Datum, view: PartView) -> None:
    """Look for the symmetry plane, and take the upright plane through its middle as zero Y.

    The symmetry plane may lean, because a vehicle may stand askew on its springs. An upright plane would not mirror its
    sides then.
    """
    mirror = _upright_mirror(datum, view)
    if isinstance(mirror, NotFound):
        keep_across(datum, mirror.reason)
        return
    # the top leans to the side on which the normal points down
    roll_deg = -float(np.degrees(np.arcsin(mirror.normal @ datum.up)))
    if abs(roll_deg) > view.options.roll_deg:
        reason = (
            f"the symmetry plane leans by {abs(roll_deg):.1f} degrees from the ground's normal, at most "
            f"{view.options.roll_deg:g} are allowed"
        )
        keep_across(datum, reason)
        datum.lean_deg = roll_deg
        return
    _set_zero_y(datum, view, mirror)
    datum.mirror = mirror
    datum.symmetry = Symmetry(
        share=mirror.share,
        rms_mm=mirror.rms_mm,
        limit_mm=mirror.limit_mm,
        roll_deg=roll_deg,
        roll_sd_deg=float(np.degrees(mirror.turn_sd_rad(datum.along))),
    )


def _upright_mirror(datum: Datum, view: PartView) -> symmetry.Plane | NotFound:
    """The symmetry plane along the part; of a part that is not much longer than wide, such as half a vehicle, the
    better one of those along and across it."""
    mirror = mirror_plane(view, datum.along, datum.across, np.array([datum.up, datum.along]))
    length, width = (float(np.ptp(view.points_mm @ axis)) for axis in (datum.along, datum.across))
    if length > LONG * width:
        return mirror
    other = mirror_plane(view, datum.across, -datum.along, np.array([datum.up, datum.across]))
    if isinstance(mirror, NotFound):
        return mirror if isinstance(other, NotFound) else other
    return mirror if isinstance(other, NotFound) or other.share <= mirror.share else other


def _set_zero_y(datum: Datum, view: PartView, mirror: symmetry.Plane) -> None:
    """Zero Y as the upright plane through the middle of the symmetry plane."""
    across = mirror.normal - (mirror.normal @ datum.up) * datum.up
    datum.across = across / np.linalg.norm(across)
    datum.along = np.cross(datum.across, datum.up)
    middle = mirror.centre_mm - (mirror.normal @ mirror.centre_mm - mirror.offset_mm) * mirror.normal
    datum.zero_mm = datum.zero_mm + ((middle - datum.zero_mm) @ datum.across) * datum.across
    posed, posed_turn = view.registration_sd(datum.across)
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


def keep_across(datum: Datum, reason: str) -> None:
    """Keep zero Y as scanned for a ``reason``: X and Y follow the control frame's axes, made level, and its origin."""
    axis = np.eye(3)[int(np.argmax(np.abs(datum.along)))]
    axis = axis * np.sign(axis @ datum.along)
    datum.along = axis - (axis @ datum.up) * datum.up
    datum.along /= np.linalg.norm(datum.along)
    datum.across = np.cross(datum.up, datum.along)
    height_mm = datum.planes["z"].offset_mm
    assert height_mm is not None  # zero Z is found before zero Y is looked for
    datum.zero_mm = height_mm * datum.up
    datum.planes["y"] = replace(datum.planes["y"], reason=reason)
    datum.notes.append(f"Zero Y is kept as scanned: {reason}.")

"""Which end of a vehicle is the front."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from nightbay.frame.datum import Datum
from nightbay.frame.part_view import PartView

WORDS = {"front": 1.0, "fore": 1.0, "nose": 1.0, "rear": -1.0, "aft": -1.0, "back": -1.0, "tail": -1.0}
# Z of the normal of a surface that leans by 30 to 70 degrees, as windscreens and the front edges of bonnets do
LEAN_LOW, LEAN_HIGH = 0.3, 0.87
LEAN_AHEAD = 2.0  # least ratio of such a normal's component along the vehicle to that across it
SHEET_DEG = 30.0  # largest angle between the job sheet's forward axis and the vehicle's without a note
NAMED_SHARE = 0.1  # least distance of named segments from the middle, of the length (common practice, no source)


@dataclass(frozen=True)
class Forward:
    """The front's direction: ``sign`` along the level frame's X; ``found_by`` and ``assumed`` as in
    :class:`~nightbay.frame.result.Heading`; ``notes`` for the job."""

    sign: float
    found_by: str
    assumed: bool = False
    notes: list[str] = field(default_factory=list)


def find(datum: Datum, view: PartView, hints: Mapping[str, np.ndarray]) -> Forward:
    """The front's direction along ``datum.along``.

    The job sheet gives it (``hints["forward"]``, (3,) unit, a direction of the control frame), else the names of the
    part's segments, else the shape.
    """
    if not datum.found("z"):
        return Forward(1.0, "kept")
    if "forward" in hints:
        return _by_sheet(datum, hints["forward"])
    sign = _by_names(view, datum.along)
    if sign is not None:
        return Forward(sign, "names of segments")
    return _unknown(datum) if datum.inside else _by_shape(datum, view.normals)


def _by_sheet(datum: Datum, forward: np.ndarray) -> Forward:
    """The heading from the job sheet; ``forward`` (3,) unit, control frame."""
    cosine = float(forward @ datum.along)
    notes = []
    if abs(cosine) <= np.cos(np.radians(SHEET_DEG)):
        off_deg = np.degrees(np.arccos(abs(cosine)))
        notes.append(
            f"The job sheet's forward axis lies {off_deg:.0f} degrees off the vehicle's; "
            "check axes.forward in the job sheet."
        )
    return Forward(1.0 if cosine >= 0 else -1.0, "job sheet", notes=notes)


def _by_names(view: PartView, along: np.ndarray) -> float | None:
    """The front's sign from the positions of segments named after an end; None where they do not show it."""
    towards = named_direction(view)
    x = view.points_mm @ along
    if towards is None or abs(towards @ along) < NAMED_SHARE * np.ptp(x):
        return None
    return 1.0 if towards @ along > 0 else -1.0


def named_direction(view: PartView) -> np.ndarray | None:
    """How far, (3,) mm towards the front, segments named after an end lie from the part's middle; None without any."""
    middle = np.percentile(view.points_mm, [1, 99], axis=0).mean(axis=0)
    total, named = np.zeros(3), False
    for row, name in enumerate(view.names):
        words = {WORDS[word] for word in re.split(r"[^a-z]+", name.lower()) if word in WORDS}
        mine = view.points_mm[view.segment == row]
        if len(words) == 1 and len(mine):
            total, named = total + words.pop() * (mine.mean(axis=0) - middle), True
    return total if named else None


def _unknown(datum: Datum) -> Forward:
    """The heading of an interior without a name for an end: an open end is assumed to be the rear; else X runs along
    the nearest axis of the control frame."""
    if datum.open_end is not None:
        note = (
            "The open end is assumed to be the rear. Name a segment 'front' or 'rear', or give axes.forward in the job "
            "sheet, to be sure."
        )
        return Forward(-1.0 if datum.open_end @ datum.along > 0 else 1.0, "open end", assumed=True, notes=[note])
    main = datum.along[int(np.argmax(np.abs(datum.along)))]
    note = (
        "Which end is the front is not known, because the shape of an interior does not show it. Name a segment "
        "'front' or 'rear', or give axes.forward in the job sheet."
    )
    return Forward(1.0 if main > 0 else -1.0, "kept", notes=[note])


def _by_shape(datum: Datum, normals: np.ndarray) -> Forward:
    """The heading from the shape: windscreen and bonnet give the front more leaning surface than the rear has.

    ``normals`` (n, 3) unit, control frame.
    """
    lean = (normals @ datum.up > LEAN_LOW) & (normals @ datum.up < LEAN_HIGH)
    ahead = normals @ datum.along
    lean &= np.abs(ahead) > LEAN_AHEAD * np.abs(normals @ datum.across)
    forward, rearward = int(np.count_nonzero(lean & (ahead > 0))), int(np.count_nonzero(lean & (ahead < 0)))
    share = max(forward, rearward) / max(forward + rearward, 1)
    note = (
        f"Which end is the front is assumed from the shape ({share:.0%} of the leaning surface faces that way); name a "
        "segment 'front' or 'rear', or give axes.forward in the job sheet, to be sure."
    )
    return Forward(1.0 if forward >= rearward else -1.0, "shape", assumed=True, notes=[note])

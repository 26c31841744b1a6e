"""The openings of a part for its page: what each is as far as the evidence goes, and where a picture shows it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.core.axes import AS_SCANNED, Axes
from nightbay.core.language import phrase, say
from nightbay.core.text_format import MINUS, plural
from nightbay.fill.result import Opening
from nightbay.report import picture
from nightbay.report.view_marks import Mark

SPAN = 0.5  # an opening that spans this share of the part along two axes is where the scan ends, not a hole in a panel
EDGE = "edge"
COARSE = (
    0.02  # of the part's longest side: a line between points of a boundary that are farther apart would cut corners
)
WORDS = {
    "large": phrase("hole in a panel, larger than the limit; whether it is glazed, open or was not seen is not known"),
    "rim": phrase("free edge of a sheet or end of a tube"),
    "folded": phrase("hole whose boundary overlaps itself or leaves no room for faces"),
}
EDGES = {  # by the side of the part
    "top": phrase("edge of the scan, on top"),
    "below": phrase("edge of the scan, underneath"),
    "front": phrase("edge of the scan, at the front"),
    "rear": phrase("edge of the scan, at the rear"),
    "left": phrase("edge of the scan, left"),
    "right": phrase("edge of the scan, right"),
}
KINDS: Mapping[str, Callable[[int], str]] = {  # how many of a kind
    EDGE: lambda count: plural(count, "{count} edge of the scan", "{count} edges of the scan"),
    "large": lambda count: plural(count, "{count} hole in a panel", "{count} holes in panels"),
    "rim": lambda count: plural(count, "{count} free edge of a sheet", "{count} free edges of sheets"),
    "folded": lambda count: plural(count, "{count} other hole", "{count} other holes"),
}


@dataclass(frozen=True)
class ShownOpening:
    """An opening of the list: its ``number`` in it, from 1; ``kind``, EDGE or as fill names it, and ``words`` for it;
    the ``view`` that carries its number, None where no view shows its boundary."""

    number: int
    opening: Opening
    kind: str
    words: str
    view: str | None


@dataclass(frozen=True)
class OpenAreas:
    """The ``listed`` openings by kind, as (number with the kind in words, area in mm2); the number and area of all
    others, ``rest`` and ``rest_mm2``."""

    listed: list[tuple[str, float]]
    rest_mm2: float
    rest: int


def kind_of(opening: Opening, low_mm: np.ndarray, high_mm: np.ndarray, convention: Axes) -> tuple[str, str]:
    """Kind and words of an opening of a part with these bounds, (3,) each.

    Only its size decides that it is an edge of the scan: the shape of a boundary does not show why surface is missing.
    """
    share = opening.size_mm / np.maximum(high_mm - low_mm, 1e-9)
    if np.count_nonzero(share >= SPAN) < 2:
        return opening.kind, say(WORDS[opening.kind])
    axis = int(np.argmin(share))
    high = opening.centre_mm[axis] > (low_mm[axis] + high_mm[axis]) / 2
    return EDGE, _edge(axis, bool(high), convention)


def _edge(axis: int, high: bool, convention: Axes) -> str:
    if axis == 2:
        return say(EDGES["top" if high else "below"])
    if convention == AS_SCANNED:
        direction = ("+" if high else MINUS) + "XY"[axis]
        return say("edge of the scan, towards {axis}", axis=direction)
    positive = high == ((convention.forward, convention.left)[axis] > 0)
    return say(EDGES[(("rear", "front"), ("right", "left"))[axis][positive]])


def shown(
    openings: Sequence[Opening], scene: picture.Scene, marked: int
) -> tuple[list[ShownOpening], dict[str, list[Mark]]]:
    """Every listed opening, and the marks of the ``marked`` largest by view: {view: [Mark]}.

    A mark stands at that point of the opening's own boundary that the view shows and that is nearest to the opening's
    middle there; its lines are the parts of the boundary that the view shows, where fill left enough points of it.
    """
    seen = _seen(openings[:marked], scene)
    listed: list[ShownOpening] = []
    marks: dict[str, list[Mark]] = {}
    for number, opening in enumerate(openings, 1):
        kind, words = kind_of(opening, scene.low_mm, scene.high_mm, scene.convention)
        view = None
        if number <= marked and opening.boundary_mm is not None and len(opening.boundary_mm):
            view = best_view(opening.boundary_mm, seen[number - 1], scene.convention)
        if view is not None:
            coarse_mm = COARSE * float((scene.high_mm - scene.low_mm).max())
            axes = picture.axes_of(view, scene.convention)
            marks.setdefault(view, []).append(_mark(number, opening, seen[number - 1][view], axes, coarse_mm))
        listed.append(ShownOpening(number, opening, kind, words, view))
    return listed, marks


def _seen(openings: Sequence[Opening], scene: picture.Scene) -> list[dict[str, np.ndarray]]:
    """For each opening and view, which points of its boundary the view shows, (k,) bool."""
    boundaries = [np.zeros((0, 3)) if o.boundary_mm is None else o.boundary_mm for o in openings]
    if not boundaries:
        return []
    ends = np.cumsum([len(boundary) for boundary in boundaries])[:-1]
    by_view = {name: np.split(scene.visible(name, np.vstack(boundaries)), ends) for name in picture.VIEWS}
    return [{name: by_view[name][row] for name in picture.VIEWS} for row in range(len(boundaries))]


def best_view(boundary_mm: np.ndarray, seen: Mapping[str, np.ndarray], convention: Axes) -> str | None:
    """The view that shows most of a closed boundary, (k, 3), by length in the picture; None where none shows any."""
    after = np.roll(boundary_mm, -1, axis=0) - boundary_mm
    lengths = {}
    for name, shows in seen.items():
        across = np.linalg.norm(after @ picture.axes_of(name, convention)[:2].T, axis=1)
        lengths[name] = float(across[shows & np.roll(shows, -1)].sum())
    best = max(lengths, key=lambda name: lengths[name])
    return best if lengths[best] > 0 else None


def _mark(number: int, opening: Opening, shows: np.ndarray, axes: np.ndarray, coarse_mm: float) -> Mark:
    boundary_mm = opening.boundary_mm
    assert boundary_mm is not None
    aside = np.linalg.norm((boundary_mm - opening.centre_mm) @ axes[:2].T, axis=1)
    nearest = int(np.argmin(np.where(shows, aside, np.inf)))
    fine = opening.perimeter_mm <= coarse_mm * len(boundary_mm)
    return Mark(number, boundary_mm[nearest], runs(boundary_mm, shows) if fine else ())


def runs(boundary_mm: np.ndarray, shows: np.ndarray) -> list[np.ndarray]:
    """The stretches of a closed boundary, (k, 3), whose points are all shown: two points or more each."""
    closed = np.vstack([boundary_mm, boundary_mm[:1]])
    shown_too = np.append(shows, shows[:1])
    change = np.flatnonzero(np.diff(np.r_[False, shown_too, False].astype(np.int8)))
    return [closed[first:last] for first, last in change.reshape(-1, 2) if last - first > 1]


def areas(listed: Sequence[ShownOpening], total_mm2: float, total: int) -> OpenAreas:
    """The open area by kind; ``total_mm2`` and ``total`` of all openings, listed or not."""
    found = []
    for kind, words in KINDS.items():
        area_mm2 = [shown.opening.area_mm2 for shown in listed if shown.kind == kind]
        if area_mm2:
            found.append((words(len(area_mm2)), float(sum(area_mm2))))
    rest_mm2 = total_mm2 - sum(area_mm2 for _, area_mm2 in found)
    return OpenAreas(found, max(rest_mm2, 0.0), total - len(listed))

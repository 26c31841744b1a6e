"""The plane sections of a part as drawings to scale: outlines with a grid, the ground and a scale bar, as SVG."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from nightbay.core.axes import DESIGN_GRID, Axes, axes
from nightbay.core.language import phrase, say
from nightbay.core.text_format import mm, number
from nightbay.report import picture, result_words, view_marks
from nightbay.report.drawing import Drawing
from nightbay.report.part import Part
from nightbay.sections import reduction, svg

CHORD_MM = 0.2  # the drawn lines keep this close to measure's polylines; a line on a screen is millimetres wide
UNIT_MM = 0.1  # of the numbers in the drawing
DRAWN_MM = CHORD_MM + UNIT_MM * 0.5**0.5  # of the drawn lines from measure's polylines: both coordinates are rounded
SAME_MM = 0.5  # a station as close as this to an axle is that axle's section
LABELS = 6.0  # text heights between two numbers of the grid, at least
MARGIN = 1.2  # around the outlines, text heights
TEXT = 0.7  # of the height of the text in the views: a section has more numbers
SEEN = {"y": "left", "x": "front", "z": "top"}  # the view whose directions a section has, by the axis across it
DESCRIBED = {
    "y": phrase("Section {title}: {across} and {up}, seen from the left."),
    "x": phrase("Section {title}: {across} and {up}, seen from the front."),
    "z": phrase("Section {title}: {across} and {up}, seen from the top."),
    None: phrase("Section {title}: {across} and {up} in its plane, seen against the plane's normal."),
}
OBLIQUE = (phrase("across"), phrase("up"))  # the coordinates in a plane across no axis
MOST_STATIONS = 60  # that are drawn: with some 8 kB each they add half a megabyte to a page of some five
KEPT = {"x": (1, 2), "y": (0, 2), "z": (0, 1)}  # the coordinates of a section's points


@dataclass(frozen=True)
class Sections:
    """Drawings by title: of the ``middle`` plane, the ``axles``, the planes ``ordered`` by the job sheet, and the other
    ``stations``.

    ``empty``: number of planes that meet no surface; ``filled``: whether any meets filled surface; ``undrawn``: number
    of stations that are in the files alone; ``within_mm``: how far the drawn lines are from the surface's own outline,
    at most; ``spline_mm``: how far the splines in the files are, None without splines.
    """

    middle: dict[str, Drawing]
    axles: dict[str, Drawing]
    ordered: dict[str, Drawing]
    stations: dict[str, Drawing]
    empty: int
    filled: bool
    undrawn: int
    within_mm: float
    spline_mm: float | None


def sections_of(part: Part, text_mm: float) -> Sections | None:
    """The drawings of a part's sections; None where measure left none. ``text_mm``: height of the text in the views."""
    if part.measure is None or not part.measure.sections:
        return None
    record = json.loads((part.folder("measure") / "sections.json").read_text(encoding="utf-8"))["sections"]
    convention = axes(part.frame.axes) if part.frame else DESIGN_GRID
    zero = part.frame.zero_planes.get("z") if part.frame else None
    ground = zero.found_by if zero is not None and zero.found else None
    groups: dict[str, dict[str, Drawing]] = {"middle": {}, "axles": {}, "ordered": {}, "stations": {}}
    axles = [section["value_mm"] for section in record if _group(section) == "axles"]
    shown = [
        section
        for section in record
        if _group(section) != "stations" or all(abs(section["value_mm"] - x_mm) > SAME_MM for x_mm in axles)
    ]
    met = [section for section in shown if section["polylines"]]
    stations = [section for section in met if _group(section) == "stations"]
    every = -(-len(stations) // MOST_STATIONS)
    drawn = [section for section in met if _group(section) != "stations"] + (stations[::every] if stations else [])
    for section in drawn:
        title = title_of(section)
        groups[_group(section)][title] = draw(section, title, convention, ground, TEXT * text_mm)
    return Sections(
        **groups,
        empty=len(shown) - len(met),
        filled=any(line["filled"] for section in drawn for line in section["polylines"]),
        undrawn=len(met) - len(drawn),
        within_mm=max((section["chord_mm"] for section in drawn), default=0.0) + DRAWN_MM,
        spline_mm=max((section["spline_mm"] for section in met if section["splines"]), default=None),
    )


def _group(section: Mapping[str, Any]) -> str:
    if section["order"] is not None:
        return "ordered"
    return "middle" if section["axis"] != "x" else "axles" if section["name"].startswith("axle") else "stations"


def title_of(section: Mapping[str, Any]) -> str:
    """The plane in words: its name, its place in millimetres, or both."""
    if section["axis"] is None:
        normal = np.cross(section["across"], section["up"])
        places = (f"{axis} {number(value)}" for axis, value in zip("XYZ", section["point_mm"], strict=True))
        return say(
            "{name}, through {point} mm, normal {normal}",
            name=section["name"],
            point=", ".join(places),
            normal=", ".join(number(value, 3) for value in normal),
        )
    place = f"{section['axis'].upper()} = {mm(section['value_mm'] + 0.0, 0)}"
    if section["order"] is not None:
        return f"{section['name']} ({place})"
    if not section["name"].startswith("axle"):
        return place
    return say("Axle {number}, {place}", number=section["name"].split()[-1], place=place)


def draw(section: Mapping[str, Any], title: str, convention: Axes, ground: str | None, text_mm: float) -> Drawing:
    """A section as SVG, one user unit a millimetre, with the directions of the view from the left or from the front.

    ``section``: what ``sections.json`` holds of it; ``ground``: how Z = 0 was found, None where it was not.
    """
    across, up = KEPT.get(section["axis"], (None, None))
    names = [say(name) for name in OBLIQUE] if across is None or up is None else ["XYZ"[across], "XYZ"[up]]
    sign = 1.0 if across is None else float(picture.axes_of(SEEN[section["axis"]], convention)[0][across])
    lines = [(np.array(line["points_mm"]) * [sign, 1.0], line["filled"]) for line in section["polylines"]]
    points = np.concatenate([line for line, _ in lines])
    low, high = points.min(axis=0), points.max(axis=0)
    if ground is not None and up == 2:
        low[1] = min(low[1], 0.0)
    low, high = low - MARGIN * text_mm, high + MARGIN * text_mm
    left, right, below, above = 4.2 * text_mm, 2.0 * text_mm, 1.8 * text_mm, 2.6 * text_mm
    box = (low[0] - left, -high[1] - above, high[0] - low[0] + left + right, high[1] - low[1] + above + below)
    length_mm = view_marks.round_length(0.3 * (high[0] - low[0]))
    bar = view_marks.scale_bar(low[0], -high[1] - 1.1 * text_mm, length_mm, text_mm)
    body = (
        _grid(low, high, sign, text_mm, *names)
        + _reference_lines(section["axis"], low, high, ground if up == 2 else None, text_mm)
        + "".join(_path([line for line, filled in lines if filled is kind], kind) for kind in (False, True))
        + bar
    )
    words = say(DESCRIBED[section["axis"]], title=title, across=names[0], up=names[1])
    words += " " + say("Scale bar {length}.", length=mm(length_mm, 0))
    return Drawing(
        f'<svg class="drawing section" viewBox="{" ".join(f"{value:.0f}" for value in box)}" role="img" '
        f'aria-label="{escape(words)}" style="--text:{text_mm:.0f}px" '
        f'xmlns="http://www.w3.org/2000/svg">{body}</svg>',
        float(box[2]),
    )


def _grid(low: np.ndarray, high: np.ndarray, sign: float, text_mm: float, across: str, up: str) -> str:
    """Lines of the grid and their coordinates, below and to the left."""
    step = svg.round_step(LABELS * text_mm)
    drawn = []
    for at in svg.multiples(low[0], high[0], step):
        drawn.append(
            f'<path d="M{at:.0f} {-low[1]:.0f}V{-high[1]:.0f}"/>'
            f'<text x="{at:.0f}" y="{-low[1] + 1.2 * text_mm:.0f}" text-anchor="middle">{number(sign * at)}</text>'
        )
    for at in svg.multiples(low[1], high[1], step):
        drawn.append(
            f'<path d="M{low[0]:.0f} {-at:.0f}H{high[0]:.0f}"/>'
            f'<text x="{low[0] - 0.4 * text_mm:.0f}" y="{-at + 0.35 * text_mm:.0f}" text-anchor="end">'
            f"{number(at)}</text>"
        )
    axes = escape(say("{across}, {up} in mm", across=across, up=up))
    names = f'<text x="{high[0]:.0f}" y="{-high[1] - 0.6 * text_mm:.0f}" text-anchor="end">'
    names += f"{axes}</text>"
    return f'<g class="grid">{"".join(drawn)}{names}</g>'


def _reference_lines(axis: str, low: np.ndarray, high: np.ndarray, ground: str | None, text_mm: float) -> str:
    """The line of the ground, with how it was found, and in a station the line of the middle plane."""
    drawn = ""
    if ground is not None:
        drawn += (
            f'<path class="ground" d="M{low[0]:.0f} 0H{high[0]:.0f}"/>'
            f'<text x="{high[0] - 0.3 * text_mm:.0f}" y="{0.95 * text_mm:.0f}" text-anchor="end">'
            f"Z = 0: {escape(result_words.shown(ground))}</text>"
        )
    if axis == "x" and low[0] < 0 < high[0]:
        drawn += f'<path class="centre" d="M0 {-low[1]:.0f}V{-high[1]:.0f}"/>'
    return drawn


def _path(lines: Sequence[np.ndarray], filled: bool) -> str:
    """Outlines, (k, 2) each, as one path in units of :data:`UNIT_MM`, from point to point."""
    if not lines:
        return ""
    steps = "".join(_steps(reduction.simplify(line, CHORD_MM)) for line in lines)
    kind = "filled" if filled else "measured"
    return f'<g transform="scale({UNIT_MM} -{UNIT_MM})"><path class="outline {kind}" d="{steps}"/></g>'


def _steps(points_mm: np.ndarray) -> str:
    units = np.rint(points_mm / UNIT_MM).astype(int)
    moves = np.diff(units, axis=0)
    moves = moves[np.any(moves != 0, axis=1)]
    return f"M{units[0, 0]} {units[0, 1]}l" + " ".join(f"{x} {y}" for x, y in (moves if len(moves) else [(0, 0)]))

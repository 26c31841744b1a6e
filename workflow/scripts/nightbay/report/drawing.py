"""Views as drawings: a picture with its dimension lines, marks and scale, in millimetres of the vehicle, as SVG."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from nightbay.core import text_format
from nightbay.report import view_marks
from nightbay.report.picture import View
from nightbay.report.view_marks import Mark, position

GAP = 0.35  # between an object and its extension line, text heights
LETTER = 0.65  # width of a letter or a digit in text heights, on average at most: fonts of pages differ
LINES = 3.2  # from one dimension line to the next, text heights


@dataclass(frozen=True)
class Line:
    """A dimension to draw: ``name``, ``value_mm`` and ``uncertainty_mm`` as in the table.

    ``low_mm`` and ``high_mm``: the points, (3,) in the vehicle frame, between which it was taken; ``upright``: along
    the picture's height; ``at_least``: one end was not scanned.
    """

    name: str
    value_mm: float
    uncertainty_mm: float | None
    low_mm: np.ndarray
    high_mm: np.ndarray
    upright: bool
    at_least: bool = False


@dataclass(frozen=True)
class Slope:
    """An angle to draw: its ``label`` at a place, ``at_mm`` (3,), and its ``lines``, two points (3,) each; mm."""

    label: str
    at_mm: np.ndarray
    lines: Sequence[tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class Drawing:
    """``svg``: the text; ``wide_mm``: the width of all of it, in millimetres of the vehicle."""

    svg: str
    wide_mm: float


def draw(
    view: View,
    title: str,
    description: str,
    lines: Sequence[Line] = (),
    marks: Sequence[Mark] = (),
    text_mm: float = 100.0,
    slopes: Sequence[Slope] = (),
) -> Drawing:
    """A view with its dimension lines, ``slopes`` and marks, one user unit a millimetre.

    ``text_mm`` is the height of the text in millimetres of the vehicle; drawings of one page share it and so one scale.
    A strip above the picture holds the axes, the direction of the front and a scale bar.
    """
    width, height = view.width * view.pixel_mm, view.height * view.pixel_mm
    upright = [line for line in lines if line.upright]
    level = [line for line in lines if not line.upright]
    below = text_mm * (0.3 + LINES * len(level))
    beside = text_mm * (0.3 + LINES * len(upright))
    wide = width + beside + 0.3 * text_mm
    body = [
        _level(view, line, height + text_mm * (LINES * row - 1.4), text_mm, wide) for row, line in enumerate(level, 1)
    ]
    body += [
        _upright(view, line, width + text_mm * (LINES * row - 1.4), text_mm) for row, line in enumerate(upright, 1)
    ]
    body += [_slope(view, slope, text_mm) for slope in slopes]
    above = view_marks.STRIP * text_mm
    strip, oriented = view_marks.strip(view, text_mm)
    body += [strip, view_marks.numbers(view, marks, text_mm)]
    box = f"{-0.3 * text_mm:.0f} {-above:.0f} {wide:.0f} {above + height + below:.0f}"
    svg = (
        f'<svg class="drawing" viewBox="{box}" role="img" '
        f'aria-label="{escape(title)}. {escape(description)}. {escape(oriented)}" style="--text:{text_mm:.0f}px" '
        f'xmlns="http://www.w3.org/2000/svg">'
        f'<image href="{view.uri}" x="0" y="0" width="{width:.1f}" height="{height:.1f}"/>{"".join(body)}</svg>'
    )
    return Drawing(svg, wide)


def _level(view: View, line: Line, y: float, text_mm: float, wide: float) -> str:
    """A dimension line under the picture; the label of a short one stays within the drawing, ``wide`` in all."""
    (x0, y0), (x1, y1) = sorted([position(view, line.low_mm), position(view, line.high_mm)])
    extensions = "".join(
        f'<path d="M{x:.1f} {top + GAP * text_mm:.1f}V{y + 0.3 * text_mm:.1f}"/>' for x, top in ((x0, y0), (x1, y1))
    )
    arrows = _arrow(x0, y, 1, 0, text_mm) + _arrow(x1, y, -1, 0, text_mm)
    value = text_format.plus_minus(line.value_mm, line.uncertainty_mm, line.at_least)
    half = LETTER * text_mm * max(len(line.name), len(value)) / 2
    middle = max(half - 0.3 * text_mm, min((x0 + x1) / 2, wide - 0.3 * text_mm - half))
    text = _label(line, f"translate({middle:.1f} {y:.1f})", text_mm)
    return f'<g class="dimension">{extensions}<path d="M{x0:.1f} {y:.1f}H{x1:.1f}"/>{arrows}{text}</g>'


def _upright(view: View, line: Line, x: float, text_mm: float) -> str:
    """A dimension line to the right of the picture."""
    ends = sorted([position(view, line.low_mm), position(view, line.high_mm)], key=lambda end: end[1])
    (x0, y0), (x1, y1) = ends
    extensions = "".join(
        f'<path d="M{left + GAP * text_mm:.1f} {y:.1f}H{x + 0.3 * text_mm:.1f}"/>' for left, y in ((x0, y0), (x1, y1))
    )
    arrows = _arrow(x, y0, 0, 1, text_mm) + _arrow(x, y1, 0, -1, text_mm)
    text = _label(line, f"translate({x:.1f} {(y0 + y1) / 2:.1f})rotate(-90)", text_mm)
    return f'<g class="dimension">{extensions}<path d="M{x:.1f} {y0:.1f}V{y1:.1f}"/>{arrows}{text}</g>'


def _slope(view: View, slope: Slope, text_mm: float) -> str:
    """The lines of an angle, and its label above its place."""
    ends = [(position(view, first), position(view, second)) for first, second in slope.lines]
    path = "".join(f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" for (x0, y0), (x1, y1) in ends)
    x, y = position(view, slope.at_mm)
    return (
        f'<g class="dimension"><path d="{path}"/>'
        f'<text x="{x:.1f}" y="{y - 0.2 * text_mm:.1f}" text-anchor="middle">{escape(slope.label)}</text></g>'
    )


def _label(line: Line, transform: str, text_mm: float) -> str:
    """The name over a dimension line, value and uncertainty under it."""
    value = text_format.plus_minus(line.value_mm, line.uncertainty_mm, line.at_least)
    return (
        f'<g transform="{transform}" text-anchor="middle"><text y="{-0.3 * text_mm:.1f}">{escape(line.name)}</text>'
        f'<text y="{1.05 * text_mm:.1f}">{escape(value)}</text></g>'
    )


def _arrow(x: float, y: float, right: int, down: int, text_mm: float) -> str:
    """A filled arrowhead whose tip is at (x, y), its shaft towards (right, down)."""
    long, half = 0.55 * text_mm, 0.13 * text_mm
    base_x, base_y = x + right * long, y + down * long
    points = [(x, y), (base_x + down * half, base_y + right * half), (base_x - down * half, base_y - right * half)]
    return '<polygon points="' + " ".join(f"{px:.1f},{py:.1f}" for px, py in points) + '"/>'


def label(line: Line) -> str:
    """A dimension in words."""
    return f"{line.name} {text_format.plus_minus(line.value_mm, line.uncertainty_mm, line.at_least)}"

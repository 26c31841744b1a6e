"""Views as drawings: a picture with dimension lines and numbered openings, in millimetres of the vehicle, as SVG."""

from dataclasses import dataclass
from html import escape

import numpy as np

from nightbay.core import text_format

GAP = 0.35  # between an object and its extension line, text heights
LINES = 3.2  # from one dimension line to the next, text heights


@dataclass(frozen=True)
class Dimension:
    """A distance to draw: ``name``, ``value_mm`` and ``uncertainty_mm`` as they stand in the table, and the two points,
    (3,) in the vehicle frame, that it was taken between. ``upright``: along the picture's height; ``at_least``: an end
    of it was not scanned."""

    name: str
    value_mm: float
    uncertainty_mm: float | None
    low_mm: np.ndarray
    high_mm: np.ndarray
    upright: bool
    at_least: bool = False


@dataclass(frozen=True)
class Mark:
    """A numbered place: an opening of the list."""

    number: int
    centre_mm: np.ndarray


@dataclass(frozen=True)
class Drawing:
    """``svg``: the text; ``wide_mm``: the width of all of it, in millimetres of the vehicle."""

    svg: str
    wide_mm: float


def draw(view, title, description, dimensions=(), marks=(), text_mm=100.0):
    """A :class:`View` with its dimensions and marks as :class:`Drawing`, one user unit a millimetre.

    ``text_mm`` is the height of the text in millimetres of the vehicle; drawings of one page share it and so one scale.
    """
    width, height = view.width * view.pixel_mm, view.height * view.pixel_mm
    below = text_mm * (0.3 + LINES * sum(not one.upright for one in dimensions))
    beside = text_mm * (0.3 + LINES * sum(one.upright for one in dimensions))
    body, level, upright_level = [], 0, 0
    for one in dimensions:
        if one.upright:
            upright_level += 1
            body.append(_upright(view, one, width + text_mm * (LINES * upright_level - 1.4), text_mm))
        else:
            level += 1
            body.append(_level(view, one, height + text_mm * (LINES * level - 1.4), text_mm))
    body += [_mark(view, one, text_mm) for one in marks]
    wide = width + beside + 0.3 * text_mm
    said = f"{escape(title)}. {escape(description)}"
    svg = (
        f'<svg class="drawing" viewBox="{-0.3 * text_mm:.0f} 0 {wide:.0f} {height + below:.0f}" role="img" '
        f'aria-label="{said}" style="--text:{text_mm:.0f}px" xmlns="http://www.w3.org/2000/svg">'
        f'<image href="{view.uri}" x="0" y="0" width="{width:.1f}" height="{height:.1f}"/>{"".join(body)}</svg>'
    )
    return Drawing(svg, wide)


def _place(view, point_mm):
    column, row = view.place(point_mm)
    return column * view.pixel_mm, row * view.pixel_mm


def _level(view, one, y, text_mm):
    """A dimension line under the picture."""
    (x0, y0), (x1, y1) = sorted([_place(view, one.low_mm), _place(view, one.high_mm)])
    lines = "".join(
        f'<path d="M{x:.1f} {top + GAP * text_mm:.1f}V{y + 0.3 * text_mm:.1f}"/>' for x, top in ((x0, y0), (x1, y1))
    )
    arrows = _arrow(x0, y, 1, 0, text_mm) + _arrow(x1, y, -1, 0, text_mm)
    said = _label(one, f"translate({(x0 + x1) / 2:.1f} {y:.1f})", text_mm)
    return f'<g class="dimension">{lines}<path d="M{x0:.1f} {y:.1f}H{x1:.1f}"/>{arrows}{said}</g>'


def _upright(view, one, x, text_mm):
    """A dimension line to the right of the picture."""
    ends = sorted([_place(view, one.low_mm), _place(view, one.high_mm)], key=lambda end: end[1])
    (x0, y0), (x1, y1) = ends
    lines = "".join(
        f'<path d="M{left + GAP * text_mm:.1f} {y:.1f}H{x + 0.3 * text_mm:.1f}"/>' for left, y in ((x0, y0), (x1, y1))
    )
    arrows = _arrow(x, y0, 0, 1, text_mm) + _arrow(x, y1, 0, -1, text_mm)
    said = _label(one, f"translate({x:.1f} {(y0 + y1) / 2:.1f})rotate(-90)", text_mm)
    return f'<g class="dimension">{lines}<path d="M{x:.1f} {y0:.1f}V{y1:.1f}"/>{arrows}{said}</g>'


def _label(one, transform, text_mm):
    """The name over a dimension line, value and uncertainty under it."""
    value = text_format.plus_minus(one.value_mm, one.uncertainty_mm, one.at_least)
    return (
        f'<g transform="{transform}" text-anchor="middle"><text y="{-0.3 * text_mm:.1f}">{escape(one.name)}</text>'
        f'<text y="{1.05 * text_mm:.1f}">{escape(value)}</text></g>'
    )


def _arrow(x, y, right, down, text_mm):
    """A filled arrowhead whose tip is at (x, y), its shaft towards (right, down)."""
    long, half = 0.55 * text_mm, 0.13 * text_mm
    base_x, base_y = x + right * long, y + down * long
    points = [(x, y), (base_x + down * half, base_y + right * half), (base_x - down * half, base_y - right * half)]
    return '<polygon points="' + " ".join(f"{px:.1f},{py:.1f}" for px, py in points) + '"/>'


def label(one):
    """A dimension in words."""
    return f"{one.name} {text_format.plus_minus(one.value_mm, one.uncertainty_mm, one.at_least)}"


def _mark(view, one, text_mm):
    x, y = _place(view, one.centre_mm)
    return (
        f'<g class="mark"><circle cx="{x:.1f}" cy="{y:.1f}" r="{0.75 * text_mm:.1f}"/>'
        f'<text x="{x:.1f}" y="{y + 0.35 * text_mm:.1f}" text-anchor="middle">{one.number}</text></g>'
    )

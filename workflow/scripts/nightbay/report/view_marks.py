"""What orients a view, and numbered marks on it: frame axes, front, origin, scale bar, leader lines; SVG in mm."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from nightbay.core import text_format
from nightbay.core.language import phrase, say
from nightbay.report.picture import ASSUMED, FRONT, View

STRIP = 4.2  # height of the strip above a picture, text heights
FLAT = 0.2  # a direction whose length in the picture is below this share of its own points at the viewer, or away
RADIUS = 0.75  # of a mark's circle, text heights
APART = 2.1  # least distance of two marks' centres, in radii
RINGS, DIRECTIONS = 8, 16  # where a mark that would cover another is tried: rings of two radii, directions on each

FACING = {  # what the picture says of a front towards the viewer or away, and the sentence for it
    (FRONT, True): (phrase("front faces you"), phrase("Front faces you.")),
    (FRONT, False): (phrase("front faces away"), phrase("Front faces away.")),
    (ASSUMED, True): (phrase("front (assumed) faces you"), phrase("Front (assumed) faces you.")),
    (ASSUMED, False): (phrase("front (assumed) faces away"), phrase("Front (assumed) faces away.")),
}
SIDE = {
    (FRONT, True): phrase("Front is to the left."),
    (FRONT, False): phrase("Front is to the right."),
    (ASSUMED, True): phrase("Front (assumed) is to the left."),
    (ASSUMED, False): phrase("Front (assumed) is to the right."),
}


@dataclass(frozen=True)
class Mark:
    """A ``number`` at a place, ``point_mm`` (3,) in the vehicle frame, and lines to draw with it, each (k, 3) mm."""

    number: int
    point_mm: np.ndarray
    lines_mm: Sequence[np.ndarray] = ()


def position(view: View, point_mm: np.ndarray) -> tuple[float, float]:
    """Where a point of the vehicle frame lies in the drawing: to the right and down, mm."""
    column, row = view.pixel_of(point_mm)
    return column * view.pixel_mm, row * view.pixel_mm


def strip(view: View, text_mm: float) -> tuple[str, str]:
    """The strip above a picture, from -STRIP text heights to 0, as SVG and in words: axes, front and scale bar.

    The origin of the frame is marked in the picture where it falls into it.
    """
    origin, words = _origin(view, text_mm)
    front, facing = _front(view, text_mm)
    length_mm = round_length(0.35 * view.width * view.pixel_mm)
    x, y = 4.5 * text_mm, -0.75 * text_mm
    bar = scale_bar(x, y, length_mm, text_mm)
    scale = say("Scale bar {length}.", length=text_format.mm(length_mm, 0))
    return f"{_tripod(view, text_mm)}{front}{bar}{origin}", f"{facing} {scale} {words}"


def round_length(most_mm: float) -> float:
    """The greatest of 1, 2, 5 times a power of ten that is not longer than ``most_mm``, a positive length."""
    power = 10.0 ** np.floor(np.log10(most_mm))
    return float(power * max(step for step in (1, 2, 5) if step * power <= most_mm * (1 + 1e-9)))


def scale_bar(x: float, y: float, length_mm: float, text_mm: float) -> str:
    """A bar of a length from (x, y) to the right, with its length behind it."""
    tick = 0.25 * text_mm
    return (
        f'<g class="bar"><path d="M{x:.1f} {y - tick:.1f}v{2 * tick:.1f}m0 {-tick:.1f}h{length_mm:.1f}'
        f'm0 {-tick:.1f}v{2 * tick:.1f}"/><text x="{x + length_mm + 0.4 * text_mm:.1f}" y="{y + 0.35 * text_mm:.1f}">'
        f"{escape(text_format.mm(length_mm, 0))}</text></g>"
    )


def _tripod(view: View, text_mm: float) -> str:
    """The frame's axes as they lie in the picture, each with its letter."""
    x, y = 1.7 * text_mm, -1.95 * text_mm
    drawn = []
    for letter, (right, up) in zip("XYZ", view.axes[:2].T, strict=True):
        if np.hypot(right, up) < FLAT:
            continue
        long = 1.05 * text_mm
        tip = x + long * right, y - long * up
        unit = np.array([right, -up]) / np.hypot(right, up)
        label = np.array(tip) + 0.42 * text_mm * unit
        drawn.append(
            f'<path d="M{x:.1f} {y:.1f}L{tip[0]:.1f} {tip[1]:.1f}"/>{_head(tip, unit, 0.35 * text_mm)}'
            f'<text x="{label[0]:.1f}" y="{label[1] + 0.3 * text_mm:.1f}" text-anchor="middle">{letter}</text>'
        )
    return f'<g class="axes">{"".join(drawn)}</g>'


def _front(view: View, text_mm: float) -> tuple[str, str]:
    """The arrow towards the front, or words where it points at the viewer or away; SVG and words."""
    x, y = 4.5 * text_mm, -2.4 * text_mm
    if view.forward is None or view.front is None:
        return _front_text(x, y, say("front not known")), say("The front is not known.")
    right, up, towards = view.axes @ view.forward
    if np.hypot(right, up) < FLAT:
        words, sentence = FACING[view.front, bool(towards > 0)]
        return _front_text(x, y, say(words)), say(sentence)
    unit = np.array([right, -up]) / np.hypot(right, up)
    middle = np.array([x + 0.9 * text_mm, y - 0.32 * text_mm])
    tail, tip = middle - 0.9 * text_mm * unit, middle + 0.9 * text_mm * unit
    arrow = (
        f'<path d="M{tail[0]:.1f} {tail[1]:.1f}L{tip[0]:.1f} {tip[1]:.1f}"/>{_head(tuple(tip), unit, 0.6 * text_mm)}'
    )
    return _front_text(x + 2.2 * text_mm, y, say(view.front), arrow), say(SIDE[view.front, bool(right < 0)])


def _front_text(x: float, y: float, words: str, arrow: str = "") -> str:
    return f'<g class="front">{arrow}<text x="{x:.1f}" y="{y:.1f}">{escape(words)}</text></g>'


def _origin(view: View, text_mm: float) -> tuple[str, str]:
    """The origin of the frame as a quartered circle, where the picture holds it; SVG and words."""
    x, y = position(view, np.zeros(3))
    r = 0.42 * text_mm
    if not (0 <= x <= view.width * view.pixel_mm and 0 <= y <= view.height * view.pixel_mm):
        return "", say("The origin lies outside this picture.")
    arc = f"a{r:.1f} {r:.1f} 0 0 1"
    quarters = f"M{x:.1f} {y:.1f}v{-r:.1f}{arc} {r:.1f} {r:.1f}zv{r:.1f}{arc} {-r:.1f} {-r:.1f}z"
    return (
        f'<g class="origin"><circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}"/><path d="{quarters}"/></g>',
        say("A quartered circle marks the origin."),
    )


def _head(tip: tuple[float, float], unit: np.ndarray, long: float) -> str:
    """A filled arrowhead with its ``tip`` there, pointing along ``unit`` (2,), right and down."""
    base, side = np.array(tip) - long * unit, 0.28 * long * np.array([-unit[1], unit[0]])
    corners = (np.array(tip), base + side, base - side)
    return '<polygon points="' + " ".join(f"{x:.1f},{y:.1f}" for x, y in corners) + '"/>'


def numbers(view: View, marks: Sequence[Mark], text_mm: float) -> str:
    """The marks with their lines; one that would cover another stands aside and has a leader line to its place."""
    radius = RADIUS * text_mm
    anchors = [np.array(position(view, mark.point_mm)) for mark in marks]
    outlines = "".join(_outline(view, line) for mark in marks for line in mark.lines_mm)
    bounds = np.array([view.width, view.height]) * view.pixel_mm
    drawn = [
        _numbered(mark.number, anchor, centre, radius)
        for mark, anchor, centre in zip(marks, anchors, placed(anchors, radius, bounds), strict=True)
    ]
    return outlines + "".join(drawn)


def placed(anchors: Sequence[np.ndarray], radius: float, bounds: np.ndarray) -> list[np.ndarray]:
    """Centres of circles, (2,) each, at or near their ``anchors``, that don't overlap and stay within ``bounds`` (2,)
    where there is room."""
    centres: list[np.ndarray] = []
    for anchor in anchors:
        free = (
            spot
            for spot in _spots(anchor, radius)
            if all(np.hypot(*(spot - other)) >= APART * radius for other in centres)
            and ((spot >= radius) & (spot <= bounds - radius)).all()
        )
        centres.append(next(free, anchor))
    return centres


def _spots(anchor: np.ndarray, radius: float) -> Iterator[np.ndarray]:
    yield anchor
    for ring in range(1, RINGS + 1):
        for turn in 2 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS:
            yield anchor + 2 * ring * radius * np.array([np.cos(turn), -np.sin(turn)])


def _outline(view: View, line_mm: np.ndarray) -> str:
    points = " ".join("{:.0f},{:.0f}".format(*position(view, point)) for point in line_mm)
    return f'<polyline class="rim" points="{points}"/><polyline class="rim over" points="{points}"/>'


def _numbered(number: int, anchor: np.ndarray, centre: np.ndarray, radius: float) -> str:
    (ax, ay), (x, y) = anchor, centre
    leader = ""
    if np.hypot(x - ax, y - ay) > 0.1 * radius:
        leader = (
            f'<path d="M{ax:.1f} {ay:.1f}L{x:.1f} {y:.1f}"/>'
            f'<circle class="anchor" cx="{ax:.1f}" cy="{ay:.1f}" r="{radius / 4:.1f}"/>'
        )
    return (
        f'<g class="mark">{leader}<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>'
        f'<text x="{x:.1f}" y="{y + 0.47 * radius:.1f}" text-anchor="middle">{number}</text></g>'
    )

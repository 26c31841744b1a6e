"""A small chart of one quantity over the days, as SVG text: a dot and an uncertainty bar a day, today's filled."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from nightbay.core.text_format import digits_of, mm, number

WIDTH, HEIGHT, LEFT, RIGHT, HEAD, FOOT = 340, 150, 62, 14, 30, 26


@dataclass(frozen=True)
class Dot:
    """A value of a day with its expanded uncertainty; ``today``: of the day that the board is of."""

    day: str
    value_mm: float
    uncertainty_mm: float
    today: bool


def draw(title: str, dots: Sequence[Dot]) -> str:
    """The chart of one day or more, in their order, with a dot or several each. Zero is always within the scale."""
    ends = [value for dot in dots for value in (dot.value_mm - dot.uncertainty_mm, dot.value_mm + dot.uncertainty_mm)]
    low, high = min(0.0, *ends), max(0.0, *ends)
    high = high if high > low else low + 1e-3
    digits = digits_of(high - low)
    days = list(dict.fromkeys(dot.day for dot in dots))
    places = np.linspace(LEFT + 12, WIDTH - RIGHT - 12, len(days)) if len(days) > 1 else [(LEFT + WIDTH - RIGHT) / 2]
    x = dict(zip(days, places, strict=True))

    def y(value: float) -> float:
        return float(HEAD + (HEIGHT - HEAD - FOOT) * (high - value) / (high - low))

    body = [f'<text x="4" y="16" class="title">{escape(title)}</text>']
    for value in dict.fromkeys((high, 0.0, low)):
        body.append(f'<path class="grid" d="M{LEFT} {y(value):.1f}H{WIDTH - RIGHT}"/>')
        if value == 0.0 or abs(y(value) - y(0.0)) > 12:
            shown = number(value, digits, sign=True)
            body.append(f'<text x="{LEFT - 6}" y="{y(value) + 4:.1f}" text-anchor="end">{shown}</text>')
    for dot in dots:
        at, up, down = x[dot.day], y(dot.value_mm + dot.uncertainty_mm), y(dot.value_mm - dot.uncertainty_mm)
        body.append(f'<path class="bar" d="M{at:.1f} {up:.1f}V{down:.1f}"/>')
        kind = "today" if dot.today else "before"
        body.append(f'<circle class="{kind}" cx="{at:.1f}" cy="{y(dot.value_mm):.1f}" r="4.5"/>')
    body.append(f'<text x="{LEFT}" y="{HEIGHT - 6}">{escape(days[0])}</text>')
    if len(days) > 1:
        body.append(f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - 6}" text-anchor="end">{escape(days[-1])}</text>')
    said = "; ".join(f"{dot.day}: {number(dot.value_mm, 3, sign=True)} ± {mm(dot.uncertainty_mm, 3)}" for dot in dots)
    return (
        f'<svg class="history" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" xmlns="http://www.w3.org/2000/svg" '
        f'aria-label="{escape(title)}. {escape(said)}">{"".join(body)}</svg>'
    )

"""Charts as SVG text: one row a thing, one mark a series, on a scale that starts at zero or is even about it."""

from dataclasses import dataclass
from html import escape

import numpy as np

from nightbay.core import text_format

ROW, LEFT, WIDTH, HEAD = 26, 210, 760, 30
SHAPES = (  # of the series: they differ in shape and fill, not by colour alone
    '<circle class="first" cx="{x:.1f}" cy="{y:.1f}" r="5"/>',
    '<path class="second" d="M{x:.1f} {up:.1f}l6 6l-6 6l-6 -6z"/>',
)


@dataclass(frozen=True)
class Row:
    """``values``: one a series, None where not measured; ``half_widths``: of their uncertainty, or None."""

    label: str
    values: tuple
    half_widths: tuple


def dots(title, rows, series, unit="mm", signed=False):
    """A dot chart. ``series``: one or two names. A text below each chart's title says what the marks are."""
    reach = max(
        [abs(v) + (h or 0) for row in rows for v, h in zip(row.values, row.half_widths, strict=True) if v is not None]
        or [1]
    )
    step = _step(reach)
    most = step * np.ceil(reach / step - 1e-9)
    least = -most if signed else 0.0
    height = HEAD + ROW * len(rows) + 34

    def across(value):
        return LEFT + (WIDTH - LEFT - 20) * (value - least) / (most - least)

    body = []
    for tick in np.arange(least, most + step / 2, step):
        x = across(tick)
        body.append(f'<path class="grid" d="M{x:.1f} {HEAD - 6}V{HEAD + ROW * len(rows)}"/>')
        body.append(
            f'<text x="{x:.1f}" y="{HEAD + ROW * len(rows) + 20}" text-anchor="middle">{_tick(tick, step)}</text>'
        )
    for at, row in enumerate(rows):
        y = HEAD + ROW * at + ROW / 2
        body.append(f'<text x="{LEFT - 12}" y="{y + 5:.1f}" text-anchor="end">{escape(row.label)}</text>')
        for number, (value, half) in enumerate(zip(row.values, row.half_widths, strict=True)):
            if value is None:
                continue
            if half:
                body.append(f'<path class="bar" d="M{across(value - half):.1f} {y:.1f}H{across(value + half):.1f}"/>')
            body.append(SHAPES[number].format(x=across(value), y=y, up=y - 6))
    key, x = [], LEFT
    for number, name in enumerate(series):
        key.append(SHAPES[number].format(x=x + 6, y=12, up=6) + f'<text x="{x + 18}" y="17">{escape(name)}</text>')
        x += 40 + 8.2 * len(name)
    said = "; ".join(
        f"{row.label}: "
        + ", ".join(text_format.number(v, 3) if v is not None else text_format.NOT_MEASURED for v in row.values)
        for row in rows
    )
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="img" xmlns="http://www.w3.org/2000/svg" '
        f'aria-label="{escape(title)}, {escape(" and ".join(series))}, {unit}. {escape(said)}">{"".join(key)}'
        f'{"".join(body)}<text x="{WIDTH - 4}" y="17" text-anchor="end">{unit}</text></svg>'
    )


def _step(reach):
    """A round distance of ticks, so that four to eight of them cover ``reach``."""
    raw = reach / 4
    power = 10.0 ** np.floor(np.log10(raw))
    return float(power * max(one for one in (1, 2, 5) if one <= raw / power * (1 + 1e-9)))


def _tick(value, step):
    return text_format.number(float(value), max(0, int(-np.floor(np.log10(step)))))

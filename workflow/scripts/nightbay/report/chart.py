"""Charts as SVG text: a row for each thing, a mark for each series, on a scale from zero or symmetric about it."""

from collections.abc import Sequence
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
    """A row of a chart: ``values``, one for each series, None where not measured; ``half_widths``: half the length of
    their uncertainty bars, None where there is none."""

    label: str
    values: tuple[float | None, ...]
    half_widths: tuple[float | None, ...]


def dots(title: str, rows: Sequence[Row], series: Sequence[str], unit: str = "mm", signed: bool = False) -> str:
    """A dot chart as SVG. ``series``: one or two names; ``signed``: the scale is symmetric about zero."""
    furthest = max((_furthest(row) for row in rows), default=0.0) or 1.0
    step = _step(furthest)
    most = float(step * np.ceil(furthest / step - 1e-9))
    scale = _Scale(-most if signed else 0.0, most, step)
    height = HEAD + ROW * len(rows) + 34
    body = _grid(scale, len(rows))
    for number, row in enumerate(rows):
        body += _marks(scale, row, HEAD + ROW * number + ROW / 2)
    text = "; ".join(
        f"{row.label}: "
        + ", ".join(text_format.number(v, 3) if v is not None else text_format.not_measured() for v in row.values)
        for row in rows
    )
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="img" xmlns="http://www.w3.org/2000/svg" '
        f'aria-label="{escape(title)}, {escape(text_format.listing(series))}, {unit}. {escape(text)}">'
        f'{"".join(_key(series))}{"".join(body)}<text x="{WIDTH - 4}" y="17" text-anchor="end">{unit}</text></svg>'
    )


@dataclass(frozen=True)
class _Scale:
    """The axis of values: its ends and the distance of its ticks."""

    least: float
    most: float
    step: float

    def x(self, value: float) -> float:
        """Where a value lies across the picture."""
        return float(LEFT + (WIDTH - LEFT - 20) * (value - self.least) / (self.most - self.least))


def _furthest(row: Row) -> float:
    """The largest value of a row in size, with its uncertainty; 0 where nothing was measured."""
    sizes = [abs(v) + (half or 0) for v, half in zip(row.values, row.half_widths, strict=True) if v is not None]
    return max(sizes, default=0.0)


def _grid(scale: _Scale, rows: int) -> list[str]:
    """Ticks with their numbers."""
    body, low = [], HEAD + ROW * rows
    for tick in np.arange(scale.least, scale.most + scale.step / 2, scale.step):
        x = scale.x(tick)
        body.append(f'<path class="grid" d="M{x:.1f} {HEAD - 6}V{low}"/>')
        body.append(f'<text x="{x:.1f}" y="{low + 20}" text-anchor="middle">{_tick(tick, scale.step)}</text>')
    return body


def _marks(scale: _Scale, row: Row, y: float) -> list[str]:
    """The label of a row and a mark for each of its values."""
    body = [f'<text x="{LEFT - 12}" y="{y + 5:.1f}" text-anchor="end">{escape(row.label)}</text>']
    for shape, value, half in zip(SHAPES, row.values, row.half_widths, strict=False):
        if value is None:
            continue
        if half:
            body.append(f'<path class="bar" d="M{scale.x(value - half):.1f} {y:.1f}H{scale.x(value + half):.1f}"/>')
        body.append(shape.format(x=scale.x(value), y=y, up=y - 6))
    return body


def _key(series: Sequence[str]) -> list[str]:
    """Which mark is which series."""
    key, x = [], float(LEFT)
    for shape, name in zip(SHAPES, series, strict=False):
        key.append(shape.format(x=x + 6, y=12, up=6) + f'<text x="{x + 18:g}" y="17">{escape(name)}</text>')
        x += 40 + 8.2 * len(name)
    return key


def _step(most: float) -> float:
    """A round distance of ticks; four to eight of them cover ``most``."""
    raw = most / 4
    power = 10.0 ** np.floor(np.log10(raw))
    return float(power * max(factor for factor in (1, 2, 5) if factor <= raw / power * (1 + 1e-9)))


def _tick(value: float, step: float) -> str:
    return text_format.number(float(value), max(0, int(-np.floor(np.log10(step)))))

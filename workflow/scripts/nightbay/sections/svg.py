"""Sections as SVG, a sheet of drawings true to scale: one user unit a millimetre, each section in its own coordinates.

The file stands alone: no style sheet, no script, no font but the reader's own. What is measured is a solid line, what
is filled a dashed one of another colour and width.
"""

from collections.abc import Sequence
from html import escape
from pathlib import Path

import numpy as np

from nightbay.sections.cutting import Outline
from nightbay.sections.plane import AxisPlane
from nightbay.sections.section import DECIMALS, Section

TEXT_MM = 25.0  # height of the text
MARGIN = 4.0  # around a section's outlines, text heights: room for the numbers of the grid
TITLE = 3.0  # above a section, text heights: room for its name and its scale bar
LABELS = 6.0  # text heights between two numbers of the grid, at least
STYLE = (
    "text{font-family:sans-serif;fill:#1d2733}path{fill:none}"
    ".grid path{stroke:#c9d0d8;stroke-width:1}.grid text{fill:#54606e}.zero path{stroke:#54606e;stroke-width:1.5}"
    ".measured{stroke:#1d2733;stroke-width:1.5}.filled{stroke:#d65e00;stroke-width:2.5;stroke-dasharray:12 7}"
    ".bar path{stroke:#1d2733;stroke-width:2}"
)
AXES = ("across", "up")


def write(path: Path, sections: Sequence[Section], title: str, facts: Sequence[tuple[str, str]]) -> None:
    """Write the sections that meet the surface, one below another.

    ``title``: of the sheet; ``facts``: names and texts for its description (frame, cautions).
    """
    drawn, wide, top = [], 0.0, 4.0 * TEXT_MM
    for section in sections:
        if section.outlines:
            body, size = _section(section)
            drawn.append(f'<g transform="translate(0 {top:.0f})">{body}</g>\n')
            wide, top = max(wide, size[0]), top + size[1] + 2.0 * TEXT_MM
    caution = "; ".join(text for name, text in facts if name == "caution")
    wide = max(wide, 0.62 * TEXT_MM * max(len(title), len(caution)))
    about = "".join(f"{name}: {text}\n" for name, text in [*facts, ("units", "mm, one user unit a millimetre")])
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:.0f}mm" height="{top:.0f}mm" '
        f'viewBox="0 0 {wide:.0f} {top:.0f}">\n<title>{escape(title)}</title>\n<desc>{escape(about)}</desc>\n'
        f'<style>{STYLE}</style>\n<rect width="100%" height="100%" fill="#fff"/>\n'
        f"{_text(0.5 * TEXT_MM, 1.4 * TEXT_MM, title, TEXT_MM)}\n"
        f"{_text(0.5 * TEXT_MM, 2.8 * TEXT_MM, caution, TEXT_MM)}\n"
        f"{''.join(drawn)}</svg>\n",
        encoding="utf-8",
        newline="\n",
    )


def _section(section: Section) -> tuple[str, tuple[float, float]]:
    """A section with its name, grid and scale bar, and the width and height that it takes, mm."""
    points = np.concatenate([line.points_mm for line in section.outlines])
    low, high = points.min(axis=0), points.max(axis=0)
    size = high - low + 2.0 * MARGIN * TEXT_MM
    wide = max(float(size[0]), 40.0 * TEXT_MM)
    names = directions(section)
    words = f"{section.plane.name}: {names[0]} to the right, {names[1]} upwards, mm"
    if section.filled_mm:
        words += f"; dashed: filled, not measured ({section.filled_mm:.0f} mm)"
    bar_mm = round_step(wide / 12.0)
    body = _text(0.5 * TEXT_MM, TEXT_MM, words, TEXT_MM)
    body += f'<g class="bar"><path d="M{0.5 * TEXT_MM:.1f} {1.9 * TEXT_MM:.1f}h{bar_mm:.0f}"/>'
    body += _text(bar_mm + TEXT_MM, 2.2 * TEXT_MM, f"{bar_mm:.0f} mm", 0.8 * TEXT_MM) + "</g>"
    right, down = MARGIN * TEXT_MM - low[0], (TITLE + MARGIN) * TEXT_MM + high[1]
    kinds = ("measured", "filled")
    lines = "".join(
        f'<path class="{kind}" d="{steps([line for line in section.outlines if line.filled == bool(at)])}"/>'
        for at, kind in enumerate(kinds)
        if any(line.filled == bool(at) for line in section.outlines)
    )
    body += f'<g transform="translate({right:.3f} {down:.3f})">{_grid(low, high)}'
    body += f'<g id="{escape(section.plane.name, quote=True)}" transform="scale(1 -1)">{lines}</g></g>'
    return body, (wide, float(size[1]) + TITLE * TEXT_MM)


def directions(section: Section) -> tuple[str, str]:
    """The two coordinates in the plane: the letters of the frame's axes, or across and up of an oblique plane."""
    if not isinstance(section.plane, AxisPlane):
        return AXES
    across, up = (name for axis, name in enumerate("XYZ") if axis != section.plane.axis)
    return across, up


def _grid(low: np.ndarray, high: np.ndarray) -> str:
    """Lines of the grid with their coordinates below and to the left; those of zero stand out."""
    step = round_step(LABELS * TEXT_MM)
    low, high = low - TEXT_MM, high + TEXT_MM
    drawn = []
    for at in multiples(low[0], high[0], step):
        line = f'<path d="M{at:.0f} {-low[1]:.1f}V{-high[1]:.1f}"/>'
        label = _text(at, -low[1] + TEXT_MM, f"{at:.0f}", 0.7 * TEXT_MM, "middle")
        drawn.append(f'<g class="grid{"" if at else " zero"}">{line}{label}</g>')
    for at in multiples(low[1], high[1], step):
        line = f'<path d="M{low[0]:.1f} {-at:.0f}H{high[0]:.1f}"/>'
        label = _text(low[0] - 0.2 * TEXT_MM, -at + 0.25 * TEXT_MM, f"{at:.0f}", 0.7 * TEXT_MM, "end")
        drawn.append(f'<g class="grid{"" if at else " zero"}">{line}{label}</g>')
    return "".join(drawn)


def steps(lines: Sequence[Outline]) -> str:
    """The path through polylines in their own coordinates, mm, closed ones closed."""
    drawn = []
    for line in lines:
        points = line.points_mm[:-1] if line.closed else line.points_mm
        drawn.append("M" + "L".join(f"{_short(x)} {_short(y)}" for x, y in points) + ("Z" if line.closed else ""))
    return "".join(drawn)


def _short(value: float) -> str:
    return f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")


def round_step(least_mm: float) -> float:
    """The least of 1, 2, 5 times a power of ten that is no shorter than ``least_mm``, a positive length."""
    power = 10.0 ** np.floor(np.log10(least_mm))
    return float(power * next(step for step in (1, 2, 5, 10) if step * power >= least_mm * (1 - 1e-9)))


def multiples(low: float, high: float, step: float) -> np.ndarray:
    """The multiples of a step from ``low`` to ``high``, (k,)."""
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step + 0.0


def _text(x: float, y: float, text: str, size: float, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:.1f}" text-anchor="{anchor}">{escape(text)}</text>'

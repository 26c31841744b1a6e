"""Draws the overlap of two segments with the directions in which it lets them slide: an arrow for a shift, an arc with
an arrow for a turn."""

import numpy as np
from matplotlib.axes import Axes as Panel
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch

from nightbay.core.language import say
from nightbay.core.text_format import listing, shortest
from nightbay.refine.result import LooseDirection, LooseOverlap
from nightbay.report import result_words

SEGMENT, OVERLAP, MOTION = "#9aa5b1", "#0072B2", "#D55E00"  # grey, and Okabe and Ito's blue and vermilion
ARC = np.radians(np.linspace(-150, 120, 60))  # of a turn
PANEL_INCH = 3.4


def draw(overlap: LooseOverlap) -> Figure:
    """A figure with a panel for each loose direction, in the plane in which its motion is seen in full."""
    panels = max(len(overlap.directions), 1)
    figure = Figure(figsize=(PANEL_INCH * panels, PANEL_INCH + 0.7), layout="constrained")
    for number, direction in enumerate(overlap.directions):
        panel = figure.add_subplot(1, panels, number + 1)
        _panel(panel, overlap, direction)
    handles, labels = figure.axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2, fontsize=8, frameon=False)
    return figure


def _panel(panel: Panel, overlap: LooseOverlap, direction: LooseDirection) -> None:
    points = np.vstack([overlap.segment_mm.reshape(-1, 3), overlap.overlap_mm.reshape(-1, 3)])
    plane = _plane(points, direction)
    for shown, colour, size, label in (
        (overlap.segment_mm, SEGMENT, 3, say("segment {names}", names=listing(overlap.segments))),
        (overlap.overlap_mm, OVERLAP, 5, say("overlap with {names}", names=listing(overlap.relative_to))),
    ):
        x, y = (shown.reshape(-1, 3) @ plane.T).T
        panel.scatter(x, y, s=size, color=colour, linewidths=0, label=label)
    at = plane @ direction.at_mm
    wide = float(np.ptp(points @ plane.T, axis=0).max())
    if direction.kind == "shift":
        along = plane @ direction.axis * wide / 4
        _arrow(panel, at - along, at + along, "<|-|>")
    else:
        arc = at + wide / 5 * np.column_stack([np.cos(ARC), np.sin(ARC)])
        panel.plot(*arc.T, color=MOTION, linewidth=2)
        _arrow(panel, arc[-4], arc[-1], "-|>")
        _arrow(panel, arc[3], arc[0], "-|>")
        panel.plot(*at, marker="+", color=MOTION, markersize=9, markeredgewidth=2)
    panel.set_aspect("equal")
    panel.margins(0.12)
    for axis in (panel.xaxis, panel.yaxis):
        axis.set_major_formatter(lambda value, _: shortest(value))
    panel.tick_params(labelsize=7)
    panel.set_xlabel("mm", fontsize=7)
    panel.set_title(_wrapped(result_words.shown(direction.words)), fontsize=8)


def _plane(points: np.ndarray, direction: LooseDirection) -> np.ndarray:
    """Two rows (2, 3) that span the picture: with the axis of a shift along x, across the axis of a turn."""
    axis = direction.axis / np.linalg.norm(direction.axis)
    across = points - points.mean(axis=0)
    across = across - np.outer(across @ axis, axis)
    rows = np.linalg.svd(np.vstack([across, np.eye(3) * 1e-9]), full_matrices=False)[2]
    rows = np.array([row - (row @ axis) * axis for row in rows[:2]])
    first = rows[0] / np.linalg.norm(rows[0])
    return np.array([axis, first]) if direction.kind == "shift" else np.array([first, np.cross(axis, first)])


def _arrow(panel: Panel, start: np.ndarray, end: np.ndarray, style: str) -> None:
    panel.add_patch(
        FancyArrowPatch(
            (start[0], start[1]),
            (end[0], end[1]),
            arrowstyle=style,
            mutation_scale=14,
            color=MOTION,
            linewidth=2,
            zorder=5,
        )
    )


def _wrapped(words: str) -> str:
    """Words on two lines, the second in the parentheses that they end with."""
    return words[0].upper() + words[1:].replace(" (", "\n(")

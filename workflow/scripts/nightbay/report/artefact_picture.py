"""Draws how far the surface of an artefact, as it was scanned, lies off the fitted sphere or plane."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes as Panel
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from nightbay.artefact.result import Evaluated
from nightbay.core.language import say
from nightbay.core.text_format import shortest

SIGNED_MAP = "RdBu_r"  # diverging, and safe for colour-blind readers
PANEL_INCH = 3.0
LIMIT_SHARE = 0.98  # of the cells lie within the ends of the map


def draw(surfaces: list[Evaluated], plate: bool) -> Figure | None:
    """A figure of the spheres, each in two equal-area views from opposite sides, or of the plate; None without any.

    All have one scale of colours, symmetric about zero.
    """
    if not surfaces:
        return None
    values = np.concatenate([np.abs(surface.cells[:, 3]) for surface in surfaces])
    most = max(float(np.quantile(values, LIMIT_SHARE)), 1e-6)
    columns = 1 if plate else 2
    figure = Figure(
        figsize=(PANEL_INCH * 2 + 0.8, PANEL_INCH * len(surfaces) * (0.8 if plate else 1.0) + 0.4), layout="constrained"
    )
    panels = figure.subplots(len(surfaces), columns, squeeze=False)
    for row, surface in zip(panels, surfaces, strict=True):
        shown = _plate(row[0], surface, most) if plate else _sphere(row, surface, most)
    bar = figure.colorbar(shown, ax=panels.ravel().tolist(), shrink=0.8)
    bar.set_label(say("mean deviation of a cell, mm, positive outside"), fontsize=8)
    bar.ax.yaxis.set_major_formatter(lambda value, _: shortest(value))
    bar.ax.tick_params(labelsize=7)
    return figure


def _plate(panel: Panel, surface: Evaluated, most: float) -> PathCollection:
    x, y, _, deviation = surface.cells.T
    shown = panel.scatter(x, y, c=deviation, cmap=SIGNED_MAP, vmin=-most, vmax=most, s=22, marker="s", linewidths=0)
    panel.set_aspect("equal")
    panel.set_xlabel(say("along the plate (mm)"), fontsize=8)
    for axis in (panel.xaxis, panel.yaxis):
        axis.set_major_formatter(lambda value, _: shortest(value))
    panel.tick_params(labelsize=7)
    return shown


def _sphere(row: Sequence[Panel], surface: Evaluated, most: float) -> PathCollection:
    """Lambert's azimuthal equal-area view from the middle of what was seen, and from behind."""
    direction, deviation = surface.cells[:, :3], surface.cells[:, 3]
    towards = direction.mean(axis=0)
    towards = towards / np.linalg.norm(towards) if np.linalg.norm(towards) > 1e-3 else np.array([0.0, 0.0, 1.0])
    across = np.linalg.svd(towards[None])[2][1:]
    titles = (say("from the middle of what was seen"), say("from the opposite side"))
    for panel, side, title in zip(row, (1.0, -1.0), titles, strict=True):
        depth = direction @ towards * side
        near = depth > -0.05
        flat = direction[near] @ across.T * [side, 1.0] * np.sqrt(2.0 / (1.0 + depth[near]))[:, None]
        x, y = flat.T
        shown = panel.scatter(x, y, c=deviation[near], cmap=SIGNED_MAP, vmin=-most, vmax=most, s=14, linewidths=0)
        panel.add_patch(Circle((0, 0), np.sqrt(2.0), fill=False, edgecolor="0.4", linewidth=0.8))
        panel.set_aspect("equal")
        panel.set_xlim(-1.6, 1.6)
        panel.set_ylim(-1.6, 1.6)
        panel.axis("off")
        panel.set_title(title, fontsize=8)
    return shown

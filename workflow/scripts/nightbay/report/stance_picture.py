"""Draws how the body stood on its wheels in the segments that moved: the vehicle from above, a number at each wheel."""

import numpy as np
from matplotlib.axes import Axes as Panel
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from nightbay.core.axes import axes
from nightbay.core.language import say
from nightbay.core.text_format import number
from nightbay.frame.result import FrameResult
from nightbay.stance.result import Movement

BODY, LOWER, HIGHER = "#9aa5b1", "#D55E00", "#0072B2"  # grey, and Okabe and Ito's vermilion and blue
PANEL_INCH, WHEEL_MM = 3.0, (620.0, 200.0)


def draw(frame: FrameResult) -> Figure | None:
    """A figure with a panel for each movement; None where nothing moved."""
    if frame.stance is None or not frame.stance.movements or not frame.segments:
        return None
    movements = frame.stance.movements
    figure = Figure(figsize=(PANEL_INCH * len(movements), PANEL_INCH + 0.8), layout="constrained")
    for at, moved in enumerate(movements):
        _panel(figure.add_subplot(1, len(movements), at + 1), frame, moved)
    return figure


def _panel(panel: Panel, frame: FrameResult, moved: Movement) -> None:
    ahead = axes(frame.axes).forward
    low = np.min([bounds.low_mm for bounds in frame.segments.values()], axis=0)
    high = np.max([bounds.high_mm for bounds in frame.segments.values()], axis=0)
    # the front at the top: the vehicle's right is the picture's
    corner = -ahead * np.array([low[1], high[1]]), ahead * np.array([low[0], high[0]])
    (x, x_end), (y, y_end) = sorted(corner[0]), sorted(corner[1])
    panel.add_patch(Rectangle((x, y), x_end - x, y_end - y, fill=False, edgecolor=BODY, linewidth=1.5))
    for wheel in moved.wheels:
        across, along = -ahead * wheel.at_mm[1], ahead * wheel.at_mm[0]
        colour = LOWER if wheel.rise_mm > 0 else HIGHER
        length, width = WHEEL_MM
        panel.add_patch(Rectangle((across - width / 2, along - length / 2), width, length, color=colour, alpha=0.4))
        text = f"{number(-wheel.rise_mm, 1, sign=True)}\n± {number(2 * wheel.sd_mm, 1)}"
        panel.text(across - np.sign(across) * 330.0, along, text, ha="center", va="center", fontsize=9)
    panel.text((x + x_end) / 2, y_end - 0.04 * (y_end - y), say("front"), ha="center", va="top", fontsize=8)
    panel.set_title(say("segment {names}", names=moved.segment), fontsize=9)
    panel.set_aspect("equal")
    panel.autoscale_view()
    panel.set_axis_off()

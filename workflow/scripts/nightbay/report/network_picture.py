"""Draws a target network: targets, error ellipses to a stated exaggeration, visibility of targets by segment."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes as Panel
from matplotlib.collections import EllipseCollection
from matplotlib.figure import Figure

from nightbay.core.language import phrase, say
from nightbay.core.text_format import shortest
from nightbay.network.result import AdjustedTarget, NetworkResult
from nightbay.report import result_words

VIEWS = (  # which of the layout's own axes the picture shows
    (phrase("Targets in their widest view; 95 % error ellipses enlarged {factor} times"), 0, 1),
    (phrase("Targets from the side; 95 % error ellipses enlarged {factor} times"), 0, 2),
)
ALONG = (
    phrase("along the longest extent (mm)"),
    phrase("along the second extent (mm)"),
    phrase("along the third extent (mm)"),
)
SEEN_BY = (phrase("seen by 2 lists"), phrase("seen by 3 lists"), phrase("seen by 4 lists or more"))
# Okabe and Ito's palette, which colour-blind readers can tell apart; shapes repeat the meaning of the colours.
COLOURS = ("#0072B2", "#D55E00", "#009E73")
SHAPES = ("o", "s", "^")
PANEL_INCH = 8.4  # width of every panel: positions along the longest extent are aligned
LARGEST_SHARE = 0.02  # of the picture's width that the half axis of the largest usual ellipse takes
CHI_SQUARE_95 = 5.991  # 95 % of chi square with two degrees of freedom: from standard deviations to a 95 % ellipse


def draw(network: NetworkResult) -> Figure | None:
    """A figure of a network; None where no target was seen by two lists.

    Two views along the layout's own axes, because the control frame may have any direction. An ellipse holds a target
    with 95 % probability in the plane of the view, enlarged by the factor in the title. Below, a row for each list with
    a mark at each target that it saw.
    """
    targets = [target for target in network.targets if len(target.seen_by) >= 2]
    if not targets:
        return None
    xyz = np.array([target.xyz_mm for target in targets])
    covariance = np.array([target.covariance_mm2 for target in targets])
    own = _own_axes(xyz)
    xyz, covariance = (xyz - xyz.mean(axis=0)) @ own.T, own @ covariance @ own.T
    exaggeration = _exaggeration(xyz, covariance)
    names = [str(network.frame_of), *sorted(name for name in network.poses or {} if name != network.frame_of)]
    heights = [float(np.clip(PANEL_INCH * np.ptp(xyz[:, v]) / np.ptp(xyz[:, 0]), 1.5, 6.0)) for _, _, v in VIEWS]
    heights.append(0.25 * len(names) + 0.2)
    figure = Figure(figsize=(PANEL_INCH + 1.2, sum(heights) + 0.75 * len(heights)), layout="constrained")
    panels = figure.subplots(len(heights), 1, height_ratios=heights, sharex=True)
    for panel, (title, u, v) in zip(panels, VIEWS, strict=False):
        _ellipses(panel, xyz[:, [u, v]], covariance[:, [u, v]][:, :, [u, v]], exaggeration)
        _targets(panel, network, targets, xyz[:, [u, v]])
        panel.set_ylabel(say(ALONG[v]), fontsize=8)
        _key(panel, exaggeration, np.ptp(xyz[:, 0]))
        panel.set_title(say(title, factor=shortest(exaggeration)), fontsize=9)
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=4, fontsize=8, frameon=False)
    _visibility(panels[-1], targets, xyz[:, 0], names)
    return figure


def _own_axes(xyz: np.ndarray) -> np.ndarray:
    """Rotation whose rows are the layout's axes, longest first, each pointing along the frame's axis nearest to it."""
    axes = np.linalg.svd(xyz - xyz.mean(axis=0), full_matrices=False)[2]
    axes[:2] *= np.sign(np.take_along_axis(axes[:2], np.abs(axes[:2]).argmax(axis=1)[:, None], axis=1))
    axes[2] = np.cross(axes[0], axes[1])
    return axes


def _round_down(value: float) -> float:
    """The largest of 1, 2, 5 times a power of ten up to a value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step * power for step in (1, 2, 5) if step * power <= value * 1.0001))


def _exaggeration(xyz: np.ndarray, covariance: np.ndarray) -> float:
    """A round factor that makes the largest usual ellipse (95 % of targets) large enough to be seen."""
    largest = np.sqrt(np.linalg.eigvalsh(covariance)[:, -1] * CHI_SQUARE_95)
    return _round_down(LARGEST_SHARE * np.ptp(xyz[:, 0]) / max(np.quantile(largest, 0.95), 1e-9))


def _key(panel: Panel, exaggeration: float, wide_mm: float) -> None:
    """A circle in the corner with its true radius, as the scale of the ellipses."""
    radius = _round_down(LARGEST_SHARE / 2 * wide_mm / exaggeration)
    across = [2 * radius * exaggeration]
    panel.add_collection(
        EllipseCollection(
            across, across, [0.0], units="xy", offsets=[[0.02, 0.06]], offset_transform=panel.transAxes,
            facecolors="none", edgecolors="0.2", linewidths=0.9,
        )
    )  # fmt: skip
    panel.text(
        0.035,
        0.06,
        say("radius {length} mm", length=shortest(radius)),
        transform=panel.transAxes,
        fontsize=7,
        va="center",
    )


def _ellipses(panel: Panel, position: np.ndarray, covariance: np.ndarray, exaggeration: float) -> None:
    """The error ellipses of targets at ``position`` (n, 2) with ``covariance`` (n, 2, 2) in the plane of a view."""
    values, vectors = np.linalg.eigh(covariance)
    widths = 2 * np.sqrt(np.maximum(values, 0) * CHI_SQUARE_95) * exaggeration
    angles = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1]))
    panel.add_collection(
        EllipseCollection(
            widths[:, 1], widths[:, 0], angles, units="xy", offsets=position, offset_transform=panel.transData,
            facecolors="none", edgecolors="0.45", linewidths=0.7,
        )
    )  # fmt: skip


def _targets(panel: Panel, network: NetworkResult, targets: Sequence[AdjustedTarget], position: np.ndarray) -> None:
    """The targets by the number of lists that saw them; on top those that were rejected somewhere or moved."""
    seen = np.array([len(target.seen_by) for target in targets])
    for at, (low, high) in enumerate(((2, 2), (3, 3), (4, np.inf))):
        rows = (seen >= low) & (seen <= high)
        x, y = position[rows].T
        panel.scatter(x, y, s=9, marker=SHAPES[at], color=COLOURS[at], label=say(SEEN_BY[at]), zorder=3)
    row_of = {target.target: row for row, target in enumerate(targets)}  # without targets that only one list kept
    special = (
        (say("rejected as a blunder"), {blunder.target for blunder in network.blunders}, "x", "#000000"),
        (say("moved"), {target for group in network.moved_groups for target in group.targets}, "+", "#CC79A7"),
    )
    for label, numbers, shape, colour in special:
        shown = [row_of[number] for number in sorted(numbers) if number in row_of]
        if shown:
            x, y = position[shown].T
            panel.scatter(x, y, s=60, marker=shape, color=colour, label=label, zorder=4)
    panel.set_aspect("equal", adjustable="datalim")
    panel.margins(0.06)
    panel.yaxis.set_major_formatter(lambda value, _: shortest(value))
    panel.tick_params(labelsize=8)


def _visibility(panel: Panel, targets: Sequence[AdjustedTarget], along: np.ndarray, names: Sequence[str]) -> None:
    """A row for each list, with a mark for each target that it saw at its position along the longest extent."""
    for at, name in enumerate(names):
        rows = [row for row, target in enumerate(targets) if name in target.seen_by]
        panel.scatter(along[rows], np.full(len(rows), at), s=10, marker="|", linewidths=1.1, color="0.2")
    panel.set_yticks(range(len(names)), [result_words.list_name(name) for name in names], fontsize=8)
    panel.set_ylim(len(names) - 0.5, -0.5)
    panel.xaxis.set_major_formatter(lambda value, _: shortest(value))
    panel.set_xlabel(say(ALONG[0]), fontsize=8)
    panel.set_title(say("Visibility of targets by segment"), fontsize=9)
    panel.tick_params(labelsize=8)

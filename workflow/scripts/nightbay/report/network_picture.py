"""Draws a network from the numbers of its stage: targets, error ellipses to a stated exaggeration, visibility of targets by segment."""

import numpy as np
from matplotlib.collections import EllipseCollection
from matplotlib.figure import Figure

VIEWS = (("in their widest view", 0, 1), ("from the side", 0, 2))  # which of the layout's own axes lie in the picture
ALONG = ("longest extent", "second extent", "third extent")
# Okabe and Ito's palette, told apart by colour-blind readers too; shapes repeat what colours say.
COLOURS = ("#0072B2", "#D55E00", "#009E73")
MARKS = ("o", "s", "^")
PANEL_INCH = 8.4  # width of every panel: places lengthwise stand above one another
LARGEST_SHARE = 0.02  # of the picture's width that the half axis of the largest usual ellipse takes


def draw(result):
    """A Matplotlib figure of the network in ``result``, the numbers of workflow/schemas/network.schema.json, or None.

    Two views along the layout's own axes, for the control frame may lie anyhow. An ellipse holds a target with 95 % in
    the plane of the view, drawn larger than it is by the factor in the title. Below, one row a list with a mark at each
    target that it saw.
    """
    targets = [one for one in result["targets"] if len(one["seen_by"]) >= 2]
    if not targets:
        return None
    xyz = np.array([one["xyz_mm"] for one in targets])
    covariance = np.array([one["covariance_mm2"] for one in targets])
    turn = _own_axes(xyz)
    xyz, covariance = (xyz - xyz.mean(axis=0)) @ turn.T, turn @ covariance @ turn.T
    exaggeration = _exaggeration(xyz, covariance)
    names = [result["frame_of"], *sorted(name for name in result["poses"] if name != result["frame_of"])]
    heights = [float(np.clip(PANEL_INCH * np.ptp(xyz[:, v]) / np.ptp(xyz[:, 0]), 1.5, 6.0)) for _, _, v in VIEWS]
    heights.append(0.25 * len(names) + 0.2)
    figure = Figure(figsize=(PANEL_INCH + 1.2, sum(heights) + 0.75 * len(heights)), layout="constrained")
    axes = figure.subplots(len(heights), 1, height_ratios=heights, sharex=True)
    for axis, (title, u, v) in zip(axes, VIEWS, strict=False):
        _view(axis, result, targets, xyz[:, [u, v]], covariance[:, [u, v]][:, :, [u, v]], exaggeration)
        axis.set_ylabel(f"along the {ALONG[v]} (mm)", fontsize=8)
        _key(axis, exaggeration, np.ptp(xyz[:, 0]))
        axis.set_title(f"Targets {title}; 95 % error ellipses enlarged {exaggeration:g} times", fontsize=9)
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=4, fontsize=8, frameon=False)
    _sightings(axes[-1], targets, xyz[:, 0], names)
    return figure


def _own_axes(xyz):
    """Rotation whose rows are the layout's axes, longest first, each pointing along the frame's axis nearest to it."""
    axes = np.linalg.svd(xyz - xyz.mean(axis=0), full_matrices=False)[2]
    axes[:2] *= np.sign(np.take_along_axis(axes[:2], np.abs(axes[:2]).argmax(axis=1)[:, None], axis=1))
    axes[2] = np.cross(axes[0], axes[1])
    return axes


def _exaggeration(xyz, covariance):
    """A round factor that makes the largest usual ellipse (95 % of targets) as large as can be told apart."""
    largest = np.sqrt(np.linalg.eigvalsh(covariance)[:, -1] * 5.991)  # 95 % of chi square with two degrees
    wanted = LARGEST_SHARE * np.ptp(xyz[:, 0]) / max(np.quantile(largest, 0.95), 1e-9)
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(max(step * power for step in (1, 2, 5) if step * power <= wanted))


def _key(axis, exaggeration, wide_mm):
    """A circle in the corner whose radius says what the drawn ellipses measure."""
    wanted = LARGEST_SHARE / 2 * wide_mm / exaggeration
    power = 10.0 ** np.floor(np.log10(wanted))
    radius = max(step * power for step in (1, 2, 5) if step * power <= wanted * 1.0001)
    across = [2 * radius * exaggeration]
    axis.add_collection(
        EllipseCollection(
            across, across, [0.0], units="xy", offsets=[[0.02, 0.06]], offset_transform=axis.transAxes,
            facecolors="none", edgecolors="0.2", linewidths=0.9,
        )
    )  # fmt: skip
    axis.text(0.035, 0.06, f"radius {radius:g} mm", transform=axis.transAxes, fontsize=7, va="center")


def _view(axis, result, targets, place, covariance, exaggeration):
    """One view: ellipses, targets by the number of lists that saw them, and blunders, moved and disputed ones."""
    values, vectors = np.linalg.eigh(covariance)
    widths = 2 * np.sqrt(np.maximum(values, 0) * 5.991) * exaggeration
    angles = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1]))
    axis.add_collection(
        EllipseCollection(
            widths[:, 1], widths[:, 0], angles, units="xy", offsets=place, offset_transform=axis.transData,
            facecolors="none", edgecolors="0.45", linewidths=0.7,
        )
    )  # fmt: skip
    seen = np.array([len(one["seen_by"]) for one in targets])
    for at, (low, high, label) in enumerate(((2, 2, "2 lists"), (3, 3, "3 lists"), (4, np.inf, "4 lists or more"))):
        rows = (seen >= low) & (seen <= high)
        axis.scatter(*place[rows].T, s=9, marker=MARKS[at], color=COLOURS[at], label=f"seen by {label}", zorder=3)
    number = {one["target"]: at for at, one in enumerate(targets)}  # a target that only one list kept has no place here
    odd = (
        ("rejected as a blunder", {one["target"] for one in result["blunders"]}, "x", "#000000"),
        ("moved", {target for move in result["moved_groups"] for target in move["targets"]}, "+", "#CC79A7"),
    )
    for label, which, mark, colour in odd:
        rows = [number[target] for target in sorted(which) if target in number]
        if rows:
            axis.scatter(*place[rows].T, s=60, marker=mark, color=colour, label=label, zorder=4)
    axis.set_aspect("equal", adjustable="datalim")
    axis.margins(0.06)
    axis.tick_params(labelsize=8)


def _sightings(axis, targets, along, names):
    """Visibility of targets: one row a list, one mark a target at its position lengthwise."""
    for at, name in enumerate(names):
        rows = [row for row, one in enumerate(targets) if name in one["seen_by"]]
        axis.scatter(along[rows], np.full(len(rows), at), s=10, marker="|", linewidths=1.1, color="0.2")
    axis.set_yticks(range(len(names)), names, fontsize=8)
    axis.set_ylim(len(names) - 0.5, -0.5)
    axis.set_xlabel(f"along the {ALONG[0]} (mm)", fontsize=8)
    axis.set_title("Visibility of targets by segment", fontsize=9)
    axis.tick_params(labelsize=8)

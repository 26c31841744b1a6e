"""Where ordered features lie: views with their numbers, the outlines of round ones, and lines between them."""

from collections.abc import Sequence

import numpy as np

from nightbay.core import plane_fit
from nightbay.core.axes import Axes
from nightbay.core.language import say
from nightbay.features.result import Feature, FeaturesResult
from nightbay.report import drawing, picture, room_views
from nightbay.report.part import Part
from nightbay.report.view_marks import Mark

VIEWS = ("left", "right", "front", "rear", "top")
ROUND = 48  # corners of a circle's outline
CONTROL = "station"  # lies everywhere: has no place to number


def draw(part: Part, scene: picture.Scene, text_mm: float) -> dict[str, drawing.Drawing]:
    """The views by name, each with the features that face it; none where no feature was ordered or found."""
    ordered = part.measure.features if part.measure else None
    if ordered is None:
        return {}
    drawn = {}
    for name, marks in marks_of(ordered, scene.convention).items():
        numbers = ", ".join(str(mark.number) for mark in marks)
        text = say("features {numbers}", numbers=numbers)
        title = say(room_views.TITLES[name]) if part.name == "interior" else say("Features")
        drawn[name] = drawing.draw(scene.view(name, coarser=picture.MAP), title, text, marks=marks, text_mm=text_mm)
    return drawn


def marks_of(ordered: FeaturesResult, convention: Axes) -> dict[str, list[Mark]]:
    """The mark of each feature in the view that it faces, in the order of :data:`VIEWS`; a feature without a direction
    is shown from its side of the vehicle. A distance is drawn with the feature that it starts at."""
    lines: dict[str, list[np.ndarray]] = {}
    for value in ordered.distances:
        if value.between and len(value.ends_mm) == 2:
            lines.setdefault(value.between[0], []).append(np.array(value.ends_mm))
    found: dict[str, list[Mark]] = {}
    for feature in ordered.features:
        if feature.kind != CONTROL:
            outlines = [*_outline(feature), *lines.get(feature.name, ())]
            mark = Mark(feature.number, feature.point_mm, outlines)
            found.setdefault(_view(feature, convention), []).append(mark)
    return {name: found[name] for name in VIEWS if name in found}


def _view(feature: Feature, convention: Axes) -> str:
    """The view that shows a feature from where its face looks to; what looks down is shown from the left."""
    facing = feature.direction
    if facing is None or feature.kind in ("line", "cylinder"):
        return "left" if feature.point_mm[1] * convention.left >= 0.0 else "right"
    axis = int(np.argmax(np.abs(facing)))
    sign = float(np.sign(facing[axis]))
    return {
        0: "front" if sign == convention.forward else "rear",
        1: "left" if sign == convention.left else "right",
        2: "top" if sign > 0 else "left",
    }[axis]


def _outline(feature: Feature) -> Sequence[np.ndarray]:
    """The circle of a round feature as a closed line (k, 3); nothing for others."""
    diameters = [value.value for value in feature.values if value.name == "diameter"]
    if not diameters or feature.direction is None:
        return ()
    first, second = plane_fit.across(feature.direction)
    turn = np.linspace(0.0, 2.0 * np.pi, ROUND + 1)[:, None]
    return (feature.point_mm + diameters[0] / 2 * (np.cos(turn) * first + np.sin(turn) * second),)

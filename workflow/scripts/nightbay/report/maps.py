"""Coloured maps of a part: their views, and the key of their colours."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core.axes import AS_SCANNED
from nightbay.core.language import phrase, say
from nightbay.report import drawing, picture
from nightbay.report.view_marks import Mark

VIEW_TITLES = {
    "left": phrase("Left side"),
    "right": phrase("Right side"),
    "front": phrase("Front"),
    "rear": phrase("Rear"),
    "top": phrase("From above"),
}
AXIS_TITLES = {  # where the frame is as scanned
    "left": phrase("Along +Y"),
    "right": phrase("Along −Y"),
    "front": phrase("Along +X"),
    "rear": phrase("Along −X"),
    "top": phrase("Along −Z"),
}
INSIDE_TITLES = {
    "left": phrase("From the left"),
    "right": phrase("From the right"),
    "front": phrase("From the front"),
    "rear": phrase("From the rear"),
    "top": phrase("From above"),
}


@dataclass(frozen=True)
class Key:
    """What the colours of a map mean: ``name`` of the value with its unit, the CSS ``colours`` from its ``low`` to its
    ``high`` limit, and which other ``swatches`` the pictures hold: "filled", "not seen", "back", "unknown"."""

    name: str
    colours: list[str]
    low: str
    high: str
    swatches: dict[str, str]


def titles_of(scene: picture.Scene) -> dict[str, str]:
    """What the views are called: by their axes where the frame is as scanned, by the standpoint inside a room."""
    inside_or_not = INSIDE_TITLES if scene.cull else VIEW_TITLES
    titles = AXIS_TITLES if scene.convention == AS_SCANNED else inside_or_not
    return {name: say(title) for name, title in titles.items()}


def draw_map(
    title: str,
    text: str,
    scene: picture.Scene,
    colours: np.ndarray,
    text_mm: float,
    *,
    names: Sequence[str],
    key: Key,
    filled: np.ndarray | None = None,
    marks: Mapping[str, Sequence[Mark]] | None = None,
) -> dict[str, Any]:
    """One coloured map: its views and what its colours mean. ``colours`` (n, 3) of the vertices, in 0..1; ``filled``
    (m,) bool of the faces."""
    drawn, titles = {}, titles_of(scene)
    for name in names:
        view = scene.view(name, colours, filled, coarser=picture.MAP, shade=picture.MAP_SHADE)
        numbered = (marks or {}).get(name, ())
        drawn[name] = drawing.draw(view, f"{title}, {titles[name]}", text, marks=numbered, text_mm=text_mm)
    return {"title": title, "text": text, "views": drawn, "key": key}


def swatches_of(scene: picture.Scene, **known: str) -> dict[str, str]:
    """The swatches of a key: those given, and those of every picture."""
    back = {} if scene.cull else {"back": say("back of a surface, seen through an opening")}
    return known | back | {"unseen": say("no surface: open or not seen by the scanner")}


def round_up(value: float) -> float:
    """The next of 1, 2, 3, 5 times a power of ten, for the end of a scale."""
    power = 10.0 ** np.floor(np.log10(max(float(value), 1e-6)))
    return float(power * next(step for step in (1, 2, 3, 5, 10) if step * power >= value * (1 - 1e-9)))

"""The drawing of a room: plan and elevations with its sizes and the numbers of its planes."""

import re
from collections.abc import Sequence

import numpy as np

from nightbay.core.axes import Axes
from nightbay.core.language import phrase, say
from nightbay.frame.result import Plane
from nightbay.measure.result import RoomSize
from nightbay.report import drawing, picture
from nightbay.report.part import Part
from nightbay.report.view_marks import Mark

VIEWS = ("top", "left", "right", "rear", "front")
TITLES = {
    "top": phrase("Plan, from above"),
    "left": phrase("Elevation, from the left"),
    "right": phrase("Elevation, from the right"),
    "rear": phrase("Elevation, from the rear"),
    "front": phrase("Elevation, from the front"),
}
DRAWN = {  # size: view, along the picture's height
    "length_floor": ("top", False),
    "width_floor": ("top", True),
    "width_wheel_boxes": ("top", True),
    "length_belt": ("left", False),
    "height_roof": ("left", True),
    "height_bows": ("left", True),
    "width_belt": ("rear", False),
    "rear_opening_height": ("rear", True),
    "rear_opening_width_floor": ("rear", False),
    "rear_opening_width_belt": ("rear", False),
    "front_opening_height": ("front", True),
    "front_opening_width_floor": ("front", False),
    "front_opening_width_belt": ("front", False),
}
SHORT = {  # what the lines are called: the titles of the table are too long
    "length_floor": phrase("Length, floor"),
    "length_belt": phrase("Length, belt"),
    "width_floor": phrase("Width, floor"),
    "width_belt": phrase("Width, belt"),
    "width_wheel_boxes": phrase("Wheel boxes"),
    "height_roof": phrase("To roof"),
    "height_bows": phrase("To bows"),
    "rear_opening_height": phrase("Open end"),
    "rear_opening_width_floor": phrase("Open end, floor"),
    "rear_opening_width_belt": phrase("Open end, belt"),
    "front_opening_height": phrase("Open end"),
    "front_opening_width_floor": phrase("Open end, floor"),
    "front_opening_width_belt": phrase("Open end, belt"),
}
OPENING = re.compile(r"opening_(width|height)_(left|right|front|rear)_wall_(\d+)")
SEEN_IN = {"left": "right", "right": "left", "front": "rear", "rear": "front"}  # a wall shows where the nearer is not


def draw(part: Part, scene: picture.Scene, text_mm: float) -> dict[str, drawing.Drawing]:
    """The room's views by name; none where the part is no room with a floor."""
    if part.frame is None or part.frame.room is None or not part.frame.zero_planes["z"].found:
        return {}
    sizes = part.measure.room if part.measure else []
    marks = marks_of(part.frame.room.planes, scene.convention)
    drawn = {}
    for name in VIEWS:
        lines = [line for size in sizes if (line := _line(size, name)) is not None]
        if not lines and name not in marks:
            continue
        text = ", ".join(drawing.label(line) for line in lines) or say("numbers of planes")
        view = scene.view(name, coarser=picture.MAP)
        drawn[name] = drawing.draw(view, say(TITLES[name]), text, lines, marks.get(name, ()), text_mm)
    return drawn


def marks_of(planes: Sequence[Plane], convention: Axes) -> dict[str, list[Mark]]:
    """The number of each plane in the view that shows it best; those that face down in the view from the left."""
    found: dict[str, list[Mark]] = {}
    for plane in planes:
        axis = int(np.argmax(np.abs(plane.normal)))
        sign = float(np.sign(plane.normal[axis]))
        name = {
            0: "front" if sign == convention.forward else "rear",
            1: "left" if sign == convention.left else "right",
            2: "top" if sign > 0 else "left",
        }[axis]
        found.setdefault(name, []).append(Mark(plane.number, plane.centre_mm))
    return found


def _line(size: RoomSize, view: str) -> drawing.Line | None:
    """The dimension line of a size in the view that shows it; None in the others."""
    opening = OPENING.fullmatch(size.key)
    if opening:
        kind, wall, number = opening.groups()
        words = say("Opening {number}, width", number=number) if kind == "width" else say(
            "Opening {number}, height", number=number
        )  # fmt: skip
        shown, upright = SEEN_IN[wall], kind == "height"
    elif size.key in DRAWN:
        words = say(SHORT[size.key])
        shown, upright = DRAWN[size.key]
    else:
        return None
    if shown != view:
        return None
    low, high = size.size.points_mm.low, size.size.points_mm.high
    assert low is not None and high is not None  # a room's sizes have both ends
    return drawing.Line(words, size.size.value_mm, size.size.uncertainty_mm, low, high, upright)

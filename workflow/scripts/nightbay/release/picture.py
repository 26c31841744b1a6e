"""Draws where on the vehicle areas lie: the scanned surface in views from outside, or of a room from its inside, with
the areas outlined and numbered."""

import base64
import io
from dataclasses import dataclass

import numpy as np
from PIL import Image
from scipy import ndimage

from nightbay.core.language import phrase, say
from nightbay.coverage import room, views
from nightbay.coverage.coverage import Surface
from nightbay.coverage.result import Area, Coverage
from nightbay.coverage.room import RoomSurface

PIXEL_MM = 8.0
DARKEST, LIGHTEST = 70, 225  # grey of surface seen edge on, and face on
BESIDE = 4.0  # an area narrower than so many heights of its number has it beside it
LETTER = 0.032  # height of a number, share of the picture's width: readable on a phone of 400 pixels
CAPTIONS = {
    "left": phrase("Left side"),
    "right": phrase("Right side"),
    "front": phrase("Front"),
    "rear": phrase("Rear"),
    "top": phrase("From above"),
    "floor": phrase("Floor, from above"),
    "roof": phrase("Roof, from below"),
    "left wall": phrase("Left wall, from inside"),
    "right wall": phrase("Right wall, from inside"),
    "front wall": phrase("Front wall, from inside"),
    "rear wall": phrase("Rear wall, from inside"),
}


@dataclass(frozen=True)
class Mark:
    """An area in a picture: closed ``path`` of its outline (SVG), where its number stands, and its ``number``."""

    number: int
    never_seen: bool
    path: str
    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class Picture:
    """A view: its name, ``wide_mm`` and ``high_mm``, the scanned surface as a PNG (base64), its marks, and
    the height of a number ``letter_mm``."""

    view: str
    wide_mm: float
    high_mm: float
    png: str
    marks: list[Mark]
    letter_mm: float

    @property
    def caption(self) -> str:
        """What it shows."""
        return say(CAPTIONS[self.view])


def draw(surface: Surface | RoomSurface, coverage: Coverage) -> list[Picture]:
    """The pictures of all views, those first in which something was never seen."""
    if isinstance(surface, RoomSurface):
        points, normals = room.drawn(surface)
        return _sorted([_picture(name, points, normals, coverage.areas) for name in views.INSIDE])
    turn = np.array([-surface.axes.forward, -surface.axes.left, 1.0])
    points, normals = surface.points_mm * turn, surface.normals * turn
    return _sorted([_picture(name, points, normals, coverage.areas) for name in views.VIEWS])


def _sorted(pictures: list[Picture]) -> list[Picture]:
    return sorted(pictures, key=lambda picture: not any(mark.never_seen for mark in picture.marks))


def _picture(name: str, points: np.ndarray, normals: np.ndarray, areas: list[Area]) -> Picture:
    grid = views.grid(name, points, PIXEL_MM)
    wide, high = np.array(grid.shape) * PIXEL_MM
    letter = LETTER * max(wide, high)
    marks = [_mark(area, name, grid.low_mm, high, letter) for area in areas if name in area.outlines_mm]
    return Picture(name, wide, high, _png(grid, points, normals), marks, letter)


def _png(grid: views.Grid, points: np.ndarray, normals: np.ndarray) -> str:
    """The surface that faces the viewer, the lighter the more; what shows none is transparent."""
    slant = normals @ grid.toward
    seen = np.flatnonzero(slant > 0)
    seen = seen[np.argsort(points[seen] @ grid.toward, kind="stable")]  # the nearest is drawn last
    column, row = grid.cells(points[seen])
    grey = np.zeros(grid.shape, np.uint8)
    grey[column, row] = (DARKEST + (LIGHTEST - DARKEST) * slant[seen]).astype(np.uint8)
    around = ndimage.maximum_filter(grey, 3)  # points lie farther apart than pixels
    grey = np.where(grey > 0, grey, around)
    image = Image.fromarray(np.stack([grey, np.where(grey > 0, 255, 0).astype(np.uint8)], axis=-1).swapaxes(0, 1)[::-1])
    file = io.BytesIO()
    image.save(file, "PNG", optimize=True)
    return base64.b64encode(file.getvalue()).decode("ascii")


def _mark(area: Area, view: str, low_mm: np.ndarray, high_mm: float, letter_mm: float) -> Mark:
    lines = []
    for polygon in area.outlines_mm[view]:
        corners = [f"{x - low_mm[0]:.0f} {high_mm - (y - low_mm[1]):.0f}" for x, y in polygon]
        lines.append("M" + "L".join(corners) + "Z")
    largest = max(area.outlines_mm[view], key=np.ptp)
    low, high = largest.min(axis=0) - low_mm, largest.max(axis=0) - low_mm
    middle = (low + high) / 2
    # a number would hide a small area: it stands above it, or below where there is no room
    y = high_mm - middle[1]
    if min(high - low) < BESIDE * letter_mm:
        y = high_mm - high[1] - letter_mm if high[1] + 2 * letter_mm < high_mm else high_mm - low[1] + letter_mm
    return Mark(area.number, area.verdict == "never seen", "".join(lines), float(middle[0]), float(y))

"""The area that pictures show as filled, against the filled area of the mesh that the same views see."""

import io
from collections.abc import Sequence

import matplotlib.colors
import numpy as np
from PIL import Image

from nightbay.meshes.surface import Surface
from nightbay.report import picture, raster

HUE = (15 / 360, 35 / 360)  # of vermilion, light or dark; viridis and cividis end in yellows of 50 degrees and more
SATURATION = 0.7  # mixed with another colour at an edge to more than a third, it is less
FINER = 4  # pixels of the mesh's own area to one of the picture, along its edge


def painted_mm2(view: picture.View) -> float:
    """Area, seen along the view, of the pixels with the colour of filled faces."""
    pixels = np.asarray(Image.open(io.BytesIO(view.png)).convert("RGB")) / 255.0
    hue, saturation, _ = np.moveaxis(matplotlib.colors.rgb_to_hsv(pixels), 2, 0)
    return float(np.count_nonzero((hue > HUE[0]) & (hue < HUE[1]) & (saturation > SATURATION))) * view.pixel_mm**2


def filled_mm2(view: picture.View, mesh: Surface, cull: bool = False) -> float:
    """Area, seen along the view, of the filled faces of the mesh that nothing covers."""
    pixel_mm = view.pixel_mm / FINER
    seen = raster.draw(mesh.vertices_mm, mesh.faces, view.axes, pixel_mm, cull)
    return float(np.count_nonzero(mesh.face["filled"][seen.face[seen.seen]])) * pixel_mm**2


def painted_over_filled(views: Sequence[picture.View], mesh: Surface, cull: bool = False) -> float:
    """Area shown as filled over area filled, over all views; NaN where no view sees a filled face."""
    filled = sum(filled_mm2(view, mesh, cull) for view in views)
    return sum(painted_mm2(view) for view in views) / filled if filled else float("nan")

"""Pictures of a surface in orthographic views: shaded, coloured by a value of each vertex, filled faces marked."""

import base64
import io
from dataclasses import dataclass

import matplotlib
import numpy as np
from PIL import Image
from scipy import ndimage
from scipy.ndimage import gaussian_filter, maximum_filter

from nightbay.core import native
from nightbay.core.axes import Axes
from nightbay.core.language import phrase
from nightbay.meshes import vertices
from nightbay.meshes.surface import Surface
from nightbay.report import raster

UP = np.array([0.0, 0.0, 1.0])
VIEWS = ("left", "front", "right", "rear", "top")
FRONT, ASSUMED = phrase("front"), phrase("front (assumed)")  # what the arrow to the front says
OBLIQUE = "oblique"  # from ahead, from the left and from above
CLAY = np.array([0.80, 0.81, 0.82])
# Backs of sheets and filled faces carry a pattern, so that neither rests on its colour alone: dots and stripes.
BACK, BACK_DOTS = np.array([0.52, 0.52, 0.55]), np.array([0.30, 0.30, 0.33])
FILLED, FILLED_STRIPES = np.array([0.84, 0.37, 0.0]), np.array([0.46, 0.16, 0.0])  # vermilion: in none of the maps
LIGHT = np.array([-0.35, 0.55, 0.76])  # from above and left of the viewer
FINER = 2  # pixels are drawn this much finer and averaged, which smooths edges
MAP = 3  # the same for coloured maps, which need fewer pixels and compress worse
MAP_SHADE = 0.45  # share of the shading that a coloured map keeps: enough to see shapes, too little to change a value
UNKNOWN = np.array([0.72, 0.72, 0.72])
RESERVED = 16  # colours of a picture's palette that belong to filled faces, which may be a few pixels


@dataclass(frozen=True)
class View:
    """One picture: ``png`` bytes, ``width`` and ``height`` in pixels, and where it lies in the vehicle frame.

    ``axes`` (3, 3): unit vectors to the picture's right, to its top and towards the viewer; ``left_mm`` and ``top_mm``:
    its left and top edge along the first two; ``pixel_mm``: edge of a pixel; ``forward`` (3,): unit vector towards the
    front, and ``front``, how sure that is, FRONT or ASSUMED; None where no front is known.
    """

    name: str
    png: bytes
    width: int
    height: int
    left_mm: float
    top_mm: float
    pixel_mm: float
    axes: np.ndarray
    forward: np.ndarray | None = None
    front: str | None = None

    @property
    def uri(self) -> str:
        """The picture as a data URI."""
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")

    def pixel_of(self, point_mm: np.ndarray) -> tuple[float, float]:
        """Column and row, in pixels, of a point (3,) of the vehicle frame."""
        right, up = self.axes[:2] @ np.asarray(point_mm, np.float64)
        return (right - self.left_mm) / self.pixel_mm, (self.top_mm - up) / self.pixel_mm


def axes_of(name: str, convention: Axes) -> np.ndarray:
    """Unit vectors to the right, to the top and towards the viewer, (3, 3), of a view under an axis convention."""
    forward = np.array([convention.forward, 0.0, 0.0])
    left = np.cross(UP, forward)
    towards = {
        "left": left,
        "right": -left,
        "front": forward,
        "rear": -forward,
        "top": UP,
        OBLIQUE: (0.62 * forward + 0.62 * left + 0.48 * UP) / np.linalg.norm([0.62, 0.62, 0.48]),
    }[name]
    right = -forward if name == "top" else np.cross(UP, towards)
    right = right / np.linalg.norm(right)
    return np.stack([right, np.cross(towards, right), towards])


class Scene:
    """A surface ready to be drawn from all sides; the rasters are kept because several pictures share them.

    ``width_px``: width of the longest view; ``cull``: leave out faces that turn their back to the viewer. ``low_mm``
    and ``high_mm`` (3,): bounds of the faces; ``front``: FRONT or ASSUMED, None without a known front.
    """

    def __init__(
        self, mesh: Surface, convention: Axes, width_px: int, cull: bool = False, front: str | None = FRONT
    ) -> None:
        self.mesh, self.convention, self.cull, self.front = mesh, convention, cull, front
        self.normals = vertices.normals_of_all(mesh.vertices_mm, mesh.faces).astype(np.float32)
        used = mesh.vertices_mm[vertices.used(mesh)].astype(np.float64)
        self.low_mm, self.high_mm = used.min(axis=0), used.max(axis=0)
        self.pixel_mm = float((self.high_mm - self.low_mm)[:2].max() / width_px)
        self._drawn: dict[str, tuple[np.ndarray, raster.Raster, np.ndarray, np.ndarray]] = {}

    def view(
        self,
        name: str,
        colours: np.ndarray | None = None,
        filled: np.ndarray | None = None,
        *,
        coarser: int = FINER,
        shade: float = 1.0,
    ) -> View:
        """One picture.

        ``colours``: (n, 3) of the vertices in 0..1 instead of plain material; ``filled``: (m,) bool, faces that are
        painted as filled, over the area that is seen of them (:func:`area_true`); ``coarser``, FINER or MAP: how many
        drawn pixels make one of the picture, along its edge; ``shade``: share of the shading that the colours get.
        """
        axes, seen, light, behind = self._lit(name)
        rgb = np.ones((*seen.face.shape, 3), np.float32)
        if colours is None:
            rgb[seen.seen] = CLAY
        else:
            rgb[seen.seen] = seen.interpolate(self.mesh.faces, colours.astype(np.float32))
        height, width = seen.face.shape
        rows, columns = np.arange(height)[:, None] // coarser, np.arange(width) // coarser
        rgb[behind] = BACK
        rgb[behind & (rows % 3 == 0) & (columns % 3 == 0)] = BACK_DOTS
        rgb *= 1 - shade + shade * light[..., None]
        of_filled = np.zeros(seen.face.shape, np.float32)
        if filled is not None:
            of_filled[seen.seen] = filled[seen.face[seen.seen]]
        share = _coarser(of_filled, coarser)
        mean = _coarser(rgb * (1 - of_filled)[..., None], coarser) / np.maximum(1 - share, 1e-6)[..., None]
        painted = area_true(share)
        brightness = 1 - shade + shade * _coarser(light, coarser)
        rows, columns = np.nonzero(painted)
        stripe = (rows + columns) % 4 == 0
        mean[painted] = np.where(stripe[:, None], FILLED_STRIPES, FILLED) * brightness[painted][:, None]
        pixels = np.rint(np.clip(mean, 0, 1) * 255).astype(np.uint8)
        return View(
            name,
            png(pixels, painted),
            pixels.shape[1],
            pixels.shape[0],
            seen.left_mm,
            seen.top_mm,
            seen.pixel_mm * coarser,
            axes,
            None if self.front is None else np.array([self.convention.forward, 0.0, 0.0]),
            self.front,
        )

    def visible(self, name: str, points_mm: np.ndarray) -> np.ndarray:
        """Which points of the surface, (k, 3), a view shows: (k,) bool.

        The pixel of such a point, or one beside it, sees surface at its depth.
        """
        axes, seen, _, _ = self._lit(name)
        right, up, towards = axes @ np.asarray(points_mm, np.float64).T
        column = np.rint((right - seen.left_mm) / seen.pixel_mm).astype(int)
        row = np.rint((seen.top_mm - up) / seen.pixel_mm).astype(int)
        height, width = seen.face.shape
        shown = np.zeros(len(towards), bool)
        for down, across in np.ndindex(3, 3):
            at, beside = row + down - 1, column + across - 1
            inside = (at >= 0) & (beside >= 0) & (at < height) & (beside < width)
            depth = np.where(inside, seen.depth_mm[at.clip(0, height - 1), beside.clip(0, width - 1)], -np.inf)
            shown |= np.abs(depth - towards) <= FINER * MAP * seen.pixel_mm
        return shown

    def _lit(self, name: str) -> tuple[np.ndarray, raster.Raster, np.ndarray, np.ndarray]:
        """Axes, raster, brightness (h, w) and where the back of a face is seen (h, w), of a view."""
        if name not in self._drawn:
            axes = axes_of(name, self.convention)
            fine = self.pixel_mm / FINER
            native.trim_heap()  # what the last picture took is given back before this one takes as much
            seen = _even(raster.draw(self.mesh.vertices_mm, self.mesh.faces, axes, fine, self.cull, FINER * MAP * fine))
            self._drawn[name] = axes, seen, *self._light(seen, axes)
        return self._drawn[name]

    def _light(self, seen: raster.Raster, axes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Light from above and the viewer, darker in hollows and at edges, and where the back of a face is seen."""
        normal = seen.interpolate(self.mesh.faces, self.normals @ axes.T.astype(np.float32))
        length = np.sqrt(np.einsum("ij,ij->i", normal, normal))
        length[length == 0] = 1.0
        normal /= length[:, None]
        turned = normal[:, 2] < 0
        np.negative(normal, out=normal, where=turned[:, None])
        light = np.ones(seen.face.shape, np.float32)
        lamp = (LIGHT / np.linalg.norm(LIGHT)).astype(np.float32)
        light[seen.seen] = 0.42 + 0.38 * np.maximum(normal @ lamp, 0) + 0.20 * normal[:, 2]
        behind = np.zeros(seen.face.shape, bool)
        behind[seen.seen] = turned
        return np.where(seen.seen, light * self._hollows(seen), 1.0).astype(np.float32), behind

    def _hollows(self, seen: raster.Raster) -> np.ndarray:
        """Darker where the surroundings are nearer to the viewer, most of all right behind an edge; (h, w)."""
        floor = seen.depth_mm[seen.seen].min() if seen.seen.any() else 0.0
        depth = np.where(seen.seen, seen.depth_mm, floor).astype(np.float32)
        weight = seen.seen.astype(np.float32)
        radius = 30 * FINER  # pixels; a mean over so many needs no finer pixels than the picture has
        total, share = (
            gaussian_filter(_coarser(field, FINER), radius / FINER / 3) for field in (depth * weight, weight)
        )
        around = (total / np.maximum(share, 1e-3)).repeat(FINER, axis=0).repeat(FINER, axis=1)
        hollow = np.clip((around - depth) / (radius * seen.pixel_mm), 0, 1)
        jump = maximum_filter(np.where(seen.seen, seen.depth_mm, floor), 3) - depth
        edge = np.clip((jump - 6 * seen.pixel_mm) / (30 * seen.pixel_mm), 0, 1) * seen.seen
        return (1 - 0.45 * hollow) * (1 - 0.45 * edge)


def _even(seen: raster.Raster) -> raster.Raster:
    """The same raster, cut to a size that FINER and MAP divide."""
    rows, columns = (size - size % (FINER * MAP) for size in seen.face.shape)
    return raster.Raster(
        seen.face[:rows, :columns],
        seen.depth_mm[:rows, :columns],
        seen.weights[:rows, :columns],
        seen.left_mm,
        seen.top_mm,
        seen.pixel_mm,
    )


def area_true(share: np.ndarray) -> np.ndarray:
    """Which pixels to paint, (h, w) bool, where something covers a ``share`` (h, w) in 0..1 of each.

    In each connected patch those with the largest shares are painted, as many as the patch has area, the remainder
    carried on to the next patch: patches smaller than a pixel neither vanish nor grow in sum.
    """
    patch, count = ndimage.label(share > 0, np.ones((3, 3)))
    at = np.flatnonzero(patch)
    of = patch.ravel()[at] - 1
    area = np.cumsum(np.bincount(of, share.ravel()[at], count))
    wanted = np.diff(np.rint(area), prepend=0)
    order = np.lexsort((-share.ravel()[at], of))
    rank = np.arange(len(at)) - np.searchsorted(of[order], of[order])
    painted = np.zeros(share.size, bool)
    painted[at[order[rank < wanted[of[order]]]]] = True
    return painted.reshape(share.shape)


def _coarser(pixels: np.ndarray, times: int) -> np.ndarray:
    """Mean of each square of ``times`` by ``times`` pixels of (h, w) or (h, w, k)."""
    height, width = pixels.shape[0] // times, pixels.shape[1] // times
    return pixels.reshape(height, times, width, times, *pixels.shape[2:]).mean(axis=(1, 3))


def png(pixels: np.ndarray, filled: np.ndarray | None = None) -> bytes:
    """Pixels, (h, w, 3) uint8, as the bytes of a PNG file of 256 colours.

    ``filled`` (h, w) bool: pixels of filled faces. They have some of the colours to themselves, because a palette that
    is chosen by how often a colour occurs would lose them.
    """
    if filled is None or not filled.any():
        return _bytes_of(Image.fromarray(pixels).quantize(256, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE))
    few = Image.fromarray(pixels).quantize(256 - RESERVED, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    own = Image.fromarray(pixels[filled][None]).quantize(RESERVED, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    palette = np.zeros((256, 3), np.uint8)
    for image, first in ((few, 0), (own, 256 - RESERVED)):
        colours = np.array(image.getpalette(), np.uint8).reshape(-1, 3)[: 256 - RESERVED if first == 0 else RESERVED]
        palette[first : first + len(colours)] = colours
    index = np.array(few, np.uint8)
    index[filled] = np.array(own)[0] + (256 - RESERVED)
    both = Image.fromarray(index, mode="P")
    both.putpalette(palette.tobytes())
    return _bytes_of(both)


def _bytes_of(image: Image.Image) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, format="png", optimize=True)
    return buffer.getvalue()


def colours_of(values: np.ndarray, low: float, high: float, name: str = "viridis") -> np.ndarray:
    """Values (n,) as colours (n, 3) in 0..1 of a map of Matplotlib from ``low`` to ``high``; NaN is grey."""
    table = matplotlib.colormaps[name](np.clip((np.nan_to_num(values) - low) / (high - low), 0, 1))[:, :3]
    return np.where(np.isnan(values)[:, None], UNKNOWN, table)


def scan_colours(mesh: Surface) -> np.ndarray:
    """The colours of the scan, (n, 3) in 0..1. Fuse leaves vertices without a coloured point at zero: they are grey."""
    colours = np.column_stack([mesh.vertex[name] for name in ("red", "green", "blue")]) / 255.0
    colours[~np.any(colours, axis=1)] = UNKNOWN
    return colours


def bar(name: str = "viridis", steps: int = 64) -> list[str]:
    """A colour map as CSS colours from its low to its high end."""
    table = matplotlib.colormaps[name](np.linspace(0, 1, steps))[:, :3]
    return ["#" + "".join(f"{int(round(255 * channel)):02x}" for channel in row) for row in table]

"""The drawings of a part on its page: four views with dimensions, and maps of coverage and scatter."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core.axes import AS_SCANNED, DESIGN_GRID, ISO_8855, axes
from nightbay.core.language import phrase, say
from nightbay.core.text_format import shortest
from nightbay.frame.result import FrameResult
from nightbay.measure.result import Dimension
from nightbay.meshes import surface
from nightbay.report import (
    axle_sizes,
    drawing,
    feature_views,
    model_3d,
    openings,
    picture,
    room_views,
    section_drawing,
    surface_maps,
)
from nightbay.report.job_summary import DIMENSIONS
from nightbay.report.maps import Key, draw_map, round_up, swatches_of, titles_of
from nightbay.report.part import Part
from nightbay.report.view_marks import Mark

CONFIDENCE_MAP, SCATTER_MAP = "viridis", "cividis"
FRAMES = {  # sentences on the coordinates, by axis convention
    DESIGN_GRID: phrase("Vehicle frame: X rearward, Y right, Z up."),
    ISO_8855: phrase("Vehicle frame, ISO 8855: X forward, Y left, Z up."),
    AS_SCANNED: phrase("The coordinates are those of the scan; their axes have no relation to the vehicle."),
}
SHOWN = ("left", "front", "top", "rear")  # the four views of the overview
DRAWN = {  # dimension: view, along the picture's height
    "wheelbase": ("left", False),
    "front_overhang": ("left", False),
    "rear_overhang": ("left", False),
    "length": ("left", False),
    "height": ("left", True),
    "width": ("front", False),
    "width_over_mirrors": ("rear", False),
    "inner_length": ("left", False),
    "inner_height": ("left", True),
    "inner_width": ("front", False),
}


def views_of(part: Part, own: Any, folder: Path) -> dict[str, Any]:
    """All drawings of a part for its page; ``views`` and ``maps`` are empty where there is no surface to draw.

    ``own``: the settings of report. Writes ``thumbnail.png`` into ``folder`` unless another part has.
    """
    level = drawn_level(part, own.most_faces)
    if level is None:
        return {
            "views": {},
            "maps": [],
            "surface_maps": {},
            "room_views": {},
            "openings": [],
            "open_areas": None,
            "model": None,
            "sections": None,
        }
    mesh = surface.read_ply(part.folder("reduce") / f"{level}.ply")
    convention = axes(part.frame.axes) if part.frame else DESIGN_GRID
    scene = picture.Scene(mesh, convention, own.picture_px, part.name == "interior", front_of(part))
    if not (folder / "thumbnail.png").exists():
        small = picture.Scene(mesh, convention, own.thumbnail_px, part.name == "interior")
        (folder / "thumbnail.png").write_bytes(small.view("left").png)
    text_mm = own.text_share * float((scene.high_mm - scene.low_mm).max())
    found = part.fill.openings if part.fill else []
    listed, marks = openings.shown(found, scene, own.marked_openings)
    maps = [_coverage(scene, text_mm, marks), _scatter(scene, text_mm)]
    return {
        "level": level,
        "axes": convention,
        "frame": say(FRAMES[convention]),
        "titles": titles_of(scene),
        "views": _views(part, scene, text_mm),
        "swatches": swatches_of(scene, origin=say("origin of the frame")),
        "maps": [drawn for drawn in maps if drawn],
        "surface_maps": surface_maps.draw(part, scene, text_mm),
        "openings": listed,
        "open_areas": openings.areas(listed, part.fill.open.area_mm2, part.fill.open.count) if part.fill else None,
        "room_views": room_views.draw(part, scene, text_mm),
        "room_titles": {name: say(title) for name, title in room_views.TITLES.items()},
        "feature_views": feature_views.draw(part, scene, text_mm),
        "model": _model(part, own, scene, text_mm),
        "scatter_words": _scatter_words(scene.mesh),
        "sections": section_drawing.sections_of(part, text_mm),
    }


def _model(part: Part, own: Any, scene: picture.Scene, text_mm: float) -> model_3d.Model | None:
    """The part's 3D view; None where no level is light enough."""
    levels = part.reduce.levels if part.reduce else {}
    level = drawn_level(part, own.model_faces)
    if level is None:
        return None
    mesh = surface.read_ply(part.folder("reduce") / f"{level}.ply")
    title = say("{part}, oblique", part=part.noun.capitalize())
    still = drawing.draw(scene.view(picture.OBLIQUE), title, say("still picture of the 3D view"), text_mm=text_mm)
    maps = {"confidence": CONFIDENCE_MAP, "scatter": SCATTER_MAP}
    return model_3d.model_of(mesh, level, levels[level], scene, still, scatter_limit(scene.mesh), maps)


def front_of(part: Part) -> str | None:
    """What the arrow to the front says, and how sure it is; None where no front is known."""
    frame = part.frame
    if frame is None or frame.axes == AS_SCANNED.name or frame.heading.found_by == "kept":
        return None
    return picture.ASSUMED if frame.heading.assumed else picture.FRONT


def drawn_level(part: Part, most_faces: int) -> str | None:
    """The level with most faces up to ``most_faces``; None where no such level has a face."""
    levels = part.reduce.levels if part.reduce else {}
    fitting = [name for name, level in levels.items() if 0 < level.faces <= most_faces]
    return max(fitting, key=lambda name: (levels[name].faces, name)) if fitting else None


def _views(part: Part, scene: picture.Scene, text_mm: float) -> dict[str, drawing.Drawing]:
    """The four views with the dimensions that were taken."""
    colours = None
    if part.name == "interior" and "red" in scene.mesh.vertex:
        colours = picture.scan_colours(scene.mesh)
    lines = _dimension_lines(part)
    drawn = {}
    for name in SHOWN:
        shown = [line for key, line in lines.items() if DRAWN[key][0] == name]
        text = ", ".join(drawing.label(line) for line in shown) or say("no dimension was taken in this view")
        view = scene.view(name, colours)
        slopes = axle_sizes.slopes(part) if name == "left" else []
        drawn[name] = drawing.draw(view, titles_of(scene)[name], text, shown, text_mm=text_mm, slopes=slopes)
    return drawn


def _dimension_lines(part: Part) -> dict[str, drawing.Line]:
    """The dimensions of a part as lines to draw, by name."""
    dimensions = part.measure.dimensions if part.measure else {}
    lines = {}
    for name, (_, upright) in DRAWN.items():
        if name not in dimensions:
            continue
        ends = axle_ends(part.frame) if name == "wheelbase" else _touch_points(dimensions[name])
        if ends is None:
            continue
        lines[name] = drawing.Line(
            say(DIMENSIONS[name]),
            dimensions[name].value_mm,
            dimensions[name].uncertainty_mm,
            *ends,
            upright,
            bool(dimensions[name].unscanned_ends),
        )
    return lines


def _touch_points(dimension: Dimension) -> tuple[np.ndarray, np.ndarray] | None:
    """Low and high end of a dimension, (3,) each; None without either. The ground below the other end stands in for an
    end that has no point of its own."""
    low, high = dimension.points_mm.low, dimension.points_mm.high
    known = low if low is not None else high
    if known is None:
        return None
    ground = np.array([known[0], known[1], 0.0])
    return (low if low is not None else ground, high if high is not None else ground)


def axle_ends(frame: FrameResult | None) -> tuple[np.ndarray, np.ndarray] | None:
    """The first and the last axle seen from the side: the wheel centre nearest to each, (3,) with Y 0. None without."""
    if frame is None or not frame.wheels or not frame.axles:
        return None
    centres = [np.array([wheel.centre_mm[0], 0.0, wheel.centre_mm[2]]) for wheel in frame.wheels]
    first, last = (
        min(centres, key=lambda centre: abs(centre[0] - axle.x_mm)) for axle in (frame.axles[0], frame.axles[-1])
    )
    return first, last


def _coverage(
    scene: picture.Scene, text_mm: float, marks: Mapping[str, Sequence[Mark]] | None = None
) -> dict[str, Any] | None:
    """Confidence of the measured surface, what was filled, and the largest openings with their numbers."""
    values = scene.mesh.vertex.get("confidence")
    if values is None:
        return None
    filled = scene.mesh.face["filled"].astype(bool)
    colours = picture.colours_of(values.astype(np.float64), 0.0, 1.0, CONFIDENCE_MAP)
    key = Key(
        say("Confidence of the measured surface"), picture.bar(CONFIDENCE_MAP), say("0: few or scattered points"),
        say("1: many points that agree"), swatches_of(scene, filled=say("filled to close a gap, not measured")),
    )  # fmt: skip
    return draw_map(
        say("Coverage"),
        say("What the scanner saw, how well, and what was filled. Outlines with numbers: the largest openings, as "
            "listed. An opening that none of these views shows has no number here."),
        scene, colours, text_mm, names=picture.VIEWS, key=key, filled=filled, marks=marks,
    )  # fmt: skip


def _scatter(scene: picture.Scene, text_mm: float) -> dict[str, Any] | None:
    """How far the points scatter about the surface that was drawn through them."""
    most = scatter_limit(scene.mesh)
    if most is None:
        return None
    values = scene.mesh.vertex["spread_mm"]
    colours = picture.colours_of(values.astype(np.float64), 0.0, most, SCATTER_MAP)
    swatches = swatches_of(scene, filled=say("filled, not measured"), unknown=say("too few points to tell"))
    key = Key(
        say("Scatter (standard deviation), mm"), picture.bar(SCATTER_MAP), "0 mm", _scatter_words(scene.mesh), swatches
    )
    return draw_map(
        say("Scatter about the surface"),
        say("Standard deviation of the measured points along the normal of the surface made from them. It shows the "
            "scanner's noise and segments that disagree."),
        scene, colours, text_mm, names=picture.VIEWS, key=key, filled=scene.mesh.face["filled"].astype(bool),
    )  # fmt: skip


def _scatter_words(mesh: surface.Surface) -> str:
    return say("{length} mm or more", length=shortest(scatter_limit(mesh)))


def scatter_limit(mesh: surface.Surface) -> float | None:
    """The high end of a scale of scatter, mm; None where no vertex has a value.

    Four times the median, so that ordinary noise fills a quarter of the scale, or less where 95 % are below less.
    """
    values_mm = mesh.vertex.get("spread_mm")
    if values_mm is None or not np.isfinite(values_mm).any():
        return None
    return round_up(min(4 * float(np.nanmedian(values_mm)), float(np.nanquantile(values_mm, 0.95))))

"""Sections as DXF, R2010 with units of millimetres: curves in space, in the vehicle frame, layers by provenance.

A modeller builds on curves where they lie on the vehicle, so that nothing has to be placed: 3D polylines (POLYLINE, not
LWPOLYLINE, whose plane some programs drop) and planar splines. The curves of a plane are a group of its name. The
curves' coordinates in their planes are in the SVG.

Written by ezdxf, with its date, GUIDs and own mark fixed: the same sections give the same bytes.
"""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import ezdxf
import numpy as np
from ezdxf.document import Drawing
from ezdxf.entities import DXFEntity
from ezdxf.layouts import Modelspace
from ezdxf.math import OCS

from nightbay.sections.plane import Plane
from nightbay.sections.section import Section

MEASURED, FILLED, SPLINES, TEXT = "SECTIONS_MEASURED", "SECTIONS_FILLED", "SECTIONS_SPLINES", "SECTIONS_TEXT"
# layer: colour of the AutoCAD colour index that shows on dark and on light ground, line type, meaning
LAYERS = {
    MEASURED: (7, "CONTINUOUS", "polylines of measured surface"),
    FILLED: (30, "NIGHTBAY_DASHED", "polylines of surface that was filled, not measured"),
    SPLINES: (5, "CONTINUOUS", "B-splines through the measured polylines"),
    TEXT: (8, "CONTINUOUS", "names of the sections and axes of the frame"),
}
DASHES_MM = [15.0, 10.0, -5.0]  # length of the pattern, dash, gap
DECIMALS = 4  # of coordinates, mm; the polylines are rounded in their planes already
TEXT_MM = 25.0  # height of the text
AXIS_MM = 500.0  # length of the drawn axes


def write(path: Path, sections: Sequence[Section], facts: Sequence[tuple[str, str]]) -> None:
    """Write the sections; ``facts``: names and texts for the drawing's properties (frame, cautions)."""
    text = io.StringIO()
    with _fixed_metadata():
        _document(sections, facts).write(text)
    path.write_text(text.getvalue(), encoding="utf-8", newline="\n")


def _document(sections: Sequence[Section], facts: Sequence[tuple[str, str]]) -> Drawing:
    """The drawing, in memory."""
    document = ezdxf.new("R2010", units=ezdxf.units.MM)
    document.linetypes.add("NIGHTBAY_DASHED", DASHES_MM, description="filled, not measured")
    for name, (colour, line, about) in LAYERS.items():
        document.layers.add(name, color=colour, linetype=line).description = about
    for name, fact in facts:
        document.header.custom_vars.append(name, fact)
    space = document.modelspace()
    _axes(space)
    for at, section in enumerate(sections, 1):
        entities = list(_entities(space, section))
        if entities:
            group = document.groups.new(f"SECTION_{at:03d}", description=section.plane.name)
            group.extend(entities)
    for name in sorted(document.entitydb.dxf_types_in_use()):  # ezdxf would add them in the order of a set
        document.classes.add_class(name)
    return document


def _entities(space: Modelspace, section: Section) -> Iterator[DXFEntity]:
    """The curves of a section and its name."""
    plane = section.plane
    for at, line in enumerate(section.outlines):
        points = np.round(plane.in_space(line.points_mm), DECIMALS) + 0.0
        points = points[:-1] if line.closed else points
        layer = {"layer": FILLED if line.filled else MEASURED}
        yield space.add_polyline3d(points.tolist(), close=line.closed, dxfattribs=layer)
        for curve in section.curves.get(at, []):
            spline = space.add_spline(degree=3, dxfattribs={"layer": SPLINES, "flags": 8, "extrusion": plane.normal})
            spline.control_points = np.round(plane.in_space(curve.control_mm), DECIMALS) + 0.0
            spline.knots = curve.knots.tolist()
            yield spline
    if section.outlines:
        start = max(section.outlines, key=lambda line: len(line.points_mm)).points_mm
        yield _text(space, plane.name, plane, start[start[:, 1].argmax()] + [0.0, 0.5 * TEXT_MM])


def _text(space: Modelspace, text: str, plane: Plane, at_mm: np.ndarray) -> DXFEntity:
    """A line of text in a plane at coordinates (2,) of it, along its first direction."""
    system = OCS(plane.normal)
    place = system.from_wcs(plane.in_space(at_mm[None])[0])
    along = system.from_wcs(plane.across)
    return space.add_text(
        text,
        height=TEXT_MM,
        rotation=float(np.degrees(np.arctan2(along.y, along.x))),
        dxfattribs={"layer": TEXT, "insert": place.round(DECIMALS), "extrusion": plane.normal},
    )


def _axes(space: Modelspace) -> None:
    """The frame's axes from its origin."""
    for name, direction in zip("XYZ", np.eye(3), strict=True):
        end = AXIS_MM * direction
        space.add_line((0, 0, 0), end, dxfattribs={"layer": TEXT})
        space.add_text(name, height=TEXT_MM, dxfattribs={"layer": TEXT, "insert": end + [0.0, 10.0, 0.0]})


@contextmanager
def _fixed_metadata() -> Iterator[None]:
    """While it lasts, ezdxf writes a fixed date, GUIDs of zeros and no version of itself."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before

"""Plane sections of a part: which planes, the outlines in them for the page, and the files for the customer."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import axes
from nightbay.core.cautions import IN_FILES
from nightbay.core.deliverables import describe
from nightbay.core.version import version
from nightbay.measure.body import Body
from nightbay.measure.result import Section
from nightbay.meshes import vertices
from nightbay.sections import cutting, dxf, svg, tables
from nightbay.sections import section as reduced
from nightbay.sections.plane import AxisPlane, Plane, axis_plane, ordered_planes


def write(body: Body, job: str, part: str, orders: Sequence[Mapping[str, Any]], folder: Path) -> list[Section]:
    """Write ``sections.json`` and the files for the customer; return the numbers of the sections.

    ``orders``: the entries of ``sections`` in the job sheet.
    """
    options, planes = body.options, standard(body)
    ordered_as: dict[int, str] = {}
    for order in orders:
        wanted = ordered_planes(order)
        ordered_as |= dict.fromkeys(range(len(planes), len(planes) + len(wanted)), order["name"])
        planes += wanted
    made = [
        reduced.section(plane, lines, options.outline_mm, options.spline_mm)
        for plane, lines in cutting.through(body.surface, planes)
    ]
    numbers = [_numbers(section, ordered_as.get(at)) for at, section in enumerate(made)]
    record = [
        {**_plain(number), "polylines": [_polyline(line) for line in section.outlines]}
        for number, section in zip(numbers, made, strict=True)
    ]
    (folder / "sections.json").write_text(json.dumps({"sections": record}, sort_keys=True) + "\n", encoding="utf-8")
    if any(section.outlines for section in made):
        _write_files(folder, made, job, part, axes.axes(body.frame.axes).meaning)
    return numbers


def standard(body: Body) -> list[Plane]:
    """Planes of every part: Y = 0, every multiple of ``station_step_mm`` along X, and the axles."""
    bounds = vertices.bounds(body.vertices_mm, body.areas)
    if bounds is None:
        return []
    step = body.options.station_step_mm
    low, high = (float(value) for value in bounds[:, 0])
    stations = np.arange(np.ceil(low / step) * step, high, step)
    return [
        axis_plane("Y 0", 1, 0.0),
        *(axis_plane(f"X {value:.0f}", 0, float(value)) for value in stations),
        *(axis_plane(f"axle {number}", 0, axle.x_mm) for number, axle in enumerate(body.frame.axles, 1)),
    ]


def _numbers(section: reduced.Section, order: str | None) -> Section:
    """What the stage's JSON holds of a section."""
    plane = section.plane
    return Section(
        name=plane.name,
        order=order,
        axis="xyz"[plane.axis] if isinstance(plane, AxisPlane) else None,
        value_mm=plane.value_mm if isinstance(plane, AxisPlane) else None,
        point_mm=plane.point_mm,
        across=plane.across,
        up=plane.up,
        length_mm=section.length_mm,
        filled_mm=section.filled_mm,
        outlines=len({line.number for line in section.outlines}),
        closed=sum(line.closed for line in section.outlines),
        chord_mm=section.chord_mm,
        splines=sum(map(len, section.curves.values())),
        spline_mm=section.curve_mm,
    )


def _plain(numbers: Section) -> dict[str, Any]:
    return {key: value.tolist() if isinstance(value, np.ndarray) else value for key, value in vars(numbers).items()}


def _polyline(line: cutting.Outline) -> dict[str, Any]:
    return {
        "filled": line.filled,
        "closed": line.closed,
        "outline": line.number,
        "points_mm": line.points_mm.tolist(),
    }


def _write_files(folder: Path, made: Sequence[reduced.Section], job: str, part: str, frame: str) -> None:
    """The sections as DXF, SVG and tables."""
    facts = [("frame", frame), ("units", "mm"), ("caution", IN_FILES), ("made by", f"Nightbay {version()}")]
    chord = max(section.chord_mm for section in made)
    off = f"polylines within {chord:.3f} mm of the surface's own outline"
    if any(section.curves for section in made):
        off += f", splines within {max(section.curve_mm for section in made):.3f} mm of it"
    dxf.write(
        describe(folder, "sections.dxf", f"plane sections where they lie on the vehicle, DXF R2010, mm; {off}; "
        f"layers {', '.join(dxf.LAYERS)}; the curves of a plane are a group of its name"),
        made, [("title", f"Sections of job {job}, part {part}"), *facts],
    )  # fmt: skip
    svg.write(
        describe(folder, "sections.svg", "the same polylines drawn true to scale, each section in the coordinates of "
        "its plane, mm; dashed: filled, not measured"),
        made, f"Sections of job {job}, part {part}", facts,
    )  # fmt: skip
    tables.write_points(
        describe(folder, "sections.csv", "the same polylines as a table, a row a point; seen from the side of the "
        "normal the material is to the left of a polyline"),
        made,
    )  # fmt: skip
    tables.write_planes(
        describe(folder, "section-planes.csv", "the planes of the sections with their coordinates, lengths and "
        "measured deviations"),
        made,
    )  # fmt: skip

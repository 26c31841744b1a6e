"""Sections as tables, CSV (RFC 4180, but for the line ends): the points of the polylines, and the planes."""

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from nightbay.sections.section import Section

DECIMALS = 4  # of points in space: those in the plane have three
KIND = {False: "measured", True: "filled"}


def write_points(path: Path, sections: Sequence[Section]) -> None:
    """A row a point, in order along each polyline; a closed one ends with the point that it begins with."""
    head = ["section", "outline", "polyline", "surface", "closed", "x_mm", "y_mm", "z_mm", "across_mm", "up_mm"]
    rows = (
        [section.plane.name, line.number, at, KIND[line.filled], "yes" if line.closed else "no", *_numbers(point)]
        for section in sections
        for at, line in enumerate(section.outlines, 1)
        for point in zip(section.plane.in_space(line.points_mm), line.points_mm, strict=True)
    )
    _write(path, head, rows)


def _numbers(point: tuple[Any, Any]) -> list[str]:
    (x, y, z), (across, up) = point
    return [*(f"{value + 0.0:.{DECIMALS}f}" for value in (x, y, z)), f"{across:.3f}", f"{up:.3f}"]


def write_planes(path: Path, sections: Sequence[Section]) -> None:
    """A row a section: its plane and coordinates, lengths, and how far polylines and splines are from the surface."""
    directions = [f"{name}_{axis}" for name in ("normal", "across", "up") for axis in "xyz"]
    head = ["section", "point_x_mm", "point_y_mm", "point_z_mm", *directions, "measured_mm", "filled_mm"]
    head += ["polyline_deviation_mm", "splines", "spline_deviation_mm"]
    rows = []
    for section in sections:
        plane = section.plane
        row = [plane.name, *(f"{value:.6f}" for value in plane.point_mm)]
        row += [f"{value + 0.0:.9f}" for vector in (plane.normal, plane.across, plane.up) for value in vector]
        splines = sum(map(len, section.curves.values()))
        row += [f"{section.length_mm:.3f}", f"{section.filled_mm:.3f}", f"{section.chord_mm:.4f}", str(splines)]
        rows.append([*row, f"{section.curve_mm:.4f}" if splines else ""])
    _write(path, head, rows)


def _write(path: Path, head: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    with open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(head)
        table.writerows(rows)

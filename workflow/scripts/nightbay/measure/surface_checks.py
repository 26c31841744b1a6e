"""What is said of the whole surface of a part: its uncertainty, left against right, and against a reference."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.comparison.changes import Options
from nightbay.core.deliverables import describe
from nightbay.measure import left_right, measured_shape, reference, uncertainty_map
from nightbay.measure.body import Body
from nightbay.measure.measured_shape import MeasuredShape
from nightbay.measure.result import ReferenceComparison, Symmetry, UncertaintyMap
from nightbay.meshes import surface
from nightbay.meshes.surface import Surface
from nightbay.refine.result import Discrepancy

UNCERTAINTY = (
    "expanded uncertainty (k = 2) of the surface along its normal, mm, at each vertex: of its shape, and of its "
    "coordinates in the vehicle frame; nan where it was filled"
)
DEVIATION = (
    "deviation of the surface from the reference, mm, positive outside, at each vertex with its expanded uncertainty "
    "(k = 2) and the number of its changed area, 0 for none; nan where not compared"
)
AREAS = "the areas that changed significantly, a row each: size, mean and largest deviation, its uncertainty, its place"
NOTHING = "The reference was not compared, because no surface was measured."
LEAST_SPACINGS = 3.0  # edge of a patch, in spacings of the points: nine of them show its scatter


@dataclass(frozen=True)
class SurfaceChecks:
    """The numbers of measure that concern the whole surface; see :class:`nightbay.measure.result.MeasureResult`."""

    uncertainty: UncertaintyMap | None
    symmetry: Symmetry | None
    reference: ReferenceComparison | None


def check(
    body: Body, discrepancies: Sequence[Discrepancy], sheet: Mapping[str, Any], folder: Path, threads: int
) -> SurfaceChecks:
    """Check the surface of a part; ``sheet``: what measure gets of the job sheet.

    Writes ``sides.npy`` with a symmetry plane, ``compared.npy`` with a reference that fits, and for the customer
    ``uncertainty.ply``, ``comparison.ply`` and ``comparison.csv`` in ``deliverables``.
    """
    shape = measured_shape.of(body, discrepancies)
    if not shape.clusters.measured.any():
        entry = sheet.get("reference")
        return SurfaceChecks(None, None, reference.refused(entry, NOTHING) if entry else None)
    uncertainty = uncertainty_map.state(shape, body.options.uncertainty_asked_mm)
    write_values(
        describe(folder, "uncertainty.ply", UNCERTAINTY),
        shape,
        {
            "uncertainty_mm": 2.0 * shape.uncertainty.shape,
            "uncertainty_in_vehicle_mm": 2.0 * shape.uncertainty.in_vehicle,
        },
        UNCERTAINTY,
    )
    return SurfaceChecks(
        uncertainty,
        compare_sides(shape, body, folder, threads),
        compare_reference(shape, body, sheet.get("reference"), folder, threads),
    )


def options_of(body: Body, shape: MeasuredShape) -> Options:
    """How changed areas are looked for at the spacing of a shape."""
    own = body.options
    patch_mm = max(own.change_patch_mm, LEAST_SPACINGS * shape.clusters.spacing_mm)
    return Options(patch_mm, own.change_level, own.change_least_mm2, own.change_least_mm)


def compare_sides(shape: MeasuredShape, body: Body, folder: Path, threads: int) -> Symmetry | None:
    """Left against right: numbers, and the map in ``sides.npy``; None without a symmetry plane."""
    if not body.frame.zero_planes["y"].found:
        return None
    options = options_of(body, shape)
    found = left_right.compare(shape, float(body.axes.left), body.options.comparison_limit_mm, options, threads)
    np.save(folder / "sides.npy", left_right.rows(found.compared, found.changes))
    return left_right.summary(found, options)


def compare_reference(
    shape: MeasuredShape, body: Body, entry: Mapping[str, Any] | None, folder: Path, threads: int
) -> ReferenceComparison | None:
    """Against the reference of the job sheet; None where it names none."""
    if entry is None:
        return None
    numbers, found = reference.compare(shape, entry, body.options.comparison_limit_mm, options_of(body, shape), threads)
    if found is None:
        print(f"reference refused: {numbers.reason}")
        return numbers
    np.save(folder / "compared.npy", left_right.rows(found.compared, found.changes))
    write_values(
        describe(folder, "comparison.ply", DEVIATION),
        shape,
        {
            "deviation_mm": found.compared.deviation_mm,
            "uncertainty_mm": 2.0 * found.compared.sd_mm,
            "changed_area": found.changes.area_of,
        },
        DEVIATION,
    )
    reference.write_csv(describe(folder, "comparison.csv", AREAS), numbers.areas)
    return numbers


def write_values(path: Path, shape: MeasuredShape, values: Mapping[str, np.ndarray], meaning: str) -> None:
    """The clusters of a shape as a mesh with values of its vertices."""
    clusters = shape.clusters
    mesh = Surface(clusters.points_mm.astype(np.float32), clusters.faces, dict(values), {"filled": clusters.filled})
    surface.write_ply(path, mesh, ["units mm", "frame vehicle", meaning])

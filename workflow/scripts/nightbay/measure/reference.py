"""What was measured against a reference: an earlier scan of the vehicle, or its design."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.comparison import changes, deviation
from nightbay.comparison.changes import Changes, Compared, Options
from nightbay.core import rigid
from nightbay.core.errors import NotFound, Rejected
from nightbay.measure import area_list, reference_mesh
from nightbay.measure.measured_shape import MeasuredShape
from nightbay.measure.reference_mesh import Reference
from nightbay.measure.result import Area, ReferenceComparison
from nightbay.uncertainty import registration

EARLIER = "earlier scan"
NO_FRAME = "it can't be compared as placed, because the vehicle frame is kept as scanned"
COLUMNS = ("number", "area_cm2", "mean_mm", "largest_mm", "uncertainty_mm", "x_mm", "y_mm", "z_mm")


@dataclass(frozen=True)
class Found:
    """``compared`` measured points of a shape, in the order of its clusters, with their ``changes``."""

    compared: Compared
    changes: Changes


def compare(
    shape: MeasuredShape, entry: Mapping[str, Any], limit_mm: float, options: Options, threads: int = 1
) -> tuple[ReferenceComparison, Found | None]:
    """Compare a shape with the reference of the job sheet, ``entry``; a reference that does not fit is refused in the
    result, and nothing else of the part is."""
    if entry["unreadable"]:
        return refused(entry, entry["unreadable"]), None
    try:
        xyz_mm, faces = reference_mesh.read(entry)
    except Rejected as rejection:
        return refused(entry, str(rejection)), None
    if entry["align"] == "as_placed" and not np.isfinite(shape.uncertainty.frame).any():
        return refused(entry, f"{entry['file']} was not compared: {NO_FRAME}."), None
    measured = shape.sheet(shape.clusters.measured)
    regions = shape.sheet(shape.clusters.measured & _inside(shape.clusters.points_mm, entry.get("regions", [])))
    if not len(regions.points_mm):
        return refused(entry, f"{entry['file']}: no measured surface lies in its regions: correct them."), None
    reference = reference_mesh.place(xyz_mm, faces, entry, measured, regions, threads)
    if isinstance(reference, NotFound):
        return refused(entry, f"{entry['file']} was not compared: {reference.reason}."), None
    found = deviations(shape, reference, entry, limit_mm, options)
    if not np.isfinite(found.compared.deviation_mm).any():
        return refused(
            entry,
            f"{entry['file']} was not compared: it lies further than {limit_mm:g} mm from all measured surface "
            "(measure.comparison_limit_mm).",
        ), None
    return _result(entry, reference, found, options, limit_mm), found


def _inside(points_mm: np.ndarray, regions: list[Mapping[str, Any]]) -> np.ndarray:
    """Which points, (n, 3), lie in any of the boxes; all where there are none."""
    if not regions:
        return np.ones(len(points_mm), bool)
    return np.any(
        [np.all((points_mm >= each["low_mm"]) & (points_mm <= each["high_mm"]), axis=1) for each in regions], axis=0
    )


def deviations(
    shape: MeasuredShape, reference: Reference, entry: Mapping[str, Any], limit_mm: float, options: Options
) -> Found:
    """The deviation of every measured point of a shape from a reference, positive outside, and what is significant.

    The uncertainty combines that of the measured surface, that of the reference and that of the registration; where the
    reference is taken as placed, that of the vehicle frame instead. Of an earlier scan without a stated uncertainty, it
    is taken to be as large as that of this one.
    """
    clusters, own = shape.clusters, shape.uncertainty
    T = reference.T_reference_vehicle
    placed = rigid.transform(T, clusters.points_mm)
    found = deviation.signed(placed, rigid.rotate(T, clusters.normals), reference.surface, limit_mm)
    stated = entry.get("uncertainty_mm")
    common = np.hypot(own.registration, own.drift)
    noise = own.noise
    if stated is not None:
        common = np.hypot(common, stated / changes.COVERAGE)
    elif entry["kind"] == EARLIER:
        common, noise = np.sqrt(2.0) * common, np.sqrt(2.0) * noise
    if reference.fit is None:
        common = np.hypot(common, own.frame)
    else:
        J = registration.moves(placed, found.facing)
        common = np.hypot(common, np.sqrt(np.einsum("ni,ij,nj->n", J, reference.fit.covariance, J)))
    value = np.where(clusters.measured, found.value_mm, np.nan)
    compared = Compared(clusters.points_mm, clusters.normals, clusters.area_mm2, value, common, noise)
    return Found(compared, changes.find(compared, options))


def write_csv(path: Path, areas: list[Area]) -> None:
    """The areas as a table of comma-separated values, a row each, positions in the vehicle frame."""
    with open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        for area in areas:
            values = (area.area_cm2, area.mean_mm, area.largest_mm, area.uncertainty_mm, *area.at_mm)
            table.writerow([area.number, *(f"{value:.2f}" for value in values)])


def refused(entry: Mapping[str, Any], reason: str) -> ReferenceComparison:
    """The result of a comparison that was not made for a ``reason``, a sentence."""
    return ReferenceComparison(entry["file"], entry["kind"], entry["align"], "refused", reason)


def _result(
    entry: Mapping[str, Any], reference: Reference, found: Found, options: Options, limit_mm: float
) -> ReferenceComparison:
    values, area = found.compared.deviation_mm, found.compared.area_mm2
    met = np.isfinite(values)
    size = np.abs(values[met])
    fit = reference.fit
    return ReferenceComparison(
        file=entry["file"],
        kind=entry["kind"],
        align=entry["align"],
        state="compared",
        reason=None,
        uncertainty_assumed=entry["kind"] == EARLIER and entry.get("uncertainty_mm") is None,
        elsewhere=reference.elsewhere,
        turned_over=reference.turned_over,
        T_reference_vehicle=reference.T_reference_vehicle,
        fit_share=None if fit is None else fit.share,
        limit_mm=limit_mm,
        without_partner=float(1.0 - area[met].sum() / max(float(area.sum()), 1e-9)),
        median_mm=float(np.median(values[met])),
        rms_mm=float(np.sqrt(np.mean(size**2))),
        abs_95_mm=float(np.percentile(size, 95.0)),
        uncertainty_median_mm=found.compared.uncertainty_median_mm,
        tested=found.changes.patches,
        level=options.level,
        areas=area_list.listed(found.changes),
    )

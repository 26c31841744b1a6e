"""Numbers of the map of a surface's uncertainty."""

import numpy as np

from nightbay.measure.measured_shape import MeasuredShape
from nightbay.measure.result import COVERAGE, UncertaintyMap

CAUSES = ("noise", "registration", "drift", "frame")
WORST_SHARE = 0.999  # of the area; a single vertex at an edge says nothing of a place


def state(shape: MeasuredShape, asked_mm: float | None) -> UncertaintyMap | None:
    """The :class:`UncertaintyMap` of a shape, weighted by area; ``asked_mm``: the expanded uncertainty that is asked
    for. None where it is known nowhere."""
    sd_mm, area_mm2 = shape.uncertainty.shape, shape.clusters.area_mm2
    known = np.flatnonzero(np.isfinite(sd_mm) & (area_mm2 > 0.0))
    if not len(known):
        return None
    order = known[np.argsort(sd_mm[known], kind="stable")]
    worst = order[_at(area_mm2[order], WORST_SHARE)]
    expanded_mm = COVERAGE * sd_mm[known]
    in_vehicle = shape.uncertainty.in_vehicle
    above = None if asked_mm is None else float(area_mm2[known][expanded_mm > asked_mm].sum() / area_mm2[known].sum())
    return UncertaintyMap(
        median_mm=_quantile(expanded_mm, area_mm2[known], 0.5),
        p95_mm=_quantile(expanded_mm, area_mm2[known], 0.95),
        worst_mm=float(COVERAGE * sd_mm[worst]),
        worst_at_mm=shape.clusters.points_mm[worst],
        in_vehicle_median_mm=_of_known(in_vehicle, area_mm2, 0.5, COVERAGE),
        in_vehicle_p95_mm=_of_known(in_vehicle, area_mm2, 0.95, COVERAGE),
        causes_mm={name: _of_known(getattr(shape.uncertainty, name), area_mm2, 0.5, 1.0) for name in CAUSES},
        asked_mm=asked_mm,
        above_share=above,
        unknown_share=float(1.0 - len(known) / len(sd_mm)),
        spacing_mm=shape.clusters.spacing_mm,
    )


def _of_known(values: np.ndarray, weight: np.ndarray, share: float, times: float) -> float | None:
    known = np.isfinite(values) & (weight > 0.0)
    return times * _quantile(values[known], weight[known], share) if known.any() else None


def _quantile(values: np.ndarray, weight: np.ndarray, share: float) -> float:
    order = np.argsort(values, kind="stable")
    return float(values[order[_at(weight[order], share)]])


def _at(weight: np.ndarray, share: float) -> int:
    """Row at which a ``share`` of the sum of the ``weight``, (n,), is reached."""
    total = np.cumsum(weight)
    return int(min(np.searchsorted(total, share * total[-1]), len(weight) - 1))

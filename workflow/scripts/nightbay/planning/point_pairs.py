"""Point pairs of a job sheet: the same points picked in two segments, which roughly show how these lie."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from nightbay.core.units import MM
from nightbay.planning import validation

# Times its standard deviation by which a distance may differ between two segments: exceeded once in 16 000.
DIFFERING_SDS = 4.0
# Least distance of the points from the line that fits them best, rms, in standard deviations of a pair. The rotation
# about that line is then known to a fifth of a radian over the root of the count, 7 degrees with three pairs: a start
# from which surfaces find the pose.
WIDTH_SDS = 5.0


@dataclass(frozen=True)
class PointPairs:
    """Points that were picked in two segments each.

    ``segments``: their names, sorted; ``points_mm``: n pairs of points, each in its own segment's frame, in the order
    of ``segments``; ``sd_mm``: standard deviation of each coordinate between the two points of a pair.
    """

    segments: list[str]
    points_mm: list[list[list[float]]]
    sd_mm: float


def read(
    written: Sequence[Mapping[str, Any]], units: Mapping[str, str], key: str
) -> tuple[list[PointPairs], list[str]]:
    """The :class:`PointPairs` of a part as its job sheet has them, in order of their segments, and what is wrong with
    them, a sentence each.

    ``units`` {segment: unit of its raw file}; ``key``: file and key, as the sentences begin.
    """
    found: dict[tuple[str, ...], PointPairs] = {}
    sentences = []
    for number, entry in enumerate(written):
        where = f"{key}.{number}'"
        fault = _naming_fault(entry["segments"], units)
        if fault is None and tuple(sorted(entry["segments"])) in found:
            fault = f"names {' and '.join(entry['segments'])} a second time: put all pairs of two segments in one entry"
        if fault is None:
            pairs = _in_mm(entry, units)
            fault = _shape_fault(pairs)
            found[tuple(pairs.segments)] = pairs
        if fault is not None:
            sentences.append(f"{where} {fault}.")
    return [found[names] for names in sorted(found)], sentences


def _naming_fault(names: Sequence[str], units: Mapping[str, str]) -> str | None:
    """What is wrong with the names of two segments, a clause; None if nothing is."""
    unknown = [name for name in names if name not in units]
    if unknown:
        return (
            f"names segment '{unknown[0]}', which the part does not have ({validation.nearest(unknown[0], [*units])})"
        )
    if names[0] == names[1]:
        return f"names segment '{names[0]}' twice: name the two segments that the points were picked in"
    return None


def _in_mm(entry: Mapping[str, Any], units: Mapping[str, str]) -> PointPairs:
    """An entry with its segments sorted by name, in millimetres."""
    order = sorted((0, 1), key=lambda at: entry["segments"][at])
    names = [entry["segments"][at] for at in order]
    points = [
        [[coordinate * MM.get(units[entry["segments"][at]], 1.0) for coordinate in pair[at]] for at in order]
        for pair in entry["points"]
    ]
    return PointPairs(names, points, float(entry["sd_mm"]))


def _shape_fault(pairs: PointPairs) -> str | None:
    """Why points do not determine a pose or do not belong to each other, a clause; None if they do."""
    points = np.array(pairs.points_mm)
    a, b = pairs.segments
    for name, own in zip(pairs.segments, points.transpose(1, 0, 2), strict=True):
        width_mm = _width_mm(own)
        if width_mm < WIDTH_SDS * pairs.sd_mm:
            return (
                f"has points of segment {name} nearly on a line: they lie {width_mm:.0f} mm off it (rms), at least "
                f"{WIDTH_SDS:g} times sd_mm, {WIDTH_SDS * pairs.sd_mm:.0f} mm, is needed; pick a point further off it"
            )
    limit_mm = DIFFERING_SDS * np.sqrt(2) * pairs.sd_mm
    for i, j in combinations(range(len(points)), 2):
        apart_mm = np.linalg.norm(points[i] - points[j], axis=1)
        if abs(apart_mm[0] - apart_mm[1]) > limit_mm:
            return (
                f"has points {i + 1} and {j + 1} at a distance of {apart_mm[0]:.0f} mm in segment {a} and of "
                f"{apart_mm[1]:.0f} mm in segment {b}: the difference may be {limit_mm:.0f} mm with the stated sd_mm; "
                "correct the points, their order or their units, or state a larger sd_mm"
            )
    return None


def _width_mm(points: np.ndarray) -> float:
    """RMS distance of points (n, 3) from the line that fits them best."""
    values = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return float(np.sqrt(np.sum(values[1:] ** 2) / len(points)))

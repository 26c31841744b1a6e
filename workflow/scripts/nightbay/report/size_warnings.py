"""Warnings on the sizes of a part: ends that were not scanned, nominal values that do not fit, what can't be stated."""

from collections.abc import Mapping
from typing import Any

from nightbay.core.axes import axes
from nightbay.core.language import phrase, say
from nightbay.core.text_format import listing, mm
from nightbay.frame.result import FrameResult
from nightbay.measure.result import Dimension, MeasureResult
from nightbay.report import axle_sizes
from nightbay.report.job_summary import DIMENSIONS, dimension_in_words
from nightbay.report.next_step import JobWarning
from nightbay.report.part import Part


def warnings(part: Part, sheet: Mapping[str, Any]) -> list[JobWarning]:
    """Sentences on the dimensions of a part, and on what the job sheet orders and measure could not state."""
    if part.measure is None:
        return []
    found = []
    for name, dimension in part.measure.dimensions.items():
        found += _dimension_warnings(name, dimension, part.frame)
    return found + _missing_sizes(part.name, part.measure, sheet) + axle_sizes.warnings(part, sheet)


def _dimension_warnings(name: str, dimension: Dimension, frame: FrameResult | None) -> list[JobWarning]:
    found, title, words = [], say(DIMENSIONS.get(name, name)), dimension_in_words(name)
    if dimension.unscanned_ends:
        beyond_mm = max(end.beyond_mm for end in dimension.unscanned_ends)
        ends = listing(say(_end(name, end.end, frame)) for end in dimension.unscanned_ends)
        found.append(
            JobWarning(
                say(
                    "{dimension} may be larger by about {length}: one end was not scanned; see the notes.",
                    dimension=title,
                    length=mm(beyond_mm, 1),
                ),
                say("Scan {ends} again, or check the {dimension} by hand.", ends=ends, dimension=words),
            )
        )
    if dimension.significant and dimension.verdict is None:
        found.append(
            JobWarning(
                say(
                    "{dimension} differs from its nominal value by {difference}, more than its uncertainty of "
                    "{uncertainty}.",
                    dimension=title,
                    difference=mm(dimension.difference_mm, 1, sign=True),
                    uncertainty=mm(dimension.uncertainty_mm, 1),
                ),
                say("Check the nominal {dimension}, or measure it by hand.", dimension=words),
            )
        )
    return found


def _end(name: str, end: str, frame: FrameResult | None) -> str:
    """An end ("high" or "low") of a dimension in words, as a message."""
    try:
        convention = axes(frame.axes) if frame else axes("design_grid")
    except KeyError:
        convention = axes("design_grid")
    if "overhang" in name:
        return phrase("the front") if name.startswith("front") else phrase("the rear")
    if "length" in name:
        return phrase("the front") if (end == "high") == (convention.forward > 0) else phrase("the rear")
    if "width" in name:
        return phrase("the left side") if (end == "high") == (convention.left > 0) else phrase("the right side")
    return phrase("the top") if end == "high" else phrase("the bottom")


def _missing_sizes(part_name: str, measured: MeasureResult, sheet: Mapping[str, Any]) -> list[JobWarning]:
    nominal = sheet.get("nominal_mm", {}) if part_name == "exterior" else {}
    wanted = sheet.get("sizes", {}).get(part_name, [])
    stated = {entry.key for entry in measured.room}
    known = measured.dimensions.keys() | measured.not_stated.keys()
    missing = [dimension_in_words(name) for name in DIMENSIONS if name in nominal and name not in known]
    found = [
        JobWarning(
            say(
                "The job sheet gives a nominal {dimension}, but it could not be measured; see the notes.",
                dimension=dimension,
            ),
            say("Scan what the {dimension} is measured between, or measure it by hand.", dimension=dimension),
        )
        for dimension in missing
    ]
    return found + [
        JobWarning(
            say("The distance '{name}' of the job sheet can't be stated; see the notes.", name=name),
            say(
                "Correct the distance '{name}' in job.yaml (parts, {part}, sizes) and run the same command.",
                name=name,
                part=part_name,  # as the file has it
            ),
        )
        for at, name in enumerate(wanted, 1)
        if f"distance_{at}" not in stated
    ]

"""Features, distances and angles as a table of delimited text for CAD."""

import csv
import io
from collections.abc import Iterator

from nightbay.core import cautions
from nightbay.features.result import FeaturesResult, Value

COLUMNS = (
    "item", "number", "name", "kind", "between", "value_of", "value", "unit", "expanded_uncertainty", "coverage_factor",
    "nominal", "deviation", "lower_deviation", "upper_deviation", "verdict", "not_in_uncertainty", "remark",
)  # fmt: skip
DECIMALS = {"mm": 4, "deg": 5}


def text(found: FeaturesResult) -> str:
    """The table: comments on frame, uncertainty and cautions, a head, a row for each value."""
    file = io.StringIO()
    file.write("# vehicle frame, mm and degrees; deviations and verdicts at 20 degrees Celsius where that is known\n")
    file.write("# verdict by ISO 14253-1: inside and outside are proved, undecided lies within the uncertainty\n")
    file.write(f"# {cautions.IN_FILES}\n")
    writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_rows(found))
    return file.getvalue()


def _rows(found: FeaturesResult) -> Iterator[dict[str, str]]:
    for feature in found.features:
        head = {"item": "feature", "number": str(feature.number), "name": feature.name, "kind": feature.kind}
        for axis, value in zip("xyz", feature.point_mm, strict=True):
            if not any(stated.name == axis for stated in feature.values):
                yield head | {"value_of": f"point {axis}", "value": f"{value:.4f}", "unit": "mm"}
        for stated in feature.values:
            yield head | {"value_of": stated.name} | _numbers(stated)
        if feature.direction is not None:
            for axis, value in zip("xyz", feature.direction, strict=True):
                yield head | {"value_of": f"direction {axis}", "value": f"{value:.7f}", "unit": "1"}
        if feature.form_rms_mm is not None:
            yield head | {"value_of": "form rms", "value": f"{feature.form_rms_mm:.4f}", "unit": "mm"}
    for item, values in (("distance", found.distances), ("angle", found.angles)):
        for stated in values:
            between = " | ".join(stated.between)
            yield {"item": item, "name": stated.name, "between": between, "value_of": item} | _numbers(stated)
    for refused in found.refused:
        yield {"item": refused.what, "name": refused.name, "verdict": "not stated", "remark": refused.reason}


def _numbers(stated: Value) -> dict[str, str]:
    decimals = DECIMALS[stated.unit]

    def number(value: float | None) -> str:
        return "" if value is None else f"{value:.{decimals}f}"

    return {
        "value": number(stated.value),
        "unit": stated.unit,
        "expanded_uncertainty": number(stated.uncertainty),
        "coverage_factor": f"{stated.coverage:g}",
        "nominal": number(stated.nominal),
        "deviation": number(stated.deviation),
        "lower_deviation": number(stated.lower),
        "upper_deviation": number(stated.upper),
        "verdict": stated.verdict or "",
        "not_in_uncertainty": "; ".join(stated.unknown),
        "remark": stated.meaning,
    }

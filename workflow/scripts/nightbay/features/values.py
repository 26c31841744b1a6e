"""Values as they are stated: expanded uncertainty, what is unknown, nominal value, tolerance and verdict."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from nightbay.core.conformity import verdict
from nightbay.features import relations
from nightbay.features.fitted import Fitted
from nightbay.features.relations import Context, Relation
from nightbay.features.result import Unit, Value
from nightbay.measure.result import COVERAGE
from nightbay.refine.result import Scale
from nightbay.uncertainty import budget as budgets


def length(
    name: str,
    relation: Relation,
    features: Sequence[Fitted],
    context: Context,
    scale: Scale,
    written: Mapping[str, Any],
) -> Value:
    """A length, mm, between features or of one; ``written``: its entry in the job sheet, with nominal and tolerance."""
    signed, budget = relations.evaluate(relation, features, context)
    # a coordinate keeps its sign, a distance has none
    value = signed if relation.from_zero and len(features) == 1 else abs(signed)
    budget["drift"] = budgets.drift_sd_mm(abs(value), context.scan)
    if relation.frame_axis is not None:
        budget["frame"] = relations.frame_sd(relation, features, context.frame)
    if scale.applied and scale.sd is not None:
        budget["scale"] = budgets.scale_sd_mm(abs(value), scale.sd)
    stated = _stated(written, name, relation, "mm", value, budget)
    return _judged(replace(stated, at_20_c=budgets.at_20_c(value, budget, scale)), written, "mm")


def angle(
    name: str,
    relation: Relation,
    mixed: bool,
    features: Sequence[Fitted],
    context: Context,
    written: Mapping[str, Any],
) -> Value:
    """An angle, degrees, between two features; ``mixed``: what is left to 90 degrees."""
    turn, budget_rad = relations.evaluate(relation, features, context)
    # an error of position that grows with distance by a share turns a direction by that angle
    budget_rad["drift"] = budgets.drift_sd_mm(1.0, context.scan)
    if relation.frame_axis is not None:
        budget_rad["frame"] = relations.frame_rotation_sd(relation, context.frame)
    budget = {cause: None if sd is None else float(np.degrees(sd)) for cause, sd in budget_rad.items()}
    value = 90.0 - float(np.degrees(turn)) if mixed else float(np.degrees(turn))
    return _judged(_stated(written, name, relation, "deg", value, budget), written, "deg")


def _stated(
    written: Mapping[str, Any], name: str, relation: Relation, unit: Unit, value: float, budget: dict[str, float | None]
) -> Value:
    between = [written["from"], written["to"]] if "from" in written else []
    return Value(
        name=name,
        meaning=relation.meaning,
        unit=unit,
        value=float(value),
        uncertainty=budgets.combine(budget),
        coverage=COVERAGE,
        budget=budget,
        unknown=budgets.unknown(budget),
        ends_mm=relation.ends_mm,
        between=between,
    )


def _judged(stated: Value, written: Mapping[str, Any], unit: Unit) -> Value:
    """The value with its nominal value and the verdict on its tolerance: at 20 degrees Celsius where that is known, to
    which drawings refer (ISO 1). Where a cause is unknown, nothing is proved."""
    nominal = written.get(f"nominal_{unit}")
    if nominal is None:
        return stated
    lower, upper = written.get(f"lower_{unit}"), written.get(f"upper_{unit}")
    at = stated.at_20_c
    value, uncertainty = (stated.value, stated.uncertainty) if at is None else (at.value_mm, at.uncertainty_mm)
    deviation = value - nominal
    decided = None
    if lower is not None or upper is not None:
        decided = verdict(deviation, np.inf if stated.unknown else uncertainty, lower, upper)
    return replace(
        stated, nominal=float(nominal), deviation=float(deviation), lower=lower, upper=upper, verdict=decided
    )

"""The width over mirrors: stated only where mirrors were found, and with a doubt where one was."""

from collections.abc import Iterable
from dataclasses import replace

from nightbay.measure import dimensions
from nightbay.measure.body import Body
from nightbay.measure.result import Dimension, Protrusion
from nightbay.uncertainty import budget as uncertainty_budget

ONE_MIRROR = "one mirror only"  # cause of an uncertainty of unknown size, in a budget


def state(body: Body, protrusions: Iterable[Protrusion]) -> tuple[Dimension | None, list[str]]:
    """The width over mirrors, None without a mirror, and a sentence where a mirror of either side was not found.

    ``protrusions`` at the sides; those that reach further than ``measure.mirror_reach_mm`` are mirrors. A coarse scan,
    or one from too few places, has a vehicle without its mirrors, whose width would pass for the one over them.
    """
    sides = {found.where for found in protrusions if found.reach_mm > body.options.mirror_reach_mm}
    if not sides:
        return None, [
            "Width over mirrors can't be stated: no mirror was found at the sides. If the vehicle has mirrors, scan "
            "them again, with more points."
        ]
    stated = dimensions.span("width_over_mirrors", body, 1)
    if stated is None or len(sides) > 1:
        return stated, []
    (side,) = sides
    budget_mm = stated.budget_mm | {ONE_MIRROR: None}
    return replace(stated, budget_mm=budget_mm, unknown=uncertainty_budget.unknown(budget_mm)), [
        f"Width over mirrors: a mirror was found on the {side} side only. If the vehicle has another one, scan it "
        "again."
    ]

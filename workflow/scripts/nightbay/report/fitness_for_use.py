"""What a part's model can be used for: how closely parts can be fitted to it, by which evidence, and where not."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import hypot, sqrt
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf

from nightbay.core.language import phrase, say
from nightbay.core.text_format import listing, mm, number, plural, share
from nightbay.measure.result import COVERAGE
from nightbay.meshes import surface
from nightbay.meshes.surface import Surface
from nightbay.network.result import NetworkResult
from nightbay.report.part import Part

ANGLES = ("approach_angle", "departure_angle", "ramp_angle")
HEIGHTS = ("height", "height_body", "ground_clearance", *ANGLES)
HEIGHT_DEPENDS_ON = {  # of a vehicle's state
    "load": phrase("load"),
    "tyre_pressure_kpa": phrase("tyre pressure"),
    "ride_height": phrase("ride height"),
}
LONGEST = ("length", "inner_length", "width", "inner_width", "height", "inner_height")
LEVEL = 0.95
WORST = 0.05  # share of the surface that is also judged by itself


@dataclass(frozen=True)
class FitnessForUse:
    """How closely parts can be fitted to the measured surface of a part.

    ``tolerance_mm``: the distance from the true surface that 95 % of the measured surface is expected to keep, by what
    was withheld from the fits and by the noise of each place; ``worst_mm``: the same for the twentieth of the surface
    with most noise; both None where nothing withheld tests the poses. ``end_to_end_mm``: what drift and poses add
    between opposite ends, expanded (k = 2). ``evidence``, ``not_covered`` and ``not_for``: what it rests on, what it
    leaves out, and where nothing must be fitted, in words.
    """

    tolerance_mm: float | None
    worst_mm: float | None
    end_to_end_mm: float | None
    evidence: list[str] = field(default_factory=list)
    not_covered: list[str] = field(default_factory=list)
    not_for: list[str] = field(default_factory=list)


def fitness_for_use(part: Part, model: Surface | None, state: Mapping[str, Any]) -> FitnessForUse:
    """The :class:`FitnessForUse` of a part that was made.

    ``model``: a level of it, with ``count`` and ``spread_mm`` of its vertices; ``state`` of the vehicle, as the job
    sheet has it.
    """
    tests = _tests(part)
    tolerance_mm = worst_mm = None
    if tests and model is not None:
        noise_mm, area_mm2 = _noise(model)
        if len(noise_mm):
            pose_mm = max(sd for sd, _ in tests)
            tolerance_mm = covering(np.hypot(noise_mm, pose_mm), area_mm2)
            worst = noise_mm >= _weighted_quantile(noise_mm, area_mm2, 1 - WORST)
            worst_mm = covering(np.hypot(noise_mm[worst], pose_mm), area_mm2[worst])
    return FitnessForUse(
        tolerance_mm,
        worst_mm,
        _end_to_end(part),
        [words for _, words in tests],
        causes_not_covered(None, part.network, state),
        _not_for(part),
    )


def covering(sd_mm: np.ndarray, weight: np.ndarray) -> float:
    """The distance that :data:`LEVEL` of normal errors with standard deviations ``sd_mm`` (n,) keep to, mm; ``weight``
    (n,) of each."""
    weight = weight / weight.sum()

    def excess(distance_mm: float) -> float:
        return float(weight @ erf(distance_mm / (sqrt(2) * sd_mm))) - LEVEL

    return float(brentq(excess, 0.0, 10 * float(sd_mm.max()), xtol=1e-4))


def _noise(model: Surface) -> tuple[np.ndarray, np.ndarray]:
    """Noise of each measured face, the mean of its vertices' spread over the root of their count, and its area."""
    spread_mm, count = model.vertex.get("spread_mm"), model.vertex.get("count")
    if spread_mm is None or count is None:
        return np.zeros(0), np.zeros(0)
    noise_mm = (spread_mm / np.sqrt(np.maximum(count, 1.0)))[model.faces].mean(axis=1).astype(np.float64)
    area_mm2 = surface.face_areas(model).astype(np.float64)
    measured = np.isfinite(noise_mm) & (noise_mm > 0) & (area_mm2 > 0)
    if "filled" in model.face:
        measured &= model.face["filled"] == 0
    return noise_mm[measured], area_mm2[measured]


def _weighted_quantile(values: np.ndarray, weight: np.ndarray, share_below: float) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return float(values[order[min(np.searchsorted(total, share_below * total[-1]), len(order) - 1)]])


def _end_to_end(part: Part) -> float | None:
    """What drift and poses add to the longest dimension, expanded, mm; None where either is unknown."""
    dimensions = part.measure.dimensions if part.measure else {}
    longest = next((dimensions[name] for name in LONGEST if name in dimensions), None)
    if longest is None:
        return None
    drift_mm, pose_mm = (longest.budget_mm.get(cause) for cause in ("drift", "registration"))
    return None if drift_mm is None or pose_mm is None else COVERAGE * hypot(drift_mm, pose_mm)


def _tests(part: Part) -> list[tuple[float, str]]:
    """Standard uncertainties of a place by what was withheld from the fits, each with its evidence in words."""
    found = []
    checks = part.network.check_targets if part.network else None
    if checks and checks.count and checks.rms_mm is not None:
        found.append(
            (
                checks.rms_mm / sqrt(3),  # of one coordinate
                say(
                    "Check targets, left out of the fit in turn, are predicted to {rms} (rms of {checks})",
                    rms=mm(checks.rms_mm),
                    checks=number(checks.count),
                ),
            )
        )
    pairs = [pair for pair in (part.refine.discrepancies if part.refine else []) if pair.withheld_rms_after_mm]
    if pairs:
        worst = max(pairs, key=lambda pair: pair.withheld_rms_after_mm)
        found.append(
            (
                worst.withheld_rms_after_mm / sqrt(2),  # of one of the two segments
                plural(
                    len(pairs),
                    "Patches of the overlap of {segments} lie {rms} apart when they are left out of the fit (rms)",
                    "Patches of the overlap of {segments}, the worst of {count} overlaps, lie {rms} apart when they "
                    "are left out of the fit (rms)",
                    segments=listing(worst.segments),
                    rms=mm(worst.withheld_rms_after_mm),
                ),
            )
        )
    by_surfaces = [pose.position_sd_mm for pose in (part.refine.by_surfaces if part.refine else [])]
    if by_surfaces:
        sd_mm = max(by_surfaces)
        found.append((sd_mm, say("The least certain pose by surfaces is known to {sd}", sd=mm(sd_mm))))
    return found


def causes_not_covered(dimension: str | None, network: NetworkResult | None, state: Mapping[str, Any]) -> list[str]:
    """Causes of error that no uncertainty on the page covers: of a dimension by its name, or of any distance (None)."""
    found = []
    length = dimension not in ANGLES  # no scale changes an angle
    if length and (network is None or not network.scale_bars):
        found.append(say("the scanner's scale (no scale bar checked it)"))
    scaled = network is not None and network.scale is not None and network.scale.temperature is not None
    if length and not scaled and state.get("temperature_c", "unknown") == "unknown":
        found.append(say("the body's temperature (not known)"))
    if dimension in HEIGHTS:
        unknown = [say(words) for key, words in HEIGHT_DEPENDS_ON.items() if state.get(key, "unknown") == "unknown"]
        if unknown:
            found.append(say("{causes} (not known)", causes=listing(unknown)))
    return found


def _not_for(part: Part) -> list[str]:
    """Where nothing must be fitted."""
    found = []
    if part.fill and part.fill.filled_area_mm2:
        filled = share(part.fill.filled_area_mm2 / (part.fill.filled_area_mm2 + part.fill.measured_area_mm2), 2)
        found.append(say("filled surface ({share} of the model, marked in pictures and files)", share=filled))
    doubted = [doubt.segment for doubt in part.refine.contradiction.doubted] if part.refine else []
    if doubted:
        found.append(
            plural(
                len(doubted),
                "what segment {names} shows, because it contradicts the others",
                "what segments {names} show, because they contradict the others",
                names=listing(doubted),
            )
        )
    alone = part.refine.contradiction.isolated if part.refine else []
    if alone:
        found.append(
            plural(
                len(alone),
                "what segment {names} alone shows, because no overlap tests it",
                "what segments {names} alone show, because no overlap tests them",
                names=listing(alone),
            )
        )
    undecided = [name for name in part.placed if (clean := part.segments[name].clean) and clean.undecided]
    if undecided:
        found.append(
            plural(
                len(undecided),
                "places of segment {names} where the surface lies double and nothing could decide",
                "places of segments {names} where the surface lies double and nothing could decide",
                names=listing(undecided),
            )
        )
    return found


def sentences(part: Part, fitness: FitnessForUse) -> list[str]:
    """The same as plain sentences for the top of the page, the main one first."""
    if fitness.tolerance_mm is None or fitness.worst_mm is None:
        found = [_not_known(part)]
    else:
        found = [
            say(
                "Parts can be fitted to the measured surface of the {part} to about ±{tolerance} (95 %).",
                part=part.noun,
                tolerance=mm(fitness.tolerance_mm),
            ),
            say(
                "On the twentieth of the surface with the fewest or most scattered points count with ±{tolerance}.",
                tolerance=mm(fitness.worst_mm),
            ),
        ]
    if fitness.end_to_end_mm is not None:
        ends = mm(fitness.end_to_end_mm)
        found.append(say("From one end to the other, drift as declared and poses add ±{length} (95 %).", length=ends))
    if fitness.not_covered:
        found.append(say("Not covered: {causes}.", causes=listing(fitness.not_covered)))
    if fitness.not_for:
        found.append(say("Don't fit parts to {places}.", places="; ".join(fitness.not_for)))
    return found


def _not_known(part: Part) -> str:
    if len(part.placed) == 1:
        return say(
            "How closely parts can be fitted to the {part} is not known: it was made from one segment alone, so "
            "nothing tests the scanner's drift.",
            part=part.noun,
        )
    return say(
        "How closely parts can be fitted to the {part} is not known: it was made from segments of which nothing could "
        "be withheld, so nothing tests the scanner's drift.",
        part=part.noun,
    )

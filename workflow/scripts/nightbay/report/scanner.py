"""What the calibrated artefacts of a job say of its scanner, for the page, its warnings and the day board."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from nightbay.artefact.result import DROPPED, VIEWS, ArtefactResult, Comparison, Evaluated, Measured, Quantity, View
from nightbay.core.language import phrase, say, stage_sentence
from nightbay.core.text_format import digits_of, listing, mm, number, plural, share, shortest
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.report.next_step import JobWarning, of_reason

NAMES = {
    "probing_form": phrase("Probing error, form"),
    "form_95": phrase("Form, 95 % of the points"),
    "probing_size": phrase("Probing error, size"),
    "sphere_spacing": phrase("Sphere-spacing error"),
    "flatness": phrase("Flatness"),
    "target_spacing": phrase("Distance of two targets, error"),
}
FORMULAS = {
    "probing_form": phrase("largest less smallest distance from the centre of the least-squares sphere, radius free"),
    "form_95": phrase("narrowest shell or slab about the fitted surface that holds 95 % of the points"),
    "probing_size": phrase("diameter of the least-squares sphere, radius free, less the calibrated diameter"),
    "sphere_spacing": phrase("distance between the centres of the least-squares spheres less the calibrated distance"),
    "flatness": phrase("largest less smallest signed distance from the least-squares plane"),
    "target_spacing": phrase("distance between the targets of the list less the calibrated distance"),
}
KINDS = {
    "sphere": phrase("sphere"),
    "ball_bar": phrase("ball bar"),
    "plate": phrase("plate"),
    "scale_bar": phrase("scale bar"),
}
JOINED_BY = {
    "placed": phrase("as exported in one frame"),
    "targets": phrase("by targets with the same ids"),
    "spheres": phrase("by the spheres that they share"),
}
SIGNED = ("probing_size", "sphere_spacing", "target_spacing")  # errors, which have a sign; the others are widths
DIGITS = 4  # of lengths in mm at most: tenths of a micrometre say nothing of such scanners


@dataclass(frozen=True)
class Scanner:
    """What the stage artefact left: its ``result``, or the ``reasons`` why it has none."""

    result: ArtefactResult | None
    reasons: list[dict[str, Any]]
    notes: list[str]

    @property
    def worse(self) -> list[JobWarning]:
        """Where the scanner was worse than the day assumes, the worst of each kind, with what to do."""
        found: dict[str, tuple[Measured, Comparison]] = {}
        for entry in self.result.artefacts if self.result else []:
            for comparison in (comparison for view in entry.views for comparison in view.comparisons):
                known = found.get(comparison.key)
                if comparison.worse and (known is None or abs(comparison.found_mm) > abs(known[1].found_mm)):
                    found[comparison.key] = entry, comparison
        return [_worse(entry, comparison) for entry, comparison in found.values()]

    @property
    def warnings(self) -> list[JobWarning]:
        """Sentences on what must be known of the scanner before its models are used."""
        missing = self.result.undecided if self.result else []
        sentences = [reason["sentence"] for reason in self.reasons] + [entry.sentence for entry in missing]
        return [JobWarning(stage_sentence(sentence), of_reason(sentence)) for sentence in sentences] + self.worse

    @property
    def summary(self) -> str:
        """What was measured, in a sentence."""
        if self.result is None:
            return say("The artefacts could not be measured: {reason}", reason=_first(self.reasons))
        names = listing(entry.name for entry in self.result.artefacts)
        return plural(
            len(self.result.artefacts),
            "{count} calibrated artefact was measured: {names}.",
            "{count} calibrated artefacts were measured: {names}.",
            names=names,
        )

    @property
    def evidence(self) -> list[str]:
        """The main quantities, a phrase for the board."""
        found = [
            say("{quantity} {value}", quantity=in_words(quantity), value=value(quantity))
            for entry in (self.result.artefacts if self.result else [])
            for quantity in _best(entry).quantities
            if quantity.key in ("probing_size", "sphere_spacing", "flatness", "target_spacing")
        ]
        return [say("Scanner: {values}", values="; ".join(found))] if found else []


def scanner_of(upstream: Mapping[str, Sequence[Upstream]]) -> Scanner | None:
    """The :class:`Scanner` of a job; None where it has no artefacts."""
    records = upstream.get("artefact", [])
    if not records:
        return None
    record = records[0]
    if record.status != "ok":
        return Scanner(None, record.reasons, [])
    read = [note for left in upstream.get("intake", []) if left.part == record.part for note in left.notes]
    return Scanner(typed.read(ArtefactResult, record.result), [], [*read, *record.notes])


def _first(reasons: Sequence[Mapping[str, Any]]) -> str:
    return stage_sentence(reasons[0]["sentence"]) if reasons else ""


def _best(entry: Measured) -> View:
    """The view that shows the most: the joined one, else the first."""
    return entry.views[-1] if entry.views[-1].joined_by else entry.views[0]


def in_words(quantity: Quantity) -> str:
    """The name of a quantity, with the number of its sphere where there are two."""
    name = say(NAMES[quantity.key])
    return say("{quantity}, sphere {number}", quantity=name, number=quantity.of) if quantity.of else name


def value(quantity: Quantity) -> str:
    """The value of a quantity with its expanded uncertainty."""
    digits = min(DIGITS, digits_of(quantity.uncertainty_mm))
    shown = number(quantity.value_mm, digits, sign=quantity.key in SIGNED)
    return f"{shown} ± {mm(quantity.uncertainty_mm, digits)}"


def where(view: View) -> str:
    """Which segments a view is made of."""
    if view.joined_by is None:
        return say("Segment {name}", name=view.segments[0])
    return say("Segments {names}, joined {how}", names=listing(view.segments), how=say(JOINED_BY[view.joined_by]))


def conditions(entry: Measured, view: View) -> list[str]:
    """Under what conditions the quantities of a view hold, a sentence each."""
    said = [_surface(entry, number, surface) for number, surface in enumerate(view.surfaces, start=1)]
    if view.joined_by and len(view.segments) < VIEWS:
        said.append(
            say(
                "The quantities over joined views ask for {least} views or more; here are {count}.",
                least=VIEWS,
                count=len(view.segments),
            )
        )
    return said


def _surface(entry: Measured, at: int, surface: Evaluated) -> str:
    values = {
        "points": number(surface.points),
        "dropped": share(surface.dropped_share, 2),
        "noise": mm(surface.noise_mm, 3),
    }
    if entry.kind == "plate":
        return say(
            "{points} points on {covered} of the plate, {dropped} of them dropped for the form; standard deviation "
            "{noise}.",
            covered=share(surface.covered, 0),
            **values,
        )
    return say(
        "Sphere {number}: {points} points over {angle} sr ({covered} of the sphere), {dropped} of them dropped for the "
        "form; standard deviation {noise}.",
        number=at,
        angle=number(4 * 3.14159265 * surface.covered, 1),
        covered=share(surface.covered, 0),
        **values,
    )


def too_many_dropped(view: View) -> bool:
    """Whether more points were dropped than the definition of the form allows."""
    return any(surface.dropped_share > DROPPED for surface in view.surfaces)


def identity(entry: Measured) -> str:
    """Kind, certificate and temperature of an artefact, in a sentence."""
    kind, certificate = say(KINDS[entry.kind]), entry.certificate or say("not stated")
    day = entry.calibrated_on or say("not stated")
    if entry.temperature_c is None:
        return say(
            "Kind: {kind}. Certificate: {certificate}, of: {day}. Temperature: not stated; the calibrated values are "
            "taken as they stand at 20 °C, and no uncertainty covers that.",
            kind=kind,
            certificate=certificate,
            day=day,
        )
    return say(
        "Kind: {kind}. Certificate: {certificate}, of: {day}. Temperature: {temperature} °C; the calibrated values "
        "were corrected to it.",
        kind=kind,
        certificate=certificate,
        day=day,
        temperature=shortest(entry.temperature_c),
    )


def _rounded_up(value: float) -> float:
    """The next larger value of two significant digits: what is declared then covers what was found."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / unit - 1e-9) * unit


def _worse(entry: Measured, found: Comparison) -> JobWarning:
    values = {
        "name": entry.name,
        "found": number(abs(found.found_mm), 3),
        "assumed": mm(found.assumed_mm, 3),
        "uncertainty": mm(2 * found.sd_mm, 3),
    }
    calibrate = say("Have the scanner calibrated and scan the artefact again before you use lengths of that day.")
    match found.key:
        case "noise":
            sentence = say(
                "The scanner was noisier than the day assumes: {found} ± {uncertainty} on artefact {name}, and "
                "{assumed} is declared (scan.noise_mm). The stated uncertainties of the day's models are too small.",
                **values,
            )
            step = say(
                "Set scan.noise_mm to {found} and run the same command, or have the scanner calibrated.",
                found=shortest(_rounded_up(found.found_mm)),
            )
            return JobWarning(sentence, step)
        case "offset":
            sentence = say(
                "The scanner places surfaces off by {found} ± {uncertainty} (half the error of size of artefact "
                "{name}), more than the declared noise of {assumed}.",
                **values,
            )
        case "spacing":
            sentence = say(
                "The scanner measures distances wrong by more than the day assumes: {found} ± {uncertainty} on "
                "artefact {name}, and a standard deviation of {assumed} is declared (scan.target_drift_mm_per_m).",
                **values,
            )
        case _:
            sentence = say(
                "The scanner measures distances of targets wrong by more than the day assumes: {found} ± "
                "{uncertainty} on artefact {name}, and a standard deviation of {assumed} is declared "
                "(scan.target_noise_mm).",
                **values,
            )
    return JobWarning(sentence, calibrate)


def for_board(scanner: Scanner | None) -> dict[str, Any] | None:
    """What the day board takes from the artefacts of a job; None where it has none that were measured."""
    if scanner is None or scanner.result is None:
        return None
    quantities = [
        {
            "artefact": entry.name,
            "view": view.segments,
            "key": quantity.key,
            "of": quantity.of,
            "value_mm": quantity.value_mm,
            "uncertainty_mm": quantity.uncertainty_mm,
        }
        for entry in scanner.result.artefacts
        for view in entry.views
        for quantity in view.quantities
    ]
    return {
        "quantities": quantities,
        "worse": [{"sentence": str(warning), "step": warning.step} for warning in scanner.worse],
    }

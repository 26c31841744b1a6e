"""Warnings on the surface of a part: a reference that could not be used, and places less certain than is asked for."""

from nightbay.core.language import phrase, say, stage_sentence
from nightbay.core.text_format import area, mm, share
from nightbay.fill.result import FillResult
from nightbay.measure.result import ReferenceComparison, UncertaintyMap
from nightbay.report.next_step import JobWarning
from nightbay.report.part import Part

MIRRORED = {
    "left": phrase("{area} of the right side is the mirror image of the left one and was not measured."),
    "right": phrase("{area} of the left side is the mirror image of the right one and was not measured."),
}
MOST_ABOVE = 0.05  # share of the surface that may be less certain than is asked for: expanded uncertainties are 95 %


def warnings(part: Part) -> list[JobWarning]:
    """Sentences on the comparison with a reference and on the uncertainty of the surface."""
    if part.measure is None:
        return []
    found = [*_of_reference(part.measure.reference), *_of_uncertainty(part.measure.uncertainty)]
    return [*_of_mirrored_side(part.fill), *found]


def _of_mirrored_side(fill: FillResult | None) -> list[JobWarning]:
    if fill is None or not (fill.mirrored or fill.mirrored_refused):
        return []
    if fill.mirrored_refused:
        return [
            JobWarning(
                stage_sentence(fill.mirrored_refused), say("Scan the other side, or use the side that there is.")
            )
        ]
    side = MIRRORED[fill.mirrored or "left"]
    return [
        JobWarning(
            say(side, area=area(fill.mirrored_area_mm2)),
            say("Do not fit anything to the mirrored side; scan it where it matters."),
        )
    ]


def _of_reference(reference: ReferenceComparison | None) -> list[JobWarning]:
    if reference is None:
        return []
    if reference.state == "refused":
        return [
            JobWarning(
                say(
                    "The comparison with the reference that was ordered is missing: {reason}",
                    reason=stage_sentence(reference.reason or ""),
                ),
                say("Check file, units and kind of the reference in the job sheet, and that it is of this vehicle."),
            )
        ]
    found = []
    check = say("Check in the picture of the comparison that the reference lies as it should.")
    if reference.elsewhere:
        found.append(
            JobWarning(
                say(
                    "The reference {file} stood in another coordinate system; it was placed by its shape.",
                    file=reference.file,
                ),
                check,
            )
        )
    if reference.turned_over:
        found.append(
            JobWarning(
                say("The faces of the reference {file} were inside out; they were turned.", file=reference.file), check
            )
        )
    return found


def _of_uncertainty(stated: UncertaintyMap | None) -> list[JobWarning]:
    if stated is None or stated.asked_mm is None or stated.above_share is None or stated.above_share <= MOST_ABOVE:
        return []
    return [
        JobWarning(
            say(
                "{share} of the measured surface is less certain than the ±{asked} that are asked for.",
                share=share(stated.above_share),
                asked=mm(stated.asked_mm),
            ),
            say("See the map of uncertainty; where it matters, scan again with more targets or more overlap."),
        )
    ]

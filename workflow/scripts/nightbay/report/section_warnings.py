"""Warnings on sections that the job sheet orders and that meet no surface."""

from collections import defaultdict

from nightbay.core.language import say
from nightbay.report.next_step import JobWarning
from nightbay.report.part import Part


def warnings(part: Part) -> list[JobWarning]:
    """A sentence for each entry of ``sections`` of which no plane meets the surface."""
    lengths: dict[str, float] = defaultdict(float)
    for section in part.measure.sections if part.measure else []:
        if section.order is not None:
            lengths[section.order] += section.length_mm + section.filled_mm
    return [
        JobWarning(
            say(
                "Section {name} of the job sheet meets no surface of the {part}: it is in no file and no drawing.",
                name=name,
                part=part.noun,
            ),
            say(
                "Compare the plane of section {name} with the extent of the {part}, and correct it in job.yaml.",
                name=name,
                part=part.noun,
            ),
        )
        for name, length_mm in lengths.items()
        if length_mm == 0.0
    ]

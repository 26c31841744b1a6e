"""Areas of a coverage in sentences, for the release check and for the page of a finished job."""

from nightbay.core.language import say
from nightbay.core.text_format import THIN, number
from nightbay.coverage.result import Area


def never_seen(area: Area) -> str:
    """What was never seen, where, by which evidence, and what to do."""
    return say("{number}: {place}, {area}, never seen: {evidence}. Scan it again.", **_values(area))


def open_area(area: Area) -> str:
    """What is open, where, and what to look for."""
    return say("{number}: {place}, {area}, open: {evidence}.", **_values(area))


def _values(area: Area) -> dict[str, str]:
    size = f"{number(area.area_mm2 / 1e6, 2)}{THIN}m\u00b2"
    return {"number": number(area.number), "place": area.place, "area": size, "evidence": area.evidence}

"""Areas of a coverage in sentences, for the release check and for the page of a finished job."""

from nightbay.core.text_format import THIN, number
from nightbay.coverage.result import Area


def never_seen(area: Area) -> str:
    """What was never seen, where, by which evidence, and what to do."""
    return f"{area.number}: {area.place}, {_square_metres(area)}, never seen: {area.evidence}. Scan it again."


def open_area(area: Area) -> str:
    """What is open, where, and what to look for."""
    return f"{area.number}: {area.place}, {_square_metres(area)}, open: {area.evidence}."


def _square_metres(area: Area) -> str:
    return f"{number(area.area_mm2 / 1e6, 2)}{THIN}m\u00b2"

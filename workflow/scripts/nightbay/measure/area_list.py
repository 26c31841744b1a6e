"""Areas that deviate significantly, as the JSON of measure lists them."""

from nightbay.comparison.changes import Changes
from nightbay.measure.result import Area


def listed(found: Changes) -> list[Area]:
    """The areas with their numbers, the largest first."""
    return [
        Area(
            number=number,
            area_cm2=area.area_mm2 / 100.0,
            mean_mm=area.mean_mm,
            largest_mm=area.largest_mm,
            uncertainty_mm=area.uncertainty_mm,
            at_mm=area.at_mm,
            low_mm=area.low_mm,
            high_mm=area.high_mm,
            normal=area.normal,
        )
        for number, area in enumerate(found.areas, 1)
    ]

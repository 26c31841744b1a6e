"""Sentences for the report on a run that lost its track."""

from nightbay.tracking.result import Slip, Tracking

SURE = 2.0  # standard deviations on either side of a value: about 95 %


def sentences(name: str, tracking: Tracking) -> list[str]:
    """A sentence for each slip of the raw file ``name``."""
    return [slip_sentence(name, slip) for slip in tracking.slips]


def slip_sentence(name: str, slip: Slip) -> str:
    """What happened, how much, what was done and what to do; ``name`` of the run."""
    size = (
        f"{slip.shift_mm:.1f} mm and {slip.rotation_deg:.2f}\u00b0 (\u00b1 {SURE * slip.shift_sd_mm:.1f} mm, "
        f"\u00b1 {SURE * slip.rotation_sd_deg:.2f}\u00b0)"
    )
    lost = f"{name} lost its track after {100 * slip.at_share:.0f} % of its points: what came later "
    if slip.moved:
        return lost + f"was moved back by {size}. Scan this run again if tight fits depend on it."
    return lost + f"is displaced by about {size}. It stays as scanned, because {slip.reason}: scan this run again."

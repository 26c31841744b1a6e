"""Sentences for the report on runs that lost their track."""

from nightbay.tracking.result import NOT_RIGID, ONLY_NOTED, UNDETERMINED, Slip

SURE = 2.0  # standard deviations on either side of a value: about 95 %


def slip_sentence(name: str, slip: Slip) -> str:
    """What happened, how much, what was done and what to do; ``name`` of its file or segment."""
    size = (
        f"{slip.shift_mm:.1f} mm and {slip.rotation_deg:.2f}\u00b0 (\u00b1 {SURE * slip.shift_sd_mm:.1f} mm, "
        f"\u00b1 {SURE * slip.rotation_sd_deg:.2f}\u00b0)"
    )
    when = f"after {100 * slip.at_share:.0f} % of its points: what came later"
    if slip.moved:
        return f"{name} lost its track {when} was moved back by {size}. Scan this run again if tight fits depend on it."
    ways = "scan this run again"
    if slip.reason == ONLY_NOTED:
        ways += ", or look at both layers and set the parameter to move"
    if slip.reason == NOT_RIGID:
        return (
            f"{name} seems to have lost its track, but {slip.reason}: neither when nor by how much is certain. It "
            "stays as scanned: scan this run again."
        )
    if slip.reason == UNDETERMINED:
        size = f"an amount that is not known, because {slip.reason}"
        return f"{name} seems to have lost its track {when} is displaced by {size}. It stays as scanned: {ways}."
    return (
        f"{name} seems to have lost its track {when} is displaced by about {size}. It stays as scanned, because "
        f"{slip.reason}: {ways}."
    )

"""The cautions that every page, board and delivery carries. A shop may add a line of its own and can remove none."""

from nightbay.core.language import phrase, say

HEADLINE = phrase(
    "Before anything is cut, drilled, welded or mounted, a qualified person checks on the vehicle what matters for "
    "brakes, steering, restraints, lifting and structure, and where high-voltage, airbag, fuel and brake lines run. "
    "Local codes and licensed practice come first."
)
IN_FILES = "surface marked as filled was not measured; local codes and licensed practice come first; see README.txt"
CAUTIONS = (
    phrase(
        "Dimensions that matter for brakes, steering, restraints, lifting or crash structure must be checked on the "
        "vehicle by a qualified person before anything is cut, welded or mounted."
    ),
    phrase(
        "Before any drilling, find out where high-voltage batteries and cables, airbags and their sensors, and fuel "
        "and brake lines run. A scan shows surfaces, not what lies behind them."
    ),
    phrase("What a roof may carry is stated by the vehicle's maker. A model says nothing about strength."),
    phrase("Surface marked as filled was not measured. Don't fit parts to it."),
    phrase(
        "What the scanner did not see may still be there: wires, pipes, tanks and structure behind a panel are not in "
        "the model."
    ),
    phrase("Local codes and licensed practice come before anything in this report."),
)


def cautions(safety_line: str) -> list[str]:
    """All cautions in the language in use, the shop's own ``safety_line`` first where it has one."""
    return [*([safety_line] if safety_line else []), *map(say, CAUTIONS)]

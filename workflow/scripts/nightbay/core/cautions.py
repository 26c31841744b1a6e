"""The cautions that every page, board and delivery carries. A shop may add a line of its own and can remove none."""

HEADLINE = (
    "Before anything is cut, drilled, welded or mounted, a qualified person checks on the vehicle what matters for "
    "brakes, steering, restraints, lifting and structure, and where high-voltage, airbag, fuel and brake lines run. "
    "Local codes and licensed practice come first."
)
IN_FILES = "surface marked as filled was not measured; local codes and licensed practice come first; see README.txt"
CAUTIONS = (
    "Dimensions that matter for brakes, steering, restraints, lifting or crash structure must be checked on the "
    "vehicle by a qualified person before anything is cut, welded or mounted.",
    "Before any drilling, find out where high-voltage batteries and cables, airbags and their sensors, and fuel and "
    "brake lines run. A scan shows surfaces, not what lies behind them.",
    "What a roof may carry is stated by the vehicle's maker. A model says nothing about strength.",
    "Surface marked as filled was not measured. Don't fit parts to it.",
    "What the scanner did not see may still be there: wires, pipes, tanks and structure behind a panel are not in the "
    "model.",
    "Local codes and licensed practice come before anything in this report.",
)


def cautions(safety_line: str) -> list[str]:
    """All cautions, the shop's own ``safety_line`` first where it has one."""
    return [*([safety_line] if safety_line else []), *CAUTIONS]

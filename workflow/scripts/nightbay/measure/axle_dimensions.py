"""The dimensions that refer to the axles and the ground: tracks, overhangs, clearance, approach and ramp angles."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from nightbay.core.errors import NotFound
from nightbay.measure import overhangs, ramp_angles, tyres, underbody
from nightbay.measure.body import Body
from nightbay.measure.result import Angle, Dimension, Protrusion, Underbody

ANGLES = ("approach_angle", "departure_angle", "ramp_angle")


@dataclass
class Found:
    """``dimensions`` and ``angles`` by name, ``not_stated`` {name: why not}, ``protrusions`` behind the body, and what
    was seen of the ``underbody``."""

    dimensions: dict[str, Dimension] = field(default_factory=dict)
    angles: dict[str, Angle] = field(default_factory=dict)
    not_stated: dict[str, str] = field(default_factory=dict)
    protrusions: list[Protrusion] = field(default_factory=list)
    underbody: Underbody | None = None

    def add(self, stated: Mapping[str, Dimension | Angle | NotFound]) -> None:
        """Sort what was stated from what can't be."""
        for name, value in stated.items():
            if isinstance(value, NotFound):
                self.not_stated[name] = value.reason
            elif isinstance(value, Angle):
                self.angles[name] = value
            else:
                self.dimensions[name] = value


def find(body: Body) -> Found:
    """All of them, for an exterior whose frame has a ground and a symmetry plane."""
    found = Found()
    stated, found.protrusions = overhangs.overhangs(body)
    found.add(stated)
    found.add(overhangs.tracks(body))
    if body.frame.zero_planes["z"].found_by == "named fiducials":
        found.add(dict.fromkeys(("ground_clearance", *ANGLES), NotFound("the frame's zero plane Z is not the ground")))
        return found
    circles = tyres.of_axles(body)
    known = [tyre for axle in circles if not isinstance(axle, NotFound) for tyre in axle]
    if not known:
        reason = circles[0] if circles else NotFound("no axle was found")
        assert isinstance(reason, NotFound)
        found.add(dict.fromkeys(("ground_clearance", *ANGLES), reason))
        return found
    found.underbody = underbody.seen(body, known)
    if len(circles) > 1:
        found.add({"ground_clearance": underbody.clearance(body, known, found.underbody)})
    else:
        found.not_stated["ground_clearance"] = "fewer than two axles were found"
    found.add(ramp_angles.find(body, circles, found.underbody))
    return found

"""The features, distances and angles that a job sheet orders of a part."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.features import fitted, kinds, region, relations, values
from nightbay.features.fitted import Fitted
from nightbay.features.kinds import DIRECTION, POINT, SIZE
from nightbay.features.relations import Context
from nightbay.features.result import Feature, FeaturesResult, Ordered, Refused, Value
from nightbay.network.result import NetworkResult
from nightbay.refine.result import Scale

SIZES = {  # what the radius of a kind means
    "circle": "diameter of the edge at which its face ends",
    "hole": "diameter of the rim at which its face ends: a chamfer counts as part of the hole",
    "mount": "diameter of the rim at which its face ends: a chamfer counts as part of the hole",
    "cylinder": "diameter of the cylinder",
    "sphere": "diameter of the sphere",
    "hub": "diameter of the wall round the axis",
    "hole_pattern": "diameter of the pitch circle through the holes' centres",
}


@dataclass(frozen=True)
class Part:
    """What features are taken from: ``segments`` in the vehicle frame, sorted by name; ``network``, None where the part
    has none; ``scale`` of all lengths; ``context`` of uncertainties; ``left_out``: by segment which of its points,
    (n,) bool, the model is made without, because they stood differently there."""

    segments: Sequence[PosedSegment]
    network: NetworkResult | None
    scale: Scale
    context: Context
    left_out: Mapping[str, np.ndarray] = field(default_factory=dict)

    @property
    def noise_mm(self) -> float:
        """Standard deviation of a point on paint."""
        return float(self.context.scan.noise_mm)


def find(part: Part, orders: Mapping[str, Sequence[Mapping[str, Any]]]) -> FeaturesResult:
    """The ordered features with their values; ``orders``: "features", "distances" and "angles" of the job sheet."""
    found: dict[str, tuple[str, Fitted]] = {}
    features: list[Feature] = []
    refused: list[Refused] = []
    for number, entry in enumerate(orders.get("features", []), 1):
        name, kind = entry["name"], "station" if "station" in entry else entry["kind"]
        made = _fitted(part, kind, entry)
        if isinstance(made, NotFound):
            print(f"feature {name}: {made.reason}")
            refused.append(Refused("feature", name, made.reason))
            continue
        found[name] = kind, made
        features.append(_feature(part, number, name, kind, made, entry))
    lists: dict[Ordered, list[Value]] = {"distance": [], "angle": []}
    statements: dict[Ordered, Callable[..., Value | NotFound]] = {"distance": _distance, "angle": _angle}
    for what, state in statements.items():
        for entry in orders.get(f"{what}s", []):
            stated = state(part, found, entry)
            if isinstance(stated, NotFound):
                refused.append(Refused(what, entry["name"], stated.reason))
            else:
                lists[what].append(stated)
    return FeaturesResult(features, lists["distance"], lists["angle"], refused)


def _fitted(part: Part, kind: str, entry: Mapping[str, Any]) -> Fitted | NotFound:
    """A feature as the job sheet orders it."""
    if kind == "station":
        return _station(entry["station"])
    if "target" in entry:
        return _target(part, str(entry["target"]))
    if kind == "hole_pattern":
        return _pattern(part, entry)
    return _in_region(part, kind, region.of(entry), kinds.wanted(entry))


def _in_region(part: Part, kind: str, where: region.Region, direction: np.ndarray | None) -> Fitted | NotFound:
    sample = region.read(part.segments, where, part.left_out)
    if isinstance(sample, NotFound):
        return sample
    selection = kinds.select(kind, sample, where, direction, part.noise_mm)
    if isinstance(selection, NotFound):
        return selection
    return fitted.fit(selection, [segment.name for segment in part.segments], where.reach_mm)


def _station(written: Mapping[str, Any]) -> Fitted:
    parameters = np.zeros(SIZE)
    axis = "xyz".index(written["axis"])
    parameters[axis], parameters[3 + axis] = written["value_mm"], 1.0
    return fitted.known(parameters)


def _target(part: Part, name: str) -> Fitted | NotFound:
    """A target of the control survey, by its id."""
    targets = [] if part.network is None else part.network.targets
    named = [target for target in targets if target.id == name]
    if len(named) != 1:
        known = ", ".join(sorted(target.id for target in targets if target.id is not None)[:12])
        listed = f"known are {known}" if known else "the part has no targets with ids"
        return NotFound(f"{len(named)} targets have the id '{name}', and exactly one is needed: {listed}")
    if named[0].disputed:
        return NotFound(f"two lists contradict each other about target '{name}', and it is unknown which is right")
    T = part.context.frame.T_vehicle_control
    parameters = np.zeros(SIZE)
    parameters[POINT] = rigid.transform(T, named[0].xyz_mm[None])[0]
    return fitted.known(parameters, T[:3, :3] @ named[0].covariance_mm2 @ T[:3, :3].T)


def _pattern(part: Part, entry: Mapping[str, Any]) -> Fitted | NotFound:
    """The pitch circle of holes, each of which is looked for near the place that the job sheet gives."""
    pieces = []
    for number, at_mm in enumerate(entry["holes_mm"], 1):
        hole = _in_region(part, "hole", region.around(at_mm, entry["within_mm"]), kinds.wanted(entry))
        if isinstance(hole, NotFound):
            return NotFound(f"hole {number}: {hole.reason}")
        pieces.append(hole)
    return fitted.combine(pieces)


def _feature(part: Part, number: int, name: str, kind: str, made: Fitted, entry: Mapping[str, Any]) -> Feature:
    stated = []
    if kind in relations.POINTS:
        for axis in range(3):
            relation = relations.coordinate(made, axis)
            stated.append(values.length("xyz"[axis], relation, [made], part.context, part.scale, {}))
    if kind in SIZES:
        relation = relations.diameter(SIZES[kind])
        stated.append(values.length("diameter", relation, [made], part.context, part.scale, entry))
    for number_of_hole, hole in enumerate(made.pieces, 1):
        relation = relations.diameter(SIZES["hole"])
        stated.append(values.length(f"hole {number_of_hole}", relation, [hole], part.context, part.scale, {}))
    direction = made.parameters[DIRECTION]
    return Feature(
        number=number,
        name=name,
        kind=kind,
        point_mm=made.parameters[POINT],
        direction=direction if direction.any() else None,
        values=stated,
        points=made.points,
        segments=sorted(made.poses),
        form_rms_mm=made.form_rms_mm,
    )


def _ends(found: Mapping[str, tuple[str, Fitted]], entry: Mapping[str, Any]) -> list[tuple[str, Fitted]] | NotFound:
    """Kind and fit of both features that an entry names."""
    for name in (entry["from"], entry["to"]):
        if name not in found:
            return NotFound(f"the feature '{name}' was not found")
    return [found[entry["from"]], found[entry["to"]]]


def _distance(part: Part, found: Mapping[str, tuple[str, Fitted]], entry: Mapping[str, Any]) -> Value | NotFound:
    ends = _ends(found, entry)
    if isinstance(ends, NotFound):
        return ends
    (kind_a, a), (kind_b, b) = ends
    relation = relations.distance(a, kind_a, b, kind_b, entry.get("along"))
    if isinstance(relation, NotFound):
        return relation
    return values.length(entry["name"], relation, [a, b], part.context, part.scale, entry)


def _angle(part: Part, found: Mapping[str, tuple[str, Fitted]], entry: Mapping[str, Any]) -> Value | NotFound:
    ends = _ends(found, entry)
    if isinstance(ends, NotFound):
        return ends
    (kind_a, a), (kind_b, b) = ends
    relation = relations.angle(a, kind_a, b, kind_b)
    if isinstance(relation, NotFound):
        return relation
    return values.angle(entry["name"], *relation, [a, b], part.context, entry)

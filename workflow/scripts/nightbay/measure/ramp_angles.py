"""Approach, departure and ramp angle (ISO 612, from memory), taken on the surface and the tyres' circles."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.measure import (
    dimensions,
    poor_ends,
    tangent_angles,
    tangent_planes,
    tyres,
    underbody,
    unscanned_extents,
)
from nightbay.measure.body import Body
from nightbay.measure.poor_ends import Quality
from nightbay.measure.result import COVERAGE, Angle, Underbody
from nightbay.measure.tangent_planes import Touch
from nightbay.measure.tyres import Tyre
from nightbay.meshes.surface import spans
from nightbay.uncertainty import budget as uncertainty_budget

MEANINGS = {
    "approach_angle": "between the ground and the plane that touches the tyres of the first axle and the lowest part "
    "of the body ahead of them; vehicle as it stood (ISO 612)",
    "departure_angle": "between the ground and the plane that touches the tyres of the last axle and the lowest part "
    "of the body behind them; vehicle as it stood (ISO 612)",
    "ramp_angle": "between the planes that touch the tyres of two axles and meet at the body between them; vehicle as "
    "it stood (ISO 612)",
}
LEVER_MM = 1000.0  # by which angles are made lengths before the true lever is known
STEP_MM = 0.01  # of the finite differences; the angles are smooth over metres
DEEP = 1.2  # rad; no vehicle has such an angle, and points that far up do not matter


@dataclass(frozen=True)
class Side:
    """The tyres of an axle, and on which side of it the body is looked at: ``sense`` is the sign of X there."""

    tyres: Sequence[Tyre]
    sense: float

    def angle(self, points_mm: np.ndarray, tyre: Tyre) -> np.ndarray:
        """Angles (n,) rad of the lines through points (n, 3) that touch a tyre."""
        ahead = self.sense * (points_mm[:, 0] - tyre.x_mm)
        return tangent_angles.angle(ahead, points_mm[:, 2], tyre.height_mm, tyre.radius_mm)

    def mean(self, points_mm: np.ndarray) -> np.ndarray:
        """The mean over the axle's tyres, (n,) rad."""
        return np.mean([self.angle(points_mm, tyre) for tyre in self.tyres], axis=0)


@dataclass(frozen=True)
class Limit:
    """What limits an angle: the plane's ``touch`` in a relief of lengths, ``lever_mm`` each rad, and the vertex
    ``rows`` of that relief; ``point_mm`` (3,); ``direction`` (3,) unit, in which the point nears the plane."""

    touch: Touch
    rows: np.ndarray
    relief_mm: np.ndarray
    lever_mm: float
    point_mm: np.ndarray
    direction: np.ndarray


def find(body: Body, circles: Sequence[Sequence[Tyre] | NotFound], seen: Underbody) -> dict[str, Angle | NotFound]:
    """The three angles, or why each can't be stated. ``circles``: the tyres of each axle; ``seen`` from below."""
    forward = float(body.axes.forward)
    ends = {
        "approach_angle": (circles[0], forward, seen.front),
        "departure_angle": (circles[-1], -forward, seen.rear),
    }
    found: dict[str, Angle | NotFound] = {}
    for name, (mine, sense, share) in ends.items():
        found[name] = mine if isinstance(mine, NotFound) else _state(name, body, [Side(mine, sense)], share)
    if len(circles) < 2:
        found["ramp_angle"] = NotFound("fewer than two axles were found")
        return found
    between = []
    for front, rear in zip(circles[:-1], circles[1:], strict=True):
        if isinstance(front, NotFound) or isinstance(rear, NotFound):
            found["ramp_angle"] = front if isinstance(front, NotFound) else rear  # type: ignore[assignment]
            return found
        between.append(_state("ramp_angle", body, [Side(front, -forward), Side(rear, forward)], seen.between))
    stated = [angle for angle in between if isinstance(angle, Angle)]
    found["ramp_angle"] = min(stated, key=lambda angle: angle.value_deg) if stated else between[0]
    return found


def _state(name: str, body: Body, sides: Sequence[Side], share: float | None) -> Angle | NotFound:
    """One angle: the sum over its ``sides`` where the body comes lowest."""
    limit = _limit(body, sides)
    if isinstance(limit, NotFound):
        return limit
    value = _total(sides, limit.point_mm)
    budget = _budget(body, sides, limit)
    unscanned = unscanned_extents.find(
        limit.relief_mm, body.areas[limit.rows], np.array([0.0, 0.0, 1.0]), limit.touch, body.support_mm2
    )
    causes = {
        dimensions.UNSCANNED: unscanned is not None,
        underbody.UNSEEN: share is None or share < underbody.WHOLE,
    }
    budget |= {cause: None for cause, there in causes.items() if there}
    return Angle(
        meaning=MEANINGS[name],
        value_deg=float(np.degrees(value)),
        uncertainty_deg=uncertainty_budget.combine(budget),
        coverage=COVERAGE,
        budget_deg=budget,
        unknown=uncertainty_budget.unknown(budget),
        at_most=any(causes.values()),
        body_mm=limit.point_mm,
        tyres_mm=[_touching(side, limit.point_mm) for side in sides],
    )


def with_poor_ends(stated: Angle, known: Quality | None) -> Angle:
    """The angle with its point of the body where that lies on poorly measured surface; its budget then names that."""
    end = poor_ends.at(known, stated.body_mm)
    if end is None:
        return stated
    budget = stated.budget_deg | {poor_ends.CAUSE: None}
    return replace(stated, poor_ends=[end], budget_deg=budget, unknown=uncertainty_budget.unknown(budget))


def _total(sides: Sequence[Side], point_mm: np.ndarray) -> float:
    return float(sum(side.mean(point_mm[None])[0] for side in sides))


def _limit(body: Body, sides: Sequence[Side]) -> Limit | NotFound:
    """Where the body comes lowest.

    The angle of every vertex, times a lever, is its height in a relief whose lowest part is looked for as the lowest
    part of any surface is: with support, and noise that averages out. With the lever of the lowest part itself its
    heights there are distances from the plane.
    """
    rows, angles = _angles(body, sides)
    lever, found = LEVER_MM, None
    for _ in range(2):
        relief = body.vertices_mm[rows].astype(np.float64)
        relief[:, 2] = -lever * angles
        up = np.array([0.0, 0.0, 1.0])
        touch = tangent_planes.touch(
            relief.astype(np.float32), body.areas[rows], up, body.support_mm2, body.noise_mm[rows]
        )
        if touch is None:
            return NotFound("too little of the body's lower side was scanned there")
        point = body.vertices_mm[rows[touch.rows]].mean(axis=0, dtype=np.float64)
        slope = _gradient(partial(_total, sides), point)
        # the mean of the defining vertices lies on the surface; the limiting angle is that of the relief's plane
        lack = -touch.reach_mm / lever - _total(sides, point)
        point = point + lack * slope / (slope @ slope)
        lever = 1.0 / float(np.linalg.norm(slope))
        found = Limit(touch, rows, relief.astype(np.float32), lever, point, -slope * lever)
    assert found is not None
    return found


def _angles(body: Body, sides: Sequence[Side]) -> tuple[np.ndarray, np.ndarray]:
    """Rows (k,) of the vertices that may limit the angle, and their angles (k,) rad."""
    every = [tyre for side in sides for tyre in side.tyres]
    rows, angles = [np.empty(0, np.int64)], [np.empty(0)]
    for span in spans(len(body.vertices_mm)):
        some = np.flatnonzero(body.areas[span] > 0.0) + span.start
        for side in sides:
            some = some[side.sense * (body.vertices_mm[some, 0] - side.tyres[0].x_mm) > 0.0]
        points = body.vertices_mm[some].astype(np.float64)
        total = np.sum([side.mean(points) for side in sides], axis=0)
        near = total < min(DEEP, tangent_angles.NEVER)
        some, total = some[near], total[near]
        own = tyres.rows(body, every, some)
        rows.append(some[~own])
        angles.append(total[~own])
    return np.concatenate(rows), np.concatenate(angles)


def _gradient(function: Callable[[np.ndarray], float], point_mm: np.ndarray) -> np.ndarray:
    """Slope of a function of a point (3,) by central differences, (3,) a mm."""
    steps = STEP_MM * np.eye(3)
    return np.array([(function(point_mm + step) - function(point_mm - step)) / (2.0 * STEP_MM) for step in steps])


def _budget(body: Body, sides: Sequence[Side], limit: Limit) -> dict[str, float | None]:
    """Standard uncertainties by cause, deg."""
    end = replace(limit.touch, rows=limit.rows[limit.touch.rows])
    drift_mm = uncertainty_budget.drift_sd_mm(limit.lever_mm, body.scan)
    lengths_mm = {**body.end_budget_mm(end), "drift": drift_mm}
    budget: dict[str, float | None] = {
        cause: None if sd is None else float(np.degrees(sd / limit.lever_mm)) for cause, sd in lengths_mm.items()
    }
    posed = uncertainty_budget.root_sum(_registration_sd(body, sides, limit))
    budget["registration"] = None if posed is None else float(np.degrees(posed))
    budget["tyres"] = float(np.degrees(_tyres_sd(sides, limit.point_mm)))
    ground_mm, pitch = body.frame.zero_planes["z"].sd_mm, body.frame.rotation_sd_deg["y"]
    if len(sides) == 1:
        budget["frame"] = pitch  # against the ground; two planes turn together
    budget["ground"] = None if ground_mm is None else float(np.degrees(abs(_raised(sides, limit.point_mm)) * ground_mm))
    return budget


def _registration_sd(body: Body, sides: Sequence[Side], limit: Limit) -> Iterator[float | None]:
    """What the poses contribute, rad: of the body's point, and of each axle by its own share in the angle."""
    sd_mm = uncertainty_budget.registration_sd_mm(limit.point_mm, limit.direction, body.frame, body.poses)
    yield None if sd_mm is None else sd_mm / limit.lever_mm
    for side in sides:
        slope = _gradient(partial(_total, [side]), limit.point_mm)
        steepness = float(np.linalg.norm(slope))
        at = _touching(side, limit.point_mm)
        sd_mm = uncertainty_budget.registration_sd_mm(at, slope / steepness, body.frame, body.poses)
        yield None if sd_mm is None else sd_mm * steepness


def _tyres_sd(sides: Sequence[Side], point_mm: np.ndarray) -> float:
    """What the tyres contribute, rad: their axles and radii, and how much the tyres of an axle differ, half of which is
    the limit of what their mean may be off."""
    variance = 0.0
    for side in sides:
        angles = [float(side.angle(point_mm[None], tyre)[0]) for tyre in side.tyres]
        variance += uncertainty_budget.rectangular_sd_mm((max(angles) - min(angles)) / 2.0) ** 2
        for tyre in side.tyres:
            slope = _gradient(partial(_with, side, tyre, point_mm), np.zeros(3))
            variance += float(((slope * tyre.sd_mm / len(side.tyres)) ** 2).sum())
    return float(np.sqrt(variance))


def _with(side: Side, tyre: Tyre, point_mm: np.ndarray, change_mm: np.ndarray) -> float:
    """The angle with a tyre whose X, height and radius are changed, (3,) mm."""
    x, height, radius = np.array([tyre.x_mm, tyre.height_mm, tyre.radius_mm]) + change_mm
    return float(side.angle(point_mm[None], Tyre(x, height, radius, tyre.sd_mm, tyre.y_mm))[0])


def _raised(sides: Sequence[Side], point_mm: np.ndarray) -> float:
    """Change of the angle, rad a mm, where body and axles stand higher above the ground; zero while no line touches a
    tyre at its flat."""

    def at(height_mm: float) -> float:
        up = point_mm + (0.0, 0.0, height_mm)
        return sum(
            float(np.mean([_with(side, tyre, up, np.array([0.0, height_mm, 0.0])) for tyre in side.tyres]))
            for side in sides
        )

    return (at(STEP_MM) - at(-STEP_MM)) / (2.0 * STEP_MM)


def _touching(side: Side, point_mm: np.ndarray) -> np.ndarray:
    """Where a plane through a point touches the tyres of an axle, (3,) mm, in the middle between them."""
    places = []
    for tyre in side.tyres:
        ahead, up = tangent_angles.touching_point(
            float(side.angle(point_mm[None], tyre)[0]), tyre.height_mm, tyre.radius_mm
        )
        places.append([tyre.x_mm + side.sense * ahead, float(np.mean(tyre.y_mm)), up])
    return np.mean(places, axis=0)

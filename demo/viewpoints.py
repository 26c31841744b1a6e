"""Paths of a hand-held scanner round a part: positions, directions of view, and length of the path."""

from dataclasses import dataclass
from typing import Any

import numpy as np

import bodies
from nightbay.core.native import open3d

STANDOFF_MM = (300.0, 600.0)
CLEAR_MM = 220.0  # the hand keeps the scanner at least that far from everything
STEP_MM = 160.0  # between two viewpoints of a stroke; strokes lie twice as close and take turns in how they are held


@dataclass(frozen=True)
class Viewpoints:
    """Viewpoints in the order of the path, vehicle frame.

    ``position_mm`` (v, 3); ``axis`` (v, 3) unit, the direction of view; ``aim_mm`` (v, 3), the point of the surface in
    the middle of the view.
    """

    position_mm: np.ndarray
    axis: np.ndarray
    aim_mm: np.ndarray

    def __len__(self):
        return len(self.position_mm)

    @property
    def travelled_mm(self) -> np.ndarray:
        """Length of the path from its start, (v,)."""
        steps = np.linalg.norm(np.diff(self.position_mm, axis=0), axis=1)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def reach_mm(self) -> np.ndarray:
        """Distance from the start of the path, (v,)."""
        return np.linalg.norm(self.position_mm - self.position_mm[0], axis=1)


def caster(body: bodies.Body) -> Any:
    """An Open3D scene that casts rays on the body's faces."""
    o3d = open3d()
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        o3d.core.Tensor(body.vertices_mm.astype(np.float32)), o3d.core.Tensor(body.faces.astype(np.uint32))
    )
    return scene


def cast(scene: Any, origins_mm: np.ndarray, directions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance to the first face, (n,) mm (infinite where there is none), and that face's number, (n,)."""
    rays = np.hstack([origins_mm, directions]).astype(np.float32)
    answer = scene.cast_rays(open3d().core.Tensor(rays))
    return answer["t_hit"].numpy().astype(np.float64), answer["primitive_ids"].numpy()


def aimed(body: bodies.Body, origins_mm: np.ndarray, directions: np.ndarray, rng: np.random.Generator) -> Viewpoints:
    """Viewpoints from aiming rays, (n, 3) each: back from where a ray meets the body, by a standoff.

    Rays that miss, and positions too near to the body or below the ground, are left out; the order stays.
    """
    scene = caster(body)
    directions = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    distance, _ = cast(scene, origins_mm, directions)
    # the hand comes nearer and goes away smoothly
    sway = np.sin(np.arange(len(distance)) / 7.0 + rng.uniform(0, 2 * np.pi))
    standoff = np.mean(STANDOFF_MM) + sway * np.ptp(STANDOFF_MM) / 2
    hit = np.isfinite(distance)
    aim = origins_mm[hit] + distance[hit, None] * directions[hit]
    position = aim - np.minimum(standoff[hit], np.maximum(distance[hit], CLEAR_MM))[:, None] * directions[hit]
    clear = scene.compute_distance(open3d().core.Tensor(position.astype(np.float32))).numpy() >= CLEAR_MM
    if body.bounds_mm[0, 2] > -1.0:
        clear &= position[:, 2] > 60.0
    return Viewpoints(position[clear], directions[hit][clear], aim[clear])


def _serpentine(first, second):
    """Grid of two coordinates in strokes that run to and fro along the second: two flat arrays."""
    strokes = [second if at % 2 == 0 else second[::-1] for at in range(len(first))]
    return np.repeat(first, len(second)), np.concatenate(strokes)


def _steps(low, high, step):
    return np.linspace(low, high, max(2, round(abs(high - low) / step) + 1))


def _turns(angles_deg, strokes, length, rng):
    """How the scanner is held at each viewpoint, rad: one angle a stroke in turn, with the unrest of a hand."""
    angle = np.repeat(np.resize(angles_deg, strokes), length)
    return np.radians(angle + rng.normal(0, 6, len(angle)))


def _outline(bounds_mm, arc_mm):
    """Point and outward direction, (n, 2) each, on a rounded rectangle round the body's plan at lengths ``arc_mm``.

    The arc begins in the middle of the front and runs over the right side, the rear and the left side.
    """
    (x_low, y_low), (x_high, y_high) = bounds_mm[0, :2], bounds_mm[1, :2]
    radius = 0.25 * min(x_high - x_low, y_high - y_low)
    corners = np.array([(x_low, y_high), (x_high, y_high), (x_high, y_low), (x_low, y_low)])
    centres = corners + radius * np.sign(corners.mean(axis=0) - corners)
    points, outward = [], []
    for centre, turn in zip(centres, (180.0, 90.0, 0.0, -90.0), strict=True):
        angle = np.radians(np.linspace(turn, turn - 90.0, 12))
        directions = np.column_stack([np.cos(angle), np.sin(angle)])
        points.append(centre + radius * directions)
        outward.append(directions)
    start = np.array([[x_low, (y_low + y_high) / 2]])
    points = np.concatenate([start, *points, start])
    outward = np.concatenate([[[-1.0, 0.0]], *outward, [[-1.0, 0.0]]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    arc = np.mod(arc_mm, along[-1])
    point = np.column_stack([np.interp(arc, along, points[:, axis]) for axis in (0, 1)])
    direction = np.column_stack([np.interp(arc, along, outward[:, axis]) for axis in (0, 1)])
    return point, direction / np.linalg.norm(direction, axis=1, keepdims=True), along[-1]


def wall(body: bodies.Body, start: float, stop: float, *, seed: int, step_mm: float = STEP_MM) -> Viewpoints:
    """A lap along the body's foot, then strokes up and down its sides, from share ``start`` of its outline to ``stop``.

    Shares: 0 is the middle of the front, growing over the right side; negative numbers go over the left side.
    """
    rng = np.random.default_rng([seed, 11])
    _, _, length = _outline(body.bounds_mm, np.zeros(1))
    strokes, heights = (
        _steps(start * length, stop * length, step_mm / 2),
        _steps(120.0, body.bounds_mm[1, 2] - 60.0, step_mm),
    )
    arc, height = _serpentine(strokes, heights)
    # up and down, left and right in turns: sills, ledges and arches are seen too
    tilt = _turns([-28.0, 8.0, -8.0, 24.0], len(strokes), len(heights), rng)
    swing = _turns([-22.0, 10.0, 22.0, -10.0], len(strokes), len(heights), rng)
    point, outward, _ = _outline(body.bounds_mm, arc)
    heading = np.arctan2(-outward[:, 1], -outward[:, 0]) + swing
    direction = np.column_stack([np.cos(tilt) * np.cos(heading), np.cos(tilt) * np.sin(heading), np.sin(tilt)])
    middle = np.column_stack([point, height])
    # begin outside the body, on the line through the outline's point
    return both(
        _foot(body, stop * length, start * length, step_mm, rng),
        aimed(body, middle - 900.0 * direction, direction, rng),
    )


def _foot(body, start_mm, stop_mm, step_mm, rng):
    """A lap along the foot of the body from one length of its outline to another, looking down at sills and floor."""
    arc = _steps(start_mm, stop_mm, step_mm / 2)
    point, outward, _ = _outline(body.bounds_mm, arc)
    tilt = _turns([-38.0, -62.0], len(arc), 1, rng)
    heading = np.arctan2(-outward[:, 1], -outward[:, 0]) + _turns([-20.0, -20.0, 20.0, 20.0], len(arc), 1, rng)
    direction = np.column_stack([np.cos(tilt) * np.cos(heading), np.cos(tilt) * np.sin(heading), np.sin(tilt)])
    aim = np.column_stack([point + 130.0 * (np.arange(len(arc)) % 3 - 0.5)[:, None] * outward, np.zeros(len(arc))])
    scene = bodies.join([body, bodies.ground(body.bounds_mm)])
    return aimed(scene, aim - 700.0 * direction, direction, rng)


def top(
    body: bodies.Body,
    y_low_mm: float | None = None,
    y_high_mm: float | None = None,
    *,
    seed: int,
    step_mm: float = STEP_MM,
) -> Viewpoints:
    """Strokes across the body from above, between two values of Y (its whole width by default)."""
    rng = np.random.default_rng([seed, 12])
    low, high = body.bounds_mm
    y_low = low[1] if y_low_mm is None else y_low_mm
    y_high = high[1] if y_high_mm is None else y_high_mm
    strokes = _steps(low[0] - 150.0, high[0] + 150.0, step_mm / 2)
    places = _steps(y_low - 100.0, y_high + 100.0, step_mm)
    x, y = _serpentine(strokes, places)
    lean = np.radians(65.0 * (low[1] + high[1] - 2 * y) / 2 / (high[1] - low[1]) + rng.normal(0, 6, len(y)))
    pitch = _turns([-25.0, 0.0, 25.0], len(strokes), len(places), rng)
    direction = np.column_stack([np.sin(pitch), np.sin(lean) * np.cos(pitch), -np.cos(lean) * np.cos(pitch)])
    origin = np.column_stack([x, y, np.full(len(x), high[2])]) - 900.0 * direction
    return aimed(body, origin, direction, rng)


def inside(
    body: bodies.Body,
    x_low_mm: float,
    x_high_mm: float,
    *,
    seed: int,
    step_mm: float = STEP_MM,
    middle_mm: np.ndarray | None = None,
) -> Viewpoints:
    """Rings of views from the middle of a hollow body outwards, from one X to another, all round.

    ``middle_mm`` (3,) of its room; by default of the whole body.
    """
    rng = np.random.default_rng([seed, 13])
    low, high = body.bounds_mm
    strokes, angles = _steps(x_low_mm, x_high_mm, step_mm / 2), _steps(-180.0, 165.0, 15.0)
    x, angle = _serpentine(strokes, angles)
    angle = np.radians(angle + rng.normal(0, 5, len(angle)))
    pitch = _turns([-40.0, 0.0, 40.0], len(strokes), len(angles), rng)
    direction = np.column_stack([np.sin(pitch), np.cos(pitch) * np.cos(angle), np.cos(pitch) * np.sin(angle)])
    middle = (low + high) / 2 if middle_mm is None else middle_mm
    origin = np.column_stack([x, np.full(len(x), middle[1]), np.full(len(x), middle[2])])
    return aimed(body, origin, direction, rng)


def aperture(
    body: bodies.Body, outline_mm: np.ndarray, x_mm: float, *, seed: int, forward: bool, step_mm: float = STEP_MM
) -> Viewpoints:
    """Views round a door aperture at X, its outline (k, 2) in Y and Z: at each place across the opening to its edge.

    ``forward``: from behind the vehicle, looking forward; else from inside, looking to the rear.
    """
    rng = np.random.default_rng([seed, 14])
    closed = np.vstack([outline_mm, outline_mm[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    arc = np.arange(0.0, along[-1], step_mm / 2)
    aim = np.column_stack([np.full(len(arc), x_mm), *(np.interp(arc, along, closed[:, axis]) for axis in (0, 1))])
    outward = aim - [0.0, *outline_mm.mean(axis=0)]
    outward[:, 0] = 0.0
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    angle = _turns([35.0, 60.0, 15.0], len(arc), 1, rng)[:, None]
    direction = np.cos(angle) * [[-1.0 if forward else 1.0, 0.0, 0.0]] + np.sin(angle) * outward
    return aimed(body, aim - 600.0 * direction, direction, rng)


def both(first: Viewpoints, second: Viewpoints) -> Viewpoints:
    """One path after another, as one run."""
    return Viewpoints(
        *(np.concatenate([getattr(first, name), getattr(second, name)]) for name in ("position_mm", "axis", "aim_mm"))
    )


def over(body: bodies.Body, *, seed: int, step_mm: float = STEP_MM) -> Viewpoints:
    """All round and from above: a whole small body in one run."""
    return both(wall(body, 0.0, 1.0, seed=seed, step_mm=step_mm), top(body, seed=seed, step_mm=step_mm))


# shares of the outline that each run from outside covers; neighbours overlap
SIDES = {"front": (-0.13, 0.13), "right": (0.04, 0.46), "rear": (0.37, 0.63), "left": (-0.46, -0.04)}


def side(body: bodies.Body, name: str, *, seed: int, with_top: bool = False, step_mm: float = STEP_MM) -> Viewpoints:
    """The run that covers one side of a vehicle: front, right, rear, left or roof.

    ``with_top`` carries a run along the right or the left over that half of the top, and a little further.
    """
    if name == "roof":
        return top(body, seed=seed, step_mm=step_mm)
    views = wall(body, *SIDES[name], seed=seed, step_mm=step_mm)
    if not with_top or name in ("front", "rear"):
        return views
    low, high = body.bounds_mm[:, 1]
    middle = (low + high) / 2
    limits = (middle - 150.0, high) if name == "right" else (low, middle + 150.0)
    return both(views, top(body, *limits, seed=seed, step_mm=step_mm))

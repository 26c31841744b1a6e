"""Values between features and of single features, as vectors whose length is the value, with budgets by cause."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.features.fitted import Fitted
from nightbay.features.kinds import DIRECTION, POINT, RADIUS, SIZE
from nightbay.frame.result import FrameResult
from nightbay.uncertainty.registration import Registration

PARALLEL_DEG = 10.0  # features that lean more against each other have no distance as if they were parallel
CLEAR_SDS = 3.0  # a vector shorter than that many standard uncertainties has no direction that is known
STEP = np.array([1e-3] * 3 + [1e-6] * 3 + [1e-3])  # of the parameters, by which derivatives are taken: mm and rad
POINTS = ("point", "circle", "hole", "mount", "sphere", "hub", "hole_pattern")
FACES = ("plane", "station")
AXES = ("line", "cylinder")
AXIAL = (*AXES, "circle", "hole", "mount", "hub", "hole_pattern")  # whose direction is an axis; others': a normal

Vector = Callable[[Sequence[np.ndarray]], np.ndarray]


@dataclass(frozen=True)
class Context:
    """What uncertainties follow from: the ``registration`` of the segments in the vehicle frame, the ``frame``, and
    ``scan``, settings."""

    registration: Registration
    frame: FrameResult
    scan: Any


@dataclass(frozen=True)
class Relation:
    """A value as the length of a ``vector`` (m,) of its features' parameters: ``meaning`` in words; ``ends_mm``, the
    two points (3,) between which it lies; ``frame_axis``: the axis (0, 1, 2) of the frame along which it is taken, None
    where the frame does not matter; ``from_zero``: it counts from the frame's zero plane."""

    meaning: str
    vector: Vector
    ends_mm: list[np.ndarray]
    frame_axis: int | None = None
    from_zero: bool = False


def distance(a: Fitted, kind_a: str, b: Fitted, kind_b: str, along: str | None) -> Relation | NotFound:
    """The distance between two features, ``along`` an axis ("x", "y", "z") of the frame, or the shortest where None."""
    p, q = a.parameters[POINT], b.parameters[POINT]
    if along is not None:
        axis = "xyz".index(along)
        for feature, kind in ((a, kind_a), (b, kind_b)):
            across_it = kind == "station" and abs(feature.parameters[DIRECTION][axis]) == 1.0
            if kind not in POINTS and not across_it:
                return NotFound(
                    f"kind '{kind}' has no point whose {along.upper()} could be taken: leave out 'along', or name a "
                    "point"
                )
        station = next((kind == "station" for kind in (kind_a, kind_b) if kind == "station"), False)
        return Relation(
            f"along {along.upper()} of the vehicle frame",
            lambda x: np.array([x[1][POINT][axis] - x[0][POINT][axis]]),
            [p, q],
            axis,
            station,
        )
    if kind_a in FACES or kind_b in FACES:
        return _from_face(a, kind_a, b, kind_b)
    if kind_a in POINTS and kind_b in POINTS:
        return Relation("between two points", lambda x: x[1][POINT] - x[0][POINT], [p, q])
    if kind_a in AXES and kind_b in AXES:
        return _between_axes(a, b)
    first = kind_a in POINTS  # one is a point, the other an axis

    def off(x: Sequence[np.ndarray]) -> np.ndarray:
        point, axis = (x[0], x[1]) if first else (x[1], x[0])
        return _across(point[POINT] - axis[POINT], axis[DIRECTION])

    point = p if first else q
    return Relation(
        "from a point to an axis, at right angles to that", off, [point, point - off((a.parameters, b.parameters))]
    )


def _from_face(a: Fitted, kind_a: str, b: Fitted, kind_b: str) -> Relation | NotFound:
    """The distance from a face at right angles to it; of two faces from the first one's point to the second."""
    from_first = kind_a == "station" or kind_b not in FACES
    face, other = (a, b) if from_first else (b, a)
    face_kind, other_kind = (kind_a, kind_b) if from_first else (kind_b, kind_a)
    normal = face.parameters[DIRECTION]
    if other_kind in FACES or other_kind in AXES:
        cosine = min(abs(float(normal @ other.parameters[DIRECTION])), 1.0)
        lean = float(np.degrees(np.arccos(cosine) if other_kind in FACES else np.arcsin(cosine)))
        if lean > PARALLEL_DEG:
            return NotFound(
                f"they lean {lean:.0f} degrees against each other, at most {PARALLEL_DEG:.0f} are allowed: order an "
                "angle, or name a point"
            )

    def off(x: Sequence[np.ndarray]) -> np.ndarray:
        plane, point = (x[0], x[1]) if from_first else (x[1], x[0])
        return np.array([(point[POINT] - plane[POINT]) @ plane[DIRECTION]])

    at = other.parameters[POINT]
    foot = at - off((a.parameters, b.parameters))[0] * normal
    axis = int(np.argmax(np.abs(normal))) if face_kind == "station" else None
    meaning = "from a station, along its axis" if face_kind == "station" else "from a plane, at right angles to it"
    return Relation(meaning, off, [at, foot], axis, axis is not None)


def _between_axes(a: Fitted, b: Fitted) -> Relation:
    """The distance of two axes: from the first one's point where they are parallel, else where they pass each other."""
    p, u, q, v = a.parameters[POINT], a.parameters[DIRECTION], b.parameters[POINT], b.parameters[DIRECTION]
    lean = float(np.degrees(np.arcsin(min(float(np.linalg.norm(np.cross(u, v))), 1.0))))
    if lean <= PARALLEL_DEG:

        def off(x: Sequence[np.ndarray]) -> np.ndarray:
            return _across(x[0][POINT] - x[1][POINT], x[1][DIRECTION])

        return Relation(
            "between two axes that are nearly parallel, from the first one's point",
            off,
            [p, p - off((a.parameters, b.parameters))],
        )

    def passing(x: Sequence[np.ndarray]) -> np.ndarray:
        normal = np.cross(x[0][DIRECTION], x[1][DIRECTION])
        return np.array([(x[1][POINT] - x[0][POINT]) @ normal / np.linalg.norm(normal)])

    # where the axes are nearest: p + s u and q + t v
    s, t = np.linalg.lstsq(np.column_stack([u, -v]), q - p, rcond=None)[0]
    return Relation("between two axes, where they pass each other", passing, [p + s * u, q + t * v])


def _across(off: np.ndarray, direction: np.ndarray) -> np.ndarray:
    return off - (off @ direction) / (direction @ direction) * direction


def angle(a: Fitted, kind_a: str, b: Fitted, kind_b: str) -> tuple[Relation, bool] | NotFound:
    """The acute angle between two features' directions as a rotation vector (3,), rad, and whether the value is what is
    left to 90 degrees: between an axis and a face."""
    for fitted, kind in ((a, kind_a), (b, kind_b)):
        if not fitted.parameters[DIRECTION].any():
            return NotFound(f"kind '{kind}' has no direction")
    flip = -1.0 if float(a.parameters[DIRECTION] @ b.parameters[DIRECTION]) < 0.0 else 1.0

    def rotation(x: Sequence[np.ndarray]) -> np.ndarray:
        u, v = (part[DIRECTION] / np.linalg.norm(part[DIRECTION]) for part in x)
        turn = np.cross(u, flip * v)
        sine, cosine = float(np.linalg.norm(turn)), float(u @ (flip * v))
        return turn * (np.arctan2(sine, cosine) / sine if sine > 1e-9 else 1.0)

    mixed = (kind_a in AXIAL) != (kind_b in AXIAL)
    alike = "between two axes" if kind_a in AXIAL else "between two faces"
    stations = [each.parameters[DIRECTION] for each, kind in ((a, kind_a), (b, kind_b)) if kind == "station"]
    axis = int(np.argmax(np.abs(stations[0]))) if stations else None
    return Relation("between an axis and a face" if mixed else alike, rotation, [], axis), mixed


def coordinate(feature: Fitted, axis: int) -> Relation:
    """A coordinate of a feature's point in the vehicle frame."""
    return Relation(f"{'XYZ'[axis]} in the vehicle frame", lambda x: np.array([x[0][POINT][axis]]), [], axis, True)


def diameter(meaning: str) -> Relation:
    """Twice the radius."""
    return Relation(meaning, lambda x: np.array([2.0 * x[0][RADIUS]]), [])


def evaluate(relation: Relation, features: Sequence[Fitted], context: Context) -> tuple[float, dict[str, float | None]]:
    """The signed length of a relation's vector, or its length where it has several components, and the budget, both in
    the vector's unit (mm or rad), without what grows with length."""
    parameters = [feature.parameters for feature in features]
    vector = relation.vector(parameters)
    derivatives = [_derivative(relation.vector, parameters, number) for number in range(len(features))]
    by_cause = {
        name: sum(J @ feature.causes[name] @ J.T for J, feature in zip(derivatives, features, strict=True))
        for name in ("noise", "edge", "target")
    }
    scatter = sum(J @ feature.scatter @ J.T for J, feature in zip(derivatives, features, strict=True))
    poses = _of_poses(derivatives, features, context.registration)
    total = sum(by_cause.values()) + (0.0 if poses is None else poses)
    size = float(np.linalg.norm(vector))
    largest = float(np.linalg.eigvalsh(np.atleast_2d(total))[-1])
    clear = size > CLEAR_SDS * float(np.sqrt(max(largest, 0.0)))

    def sd(covariance: Any) -> float:
        # the length of a vector near zero is as wrong as all its components together
        variance = vector @ covariance @ vector / size**2 if clear and size > 0.0 else np.trace(np.asarray(covariance))
        return float(np.sqrt(max(float(variance), 0.0)))

    budget: dict[str, float | None] = {"noise": sd(by_cause["noise"])}
    budget["definition"] = float(np.sqrt(max(sd(scatter) ** 2 - sd(by_cause["noise"]) ** 2, 0.0)))
    for name in ("edge", "target"):
        if np.any(by_cause[name]):
            budget[name] = sd(by_cause[name])
    fitted = any(feature.points for feature in features)
    if fitted:
        budget["registration"] = None if poses is None else sd(poses)
    value = float(vector[0]) if len(vector) == 1 else size
    return value, budget


def _derivative(vector: Vector, parameters: Sequence[np.ndarray], number: int) -> np.ndarray:
    """Derivatives (m, 7) of a vector by the parameters of one feature, by central differences."""
    columns = []
    for at in range(SIZE):
        ends = []
        for sign in (1.0, -1.0):
            changed = [np.array(each) for each in parameters]
            changed[number][at] += sign * STEP[at]
            ends.append(vector(changed))
        columns.append((ends[0] - ends[1]) / (2.0 * STEP[at]))
    return np.column_stack(columns)


def _of_poses(
    derivatives: Sequence[np.ndarray], features: Sequence[Fitted], registration: Registration
) -> np.ndarray | None:
    """Covariance (m, m) from the segments' poses, each of which moves all features that it saw; None where a pose has
    no covariance."""
    total = np.zeros((len(derivatives[0]), len(derivatives[0])))
    for name in sorted({name for feature in features for name in feature.poses}):
        if name not in registration.names:
            return None
        J = sum(
            J @ feature.poses[name] for J, feature in zip(derivatives, features, strict=True) if name in feature.poses
        )
        total += J @ registration.covariances[registration.names.index(name)] @ J.T
    return total


def frame_sd(relation: Relation, features: Sequence[Fitted], frame: FrameResult) -> float | None:
    """Standard uncertainty from the vehicle frame, mm, of a length along one of its axes; None where that axis was kept
    as scanned."""
    axis = relation.frame_axis
    assert axis is not None
    rotation = [frame.rotation_sd_deg["xyz"[other]] for other in range(3)]
    if relation.from_zero:
        bounds = list(frame.segments.values())
        low = np.min([each.low_mm for each in bounds], axis=0)
        high = np.max([each.high_mm for each in bounds], axis=0)
        lever = (
            next(feature.parameters[POINT] for feature in features if feature.points or feature.target.any())
            - (low + high) / 2
        )
        zero = frame.zero_planes["xyz"[axis]].sd_mm
        if zero is None:
            return None
    else:
        lever = features[1].parameters[POINT] - features[0].parameters[POINT]
        zero = 0.0
    variance = zero**2
    for other in range(3):
        if other == axis:
            continue
        # a rotation about one axis moves along the second by the distance along the third
        third = 3 - axis - other
        turn = rotation[other]
        if turn is None:
            return None
        variance += (np.radians(turn) * float(lever[third])) ** 2
    return float(np.sqrt(variance))


def frame_rotation_sd(relation: Relation, frame: FrameResult) -> float | None:
    """Standard uncertainty of the frame's rotation about the axes across the relation's, rad; None where it is not
    known."""
    rotation = [frame.rotation_sd_deg["xyz"[other]] for other in range(3) if other != relation.frame_axis]
    known = [turn for turn in rotation if turn is not None]
    return float(np.radians(max(known))) if len(known) == len(rotation) else None

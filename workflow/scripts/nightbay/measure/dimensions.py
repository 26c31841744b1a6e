"""Length, width, height with the meaning of ISO 612, each with its uncertainty."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.measure import protrusions, tangent_planes, uncertainty_budget
from nightbay.measure import unscanned_extents as ends

DEPTH_MM = 60.0  # layer below each touching plane that is looked at again when the frame is turned by its uncertainty


@dataclass(frozen=True)
class Body:
    """A surface in the vehicle frame, as what follows needs it.

    ``surface``; ``areas`` (n,) mm2 of measured surface of each vertex; ``options`` of measure; ``scan``; results of
    ``frame`` and the ``poses`` of refine; ``support_mm2``, see :func:`extremes.support_of`;
    ``noise_mm`` (n,) of each vertex; ``scale`` that refine hands on.
    """

    surface: object
    areas: np.ndarray
    options: dict
    scan: dict
    frame: dict
    poses: dict
    support_mm2: float
    noise_mm: np.ndarray
    scale: dict

    @property
    def vertices_mm(self):
        return self.surface.vertices_mm

    def touch(self, direction, areas=None):
        """See :func:`extremes.touch`; None where no surface is."""
        areas = self.areas if areas is None else areas
        return tangent_planes.touch(
            self.vertices_mm, areas, np.asarray(direction, float), self.support_mm2, self.noise_mm
        )


def span(body, axis, areas=None):
    """The distance between the planes that touch the body at both ends of an axis (0, 1, 2): a dimension's record."""
    areas = body.areas if areas is None else areas
    direction = np.eye(3)[axis]
    high, low = body.touch(direction, areas), body.touch(-direction, areas)
    if high is None or low is None:
        return None
    value = high.reach_mm + low.reach_mm
    parts = {
        "noise": _root(
            uncertainty_budget.surface_sd_mm(body.surface, end.rows, body.scan["noise_mm"]) for end in (high, low)
        ),
        "registration": _root(
            uncertainty_budget.registration_sd_mm(end.point_mm, direction, body.frame, body.poses)
            for end in (high, low)
        ),
        "drift": uncertainty_budget.drift_sd_mm(value, body.scan),
        # half-width of a rectangular distribution / sqrt(3)
        "support": _root(end.half_width_mm / np.sqrt(3.0) for end in (high, low)),
        "frame": _frame_sd_mm(body, areas, direction, value),
    }
    made = record(value, parts, {"high": high.point_mm, "low": low.point_mm}, body.scale)
    return with_ends(made, body, areas, {"high": (direction, high), "low": (-direction, low)})


def with_ends(made, body, areas, touches):
    """A dimension's record with the ends that were not measured, see :func:`ends.hidden`, which its budget then lacks.

    ``touches`` {"high" or "low": (direction, (3,) unit, and what touches there)}.
    """
    made["hidden_ends"] = []
    for name, (direction, touch) in touches.items():
        hidden = ends.hidden(body.vertices_mm, areas, direction, touch, body.support_mm2)
        if hidden is not None:
            beyond_mm, place = hidden
            made["hidden_ends"].append({"end": name, "beyond_mm": beyond_mm, "point_mm": place.tolist()})
    if made["hidden_ends"]:
        made["budget_mm"] = made["budget_mm"] | {"unscanned end": None}
        made["unknown"] = uncertainty_budget.unknown(made["budget_mm"])
    return made


def height(body, areas=None):
    """The highest point above the ground plane, Z = 0."""
    areas = body.areas if areas is None else areas
    up = np.array([0.0, 0.0, 1.0])
    top = body.touch(up, areas)
    if top is None:
        return None
    ground = body.frame["zero_planes"]["z"]["sd_mm"]
    low, high = (np.array([one[name] for one in body.frame["segments"].values()]) for name in ("low_mm", "high_mm"))
    lever = np.linalg.norm((top.point_mm - (low.min(axis=0) + high.max(axis=0)) / 2)[:2])
    turns = [body.frame["rotation_sd_deg"][name] for name in "xy"]
    tilt = None if None in turns else np.radians(max(turns))
    parts = {
        "noise": uncertainty_budget.surface_sd_mm(body.surface, top.rows, body.scan["noise_mm"]),
        "registration": uncertainty_budget.registration_sd_mm(top.point_mm, up, body.frame, body.poses),
        "drift": uncertainty_budget.drift_sd_mm(top.reach_mm, body.scan),
        "support": float(top.half_width_mm / np.sqrt(3.0)),
        "ground": None if ground is None or tilt is None else float(np.hypot(ground, lever * tilt)),
    }
    made = record(top.reach_mm, parts, {"high": top.point_mm, "low": None}, body.scale)
    return with_ends(made, body, areas, {"high": (up, top)})


def record(value, parts, points, scale):
    """A dimension for the JSON: value, expanded uncertainty with its budget, where it was taken, what it is at 20 C."""
    if scale["applied"]:
        parts = parts | {"scale": uncertainty_budget.scale_sd_mm(value, scale)}
    return {
        "value_mm": float(value),
        "at_20_c": at_20_c(value, parts, scale),
        "uncertainty_mm": uncertainty_budget.combine(parts),
        "coverage": uncertainty_budget.COVERAGE,
        "budget_mm": parts,
        "unknown": uncertainty_budget.unknown(parts),
        "points_mm": {name: None if point is None else point.tolist() for name, point in points.items()},
    }


def at_20_c(value, parts, scale):
    """The dimension at 20 degrees Celsius where the body's temperature is known and was not applied, else None."""
    temperature = scale["temperature"]
    if temperature is None or "temperature" in scale["applied"]:
        return None
    expanding = parts | {"temperature": uncertainty_budget.scale_sd_mm(value, temperature)}
    return {"value_mm": float(value * temperature["factor"]), "uncertainty_mm": uncertainty_budget.combine(expanding)}


def _root(values):
    values = list(values)
    return None if None in values else float(np.sqrt(sum(value**2 for value in values)))


def _frame_sd_mm(body, areas, direction, value):
    """How much the span changes when the frame is turned about each axis by its standard uncertainty."""
    layers = []
    for way in (1.0, -1.0):
        rows = _layer(body.vertices_mm, areas, way * direction)
        layers.append((way, body.vertices_mm[rows], areas[rows], body.noise_mm[rows]))
    total = 0.0
    for axis, name in enumerate("xyz"):
        turn = body.frame["rotation_sd_deg"][name]
        if direction[axis]:
            continue
        if turn is None:
            return None
        changes = []
        for sign in (1.0, -1.0):
            turned = Rotation.from_rotvec(sign * np.radians(turn) * np.eye(3)[axis]).apply(direction)
            ends = [
                tangent_planes.touch(vertices, near, way * turned, body.support_mm2, noise)
                for way, vertices, near, noise in layers
            ]
            if None in ends:
                return None
            changes.append(abs(sum(end.reach_mm for end in ends) - value))
        total += max(changes) ** 2
    return float(np.sqrt(total))


def _layer(vertices_mm, areas, direction):
    """Rows of the vertices with an area within :data:`DEPTH_MM` of the furthest along a direction, (k,)."""
    along = vertices_mm @ direction.astype(np.float32)
    np.putmask(along, areas <= 0.0, -np.inf)
    return np.flatnonzero(along > along.max() - DEPTH_MM)


def without_mirrors(body):
    """Areas (n,) that count for the width, and what was left out or noticed at the sides.

    Left out: what sticks out at a side by more than ``mirror_reach_mm`` over less than ``mirror_length_mm`` (mirrors),
    and what lies below ``tyre_bulge_mm`` (the tyres' bulge at the ground).
    """
    vertices, options = body.vertices_mm, body.options
    counted, seen = np.where(vertices[:, 2] < options["tyre_bulge_mm"], 0.0, body.areas), []
    left = -1.0 if body.frame["axes"] == "design_grid" else 1.0
    for name, sign in (("left", left), ("right", -left)):
        side = np.where(sign * vertices[:, 1] > 0.0, counted, 0.0)
        if not side.any():
            continue
        for one in protrusions.find(
            vertices[:, 0], sign * vertices[:, 1], side, options["mirror_length_mm"], body.support_mm2
        ):
            if one.reach_mm < options["notice_mm"]:
                continue
            out = options["mirrors"] == "exclude" and one.reach_mm > options["mirror_reach_mm"]
            if out:
                counted[one.rows] = 0.0
            seen.append(_noticed(body, one, name, out))
    return counted, seen


def without_thin(body):
    """Areas (n,) that count for the height of the body, and what thin things on the roof were left out.

    Thin is what rises from the roof over less than ``thin_mm`` seen from the side and seen from behind.
    """
    vertices, options = body.vertices_mm, body.options
    rows, kept = [], []
    for axis in (0, 1):
        found = protrusions.find(vertices[:, axis], vertices[:, 2], body.areas, options["thin_mm"], body.support_mm2)
        kept.append(found)
        rows.append(np.concatenate([one.rows for one in found]) if found else np.empty(0, np.int64))
    thin = np.intersect1d(*rows)
    counted = body.areas.copy()
    counted[thin] = 0.0
    seen = [_noticed(body, one, "roof", True) for one in kept[0] if len(np.intersect1d(one.rows, thin))]
    return counted, seen


def _noticed(body, one, where, excluded):
    points = body.vertices_mm[one.rows]
    return {
        "where": where,
        "reach_mm": one.reach_mm,
        "low_mm": points.min(axis=0).tolist() if len(points) else None,
        "high_mm": points.max(axis=0).tolist() if len(points) else None,
        "excluded": bool(excluded),
    }

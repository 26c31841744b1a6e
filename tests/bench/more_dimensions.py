"""Overhangs, widths over tyres and angles of the demo's exteriors, as measure_frame judges them.

The truth comes from the mesh of the body, and for the tyres from what they were made by. A value that is a bound is
covered where the truth lies on its side, the uncertainty allowed for.
"""

import numpy as np

import shapes
from nightbay.measure import tangent_angles

SHAPES = {"larch-van": shapes.VAN, "pebble-compact": shapes.COMPACT}
WHEEL = 1.03  # times the radius: what is nearer to the axle beside the tyre is the wheel


def figures(found):
    """The figures over vehicles, from what :func:`judge` says of each."""
    lengths = [entry for row in found for entry in row["lengths"].values()]
    angles = [entry for row in found for entry in row["angles"].values()]
    return {
        "more_dimensions_coverage_95": share(lengths + angles),
        "more_dimensions_median_mm": median(lengths),
        "angles_median_deg": median(angles),
        "angles_coverage_95": share(angles),
        "angles_at_most": float(np.mean([entry["at_most"] for entry in angles])) if angles else None,
        "more_dimensions_stated": len(lengths) + len(angles),
        "poor_ends": sum(row["poor_ends"] for row in found),
    }


def share(entries):
    """Share of the values whose truth lies within their stated uncertainty; None without any."""
    return float(np.mean([entry["covered"] for entry in entries])) if entries else None


def median(entries):
    """Median of the errors' sizes; None without any."""
    return float(np.median([abs(entry["error"]) for entry in entries])) if entries else None


def judge(job, stated, vertices_mm):
    """Errors of a vehicle's values in measure's result ``stated``, against the vertices (n, 3) of its true surface."""
    true_mm, true_deg = true_values(SHAPES[job], vertices_mm)
    values = {**stated["dimensions"], **stated["angles"]}
    return {
        "lengths": {name: entry(values[name], "mm", true) for name, true in true_mm.items() if name in values},
        "angles": {name: entry(values[name], "deg", true) for name, true in true_deg.items() if name in values},
        "poor_ends": sum(len(value["poor_ends"]) for value in values.values()),
    }


def entry(value, unit, true):
    """Error and uncertainty of a stated value, and whether the truth is covered."""
    error, uncertainty = value[f"value_{unit}"] - true, value[f"uncertainty_{unit}"]
    low, high = error - uncertainty, error + uncertainty
    at_most, at_least = value["at_most"], bool(value.get("unscanned_ends"))
    covered = (low <= 0.0 or at_most) and (high >= 0.0 or at_least)
    return {"error": float(error), "uncertainty": float(uncertainty), "covered": covered, "at_most": at_most}


def true_values(shape, vertices_mm):
    """Lengths, mm, and angles, deg, of a body's mesh, its vertices (n, 3) with X rearward.

    A line's angle grows away from the tyres on every face, so the vertices hold its least.
    """
    height, radius = shape.tyre_radius - 8.0, shape.tyre_radius
    outer, inner = shape.width / 2 - 40, shape.width / 2 - 40 - shape.tyre_width
    across = (np.abs(vertices_mm[:, 1]) > inner - 1) & (np.abs(vertices_mm[:, 1]) < outer + 1)
    axles = (0.0, shape.wheelbase)
    away = [np.hypot(vertices_mm[:, 0] - x, vertices_mm[:, 2] - height) > WHEEL * radius for x in axles]
    body = vertices_mm[~across | (away[0] & away[1])]

    def angle(ahead):
        return tangent_angles.angle(ahead, body[:, 2], height, radius)

    front, rear = angle(-body[:, 0]), angle(body[:, 0] - shape.wheelbase)
    between = angle(body[:, 0]) + angle(shape.wheelbase - body[:, 0])
    degrees = {"approach_angle": front.min(), "departure_angle": rear.min(), "ramp_angle": between.min()}
    return {
        "front_overhang": -float(vertices_mm[:, 0].min()),
        "rear_overhang": float(vertices_mm[:, 0].max()) - shape.wheelbase,
        "over_tyres_front": 2.0 * outer,
        "over_tyres_rear": 2.0 * outer,
    }, {name: float(np.degrees(value)) for name, value in degrees.items()}

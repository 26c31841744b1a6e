"""Measures a part in the vehicle frame: dimensions, sections, left against right."""

import json
from dataclasses import replace

import numpy as np

from nightbay.measure import dimensions, pieces, sections, tangent_planes, uncertainty_budget
from nightbay.measure import left_right as leftright
from nightbay.meshes import surface, vertices

MEANINGS = {
    "length": "between the upright planes across the vehicle that touch its front and rear, bumpers included (ISO 612)",
    "width": "between the planes parallel to zero Y that touch its sides; mirrors and the tyres' bulge at the ground "
    "are left out (ISO 612)",
    "width_over_mirrors": "the same with everything that was scanned",
    "height": "from the ground to the highest point, antenna included (ISO 612)",
    "height_body": "from the ground to the highest point of the body, without thin things on the roof",
    "inner_length": "along X between the outermost surfaces scanned from inside; where it is open, to the last one",
    "inner_width": "the same along Y",
    "inner_height": "the same along Z",
    "wheelbase": "along the vehicle from the first axle to the last (ISO 612), mean of both sides",
}


def measure(upstream, sheet, settings, folder, threads):
    """Dimensions, sections and symmetry of a part; see DEVELOPERS.md for the contract of a stage."""
    model = surface.open_ply(upstream["fill"].folder / "surface.ply")
    model = replace(model, vertices_mm=model.vertices_mm[:])  # needed all over; faces are read as they are needed
    frame, options, scan = upstream["frame"].result, settings["measure"], settings["scan"]
    areas = vertices.areas(model)
    loose = pieces.loose(model.vertices_mm, areas, options["loose_mm2"])
    loose_mm2 = float(areas[loose].sum())
    areas[loose] = 0.0
    support_mm2 = tangent_planes.support_of(areas, options["support_mm2"])
    noise = vertex_noise(model, scan["noise_mm"])
    refined = upstream["refine"].result
    body = dimensions.Body(model, areas, options, scan, frame, refined["poses"], support_mm2, noise, refined["scale"])
    print(f"{len(model.vertices_mm)} vertices, {len(model.faces)} faces", flush=True)
    notes = []
    found, sides_seen = take(body, upstream["fill"].part, notes)
    notes += hidden_ends(found, frame["axes"])
    compare_nominal(found, sheet.get("nominal_mm", {}))
    cuts = outlines(body, stations(body))
    (folder / "sections.json").write_text(json.dumps({"sections": cuts}, sort_keys=True) + "\n", encoding="utf-8")
    return {
        "dimensions": found,
        "support_mm2": support_mm2,
        "loose_mm2": loose_mm2,
        "protrusions": sides_seen,
        "extent_mm": extent(body),
        "track": track(frame),
        "sections": [{key: one[key] for key in ("name", "axis", "value_mm", "length_mm", "filled_mm")} for one in cuts],
        "symmetry": left_right(body, folder, threads),
        "scale": refined["scale"],
        "notes": notes,
    }


def take(body, part, notes):
    """The dimensions by name, and what was noticed at sides and roof. A sentence in ``notes`` for what can't be had."""
    planes = {name: plane["found_by"] != "kept" for name, plane in body.frame["zero_planes"].items()}
    found, seen = {}, []
    if part != "exterior":
        if planes["z"] and planes["y"]:
            found = {
                f"inner_{name}": dimensions.span(body, at) for at, name in enumerate(("length", "width", "height"))
            }
        else:
            notes.append("No inner dimension can be stated: the frame is kept as scanned.")
        return finish(found), seen
    if planes["z"] and planes["y"]:
        found["length"] = dimensions.span(body, 0)
        counted, seen = dimensions.without_mirrors(body)
        found["width"] = dimensions.span(body, 1, counted)
        found["width_over_mirrors"] = dimensions.span(body, 1)
        if any(not one["excluded"] and one["reach_mm"] < body.options["mirror_reach_mm"] for one in seen):
            notes.append(
                "Short things at the sides that reach less than a mirror does are part of the width: whether one is a "
                "lamp, which ISO 612 leaves out, or a handle, which counts, can't be told from the shape."
            )
    else:
        notes.append("Length and width can't be stated: the frame has no symmetry plane.")
    if planes["z"]:
        counted, thin = dimensions.without_thin(body)
        found["height"] = dimensions.height(body)
        found["height_body"] = dimensions.height(body, counted)
        seen += thin
    else:
        notes.append("Height can't be stated: the frame has no ground.")
    found["wheelbase"] = wheelbase(body)
    if found["wheelbase"] is None:
        notes.append("Wheelbase can't be stated: fewer than two axles were found.")
    return finish(found), seen


def finish(found):
    """Dimensions that could be taken, with what each means."""
    found = {name: one for name, one in found.items() if one is not None}
    for name, one in found.items():
        one["meaning"] = MEANINGS[name]
        print(f"{name}: {one['value_mm']:.2f} mm, U = {one['uncertainty_mm']:.2f} mm (k = 2) {one['budget_mm']}")
    return found


def hidden_ends(found, axes):
    """A sentence for each end of a dimension that lies in an opening of what was scanned."""
    front, left = ("low", "low") if axes == "design_grid" else ("high", "high")
    along = {"length": ("front", "rear", front), "width": ("left", "right", left)}
    sentences = []
    for name, one in found.items():
        for hidden in one.get("hidden_ends", []):
            kind = next((kind for kind in along if kind in name), None)
            near, far, first = along.get(kind, ("top", "bottom", "high"))
            end = near if hidden["end"] == first else far
            x, y, z = hidden["point_mm"]
            sentences.append(
                f"{name.replace('_', ' ').capitalize()}: the {end} end lies in an opening of what was scanned, about "
                f"X {x:.0f}, Y {y:.0f}, Z {z:.0f} mm; drawn on across it the surface reaches about "
                f"{hidden['beyond_mm']:.1f} mm further, which is not in the uncertainty: scan this end again or check "
                "it by hand."
            )
    return sentences


def wheelbase(body):
    """First axle to last, with the sides apart; None with fewer than two axles."""
    axles, wheels = body.frame["axles"], body.frame["wheels"]
    if len(axles) < 2:
        return None
    first, last = axles[0], axles[-1]
    value = abs(last["x_mm"] - first["x_mm"])
    along = np.array([1.0, 0.0, 0.0])
    ends = [axle_point(wheel) for wheel in (wheels[0], wheels[-1])]
    registered = [uncertainty_budget.registration_sd_mm(end, along, body.frame, body.poses) for end in ends]
    parts = {
        "centres": float(np.hypot(first["sd_mm"], last["sd_mm"])),
        "registration": None if None in registered else float(np.hypot(*registered)),
        "drift": uncertainty_budget.drift_sd_mm(value, body.scan),
    }
    made = dimensions.record(value, parts, {"high": None, "low": None}, body.scale)
    made["axles_mm"] = [abs(b["x_mm"] - a["x_mm"]) for a, b in zip(axles[:-1], axles[1:], strict=True)]
    for side in ("left", "right"):
        x = [wheel["centre_mm"][0] for wheel in wheels if wheel["side"] == side]
        made[f"{side}_mm"] = abs(x[-1] - x[0]) if len(x) == len(axles) else None
    return made


def axle_point(wheel):
    """A point of a wheel's axle, (3,) mm, vehicle frame: its centre, or where the axle meets the face that was seen."""
    x, y, z = wheel["centre_mm"]
    across = [value for value in (y, *wheel["sidewalls_y_mm"].values()) if value is not None]
    return np.array([x, across[0] if across else 0.0, z])


def track(frame):
    """What is known of the tracks, axle by axle: over the tyres' outer faces, and between the wheel centre planes."""
    found = {"reasons": [axle["track_reason"] for axle in frame["axles"]]}
    for name in ("over_tyres", "track"):
        found[f"{name}_mm"] = [axle[f"{name}_mm"] for axle in frame["axles"]]
        sd_mm = [axle[f"{name}_sd_mm"] for axle in frame["axles"]]
        found[f"{name}_uncertainty_mm"] = [None if sd is None else uncertainty_budget.COVERAGE * sd for sd in sd_mm]
    return found


def compare_nominal(found, nominal_mm):
    """Adds nominal, difference and whether it exceeds the uncertainty to each dimension that has a nominal value."""
    for name, one in found.items():
        nominal = nominal_mm.get(name)
        difference = None if nominal is None else one["value_mm"] - nominal
        one["nominal_mm"] = nominal
        one["difference_mm"] = difference
        beyond = None if difference is None else bool(abs(difference) > one["uncertainty_mm"])
        # with an end that was not measured the dimension is this long or longer: it can only be known to be too long
        conclusive = not one.get("hidden_ends") or (beyond and difference > 0)
        one["significant"] = beyond if conclusive else None


def extent(body):
    """Bounds of the measured surface along the axes of the frame, whatever they are."""
    bounds = vertices.bounds(body.vertices_mm, body.areas)
    return None if bounds is None else dict(zip(("low_mm", "high_mm"), bounds.tolist(), strict=True))


def stations(body):
    """Planes to cut: (name, axis, value mm). Y = 0, every station of X on the step's grid, and the axles."""
    bounds = vertices.bounds(body.vertices_mm, body.areas)
    if bounds is None:
        return []
    step = body.options["station_step_mm"]
    low, high = (float(value) for value in bounds[:, 0])
    planes = [("Y 0", 1, 0.0)]
    planes += [(f"X {value:.0f}", 0, float(value)) for value in np.arange(np.ceil(low / step) * step, high, step)]
    planes += [(f"axle {at}", 0, axle["x_mm"]) for at, axle in enumerate(body.frame["axles"], 1)]
    return planes


def outlines(body, planes):
    """Sections for the data file: name, axis, value and polylines of the two other coordinates, in their order."""
    made = []
    cuts = sections.cut(body.surface, [(axis, value) for _, axis, value in planes])
    for (name, axis, value), found in zip(planes, cuts, strict=True):
        lengths = {False: 0.0, True: 0.0}
        lines = []
        for one in found:
            lengths[one.filled] += float(np.linalg.norm(np.diff(one.points_mm, axis=0), axis=1).sum())
            points = sections.simplify(one.points_mm, body.options["outline_mm"])
            lines.append({"filled": one.filled, "points_mm": np.round(points, 3).tolist()})
        made.append(
            {
                "name": name,
                "axis": "xyz"[axis],
                "value_mm": value,
                "length_mm": lengths[False],
                "filled_mm": lengths[True],
                "polylines": lines,
            }
        )
    return made


def left_right(body, folder, threads):
    """Left against right: numbers, and the map in ``sides.npy``; None without a symmetry plane."""
    if body.frame["zero_planes"]["y"]["found_by"] == "kept":
        return None
    left = -1.0 if body.frame["axes"] == "design_grid" else 1.0
    used, y = body.areas > 0.0, body.vertices_mm[:, 1]
    spacing_mm = body.options["symmetry_spacing_mm"]
    chosen = [leftright.thinned(body.vertices_mm, used & (sign * y > 0.0), spacing_mm) for sign in (left, -left)]
    normals = vertices.normals(body.surface, np.concatenate([rows for rows, _ in chosen]))
    parts = np.split(normals.astype(np.float64), [len(chosen[0][0])])
    sides = [
        leftright.Side(body.vertices_mm[rows].astype(np.float64), facing, apart_mm)
        for (rows, apart_mm), facing in zip(chosen, parts, strict=True)
    ]
    compared = leftright.compare(*sides, body.options["symmetry_limit_mm"], threads)
    np.save(folder / "sides.npy", leftright.rows(compared))
    return leftright.summary(compared)


def vertex_noise(model, noise_mm):
    """Standard deviation of the points about each vertex, (n,) float32 mm, never less than one point's on paint."""
    if "spread_mm" not in model.vertex:
        return np.full(len(model.vertices_mm), noise_mm, np.float32)
    spread = model.vertex["spread_mm"][:]
    return np.fmax(spread, np.float32(noise_mm), out=spread)  # unknown spreads are NaN

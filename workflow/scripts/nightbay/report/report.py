"""Stage report: the page of a job, for a customer to read, and its resolved parameters."""

import base64
import io

import numpy as np
import yaml
from scipy.spatial import cKDTree

from nightbay.meshes import surface
from nightbay.pipeline import provenance
from nightbay.report import drawing, job_summary, network_picture, page, picture

CONFIDENCE_MAP, SCATTER_MAP, SIGNED_MAP = "viridis", "cividis", "RdBu_r"
FILLED = np.array([0.84, 0.37, 0.0])
VIEW_TITLES = {
    "left": "Left side",
    "right": "Right side",
    "front": "Front",
    "rear": "Rear",
    "top": "From above",
}
AXIS_TITLES = {  # where the frame is as scanned
    "left": "Along +Y",
    "right": "Along \u2212Y",
    "front": "Along +X",
    "rear": "Along \u2212X",
    "top": "Along \u2212Z",
}
INSIDE_TITLES = {
    "left": "From the left",
    "right": "From the right",
    "front": "From the front",
    "rear": "From the rear",
    "top": "From above",
}
SHOWN = ("left", "front", "top", "rear")  # the four views of the overview
DRAWN = {  # dimension: view, along the picture's height
    "wheelbase": ("left", False),
    "length": ("left", False),
    "height": ("left", True),
    "width": ("front", False),
    "width_over_mirrors": ("rear", False),
    "inner_length": ("left", False),
    "inner_height": ("left", True),
    "inner_width": ("front", False),
}


def report(upstream, sheet, settings, folder, threads):
    """The stage's function; see ``stage.py``. It sees rejected stages too.

    Leaves ``report.html``, ``parameters.yaml`` and, with a surface, ``thumbnail.png``.
    """
    parts = job_summary.parts_of(upstream)
    warnings = job_summary.warnings_of(parts, sheet)
    state = job_summary.state_of(parts, warnings)
    summary = " ".join(job_summary.summary_of(part) for part in parts)
    job = next(one.job for found in upstream.values() for one in found)
    shown = [
        {"part": part, "network_picture": network_uri(part), **pictures(part, settings["report"], folder)}
        for part in parts
    ]
    parameters = _parameters(job, sheet)
    html = page.render(
        "job.html.j2", job=job, sheet=sheet, state=state, summary=summary, warnings=warnings, parts=shown,
        dimension_names=job_summary.DIMENSIONS, parameters=parameters, versions=_versions(upstream),
    )  # fmt: skip
    (folder / "report.html").write_text(html, encoding="utf-8", newline="\n")
    (folder / "parameters.yaml").write_text(parameters, encoding="utf-8", newline="\n")
    print(f"{state}: {len(html) / 1e6:.1f} MB page")
    points = [part.points for part in parts if part.points]
    return {
        "state": state,
        "summary": summary,
        "title": sheet.get("title", job),
        "vehicle_class": sheet.get("vehicle_class"),
        "points": sum(points) if points else None,
        "figures": job_summary.figures_of(parts),
        "warnings": warnings,
        "reasons": [reason for part in parts for reason in part.reasons],
        "page": "report.html",
        "thumbnail": "thumbnail.png" if (folder / "thumbnail.png").exists() else None,
    }


def _parameters(job, sheet):
    """Every parameter that the job ran with, part by part."""
    head = (
        f"# The parameters that job {job} ran with, after vehicle class {sheet.get('vehicle_class')} and job sheet.\n"
    )
    return head + yaml.safe_dump(sheet.get("parameters", {}), sort_keys=True, allow_unicode=True)


def titles_of(scene):
    """What the views are called: by their axes where the frame is as scanned, by where one looks from into a room."""
    if scene.convention == "as_scanned":
        return AXIS_TITLES
    return INSIDE_TITLES if scene.cull else VIEW_TITLES


def _versions(upstream):
    """Version of every library that the stages of the job use: {name: version}."""
    found = {}
    for stage in upstream:
        found |= provenance.libraries_of(provenance.SCRIPTS / f"{stage}.py")
    return dict(sorted(found.items()))


def network_uri(part):
    """The picture of the part's target network as a data URI; None where no target was seen twice."""
    network = part.result("network")
    figure = network_picture.draw(network) if network.get("poses") else None
    if figure is None:
        return None
    png = io.BytesIO()
    figure.savefig(png, format="png", dpi=110)
    return "data:image/png;base64," + base64.b64encode(png.getvalue()).decode("ascii")


def pictures(part, own, folder):
    """All drawings of a part as SVG texts; empty where there is no surface."""
    levels = part.result("reduce").get("levels")
    if not levels:
        return {"views": {}, "maps": []}
    fitting = [name for name, numbers in levels.items() if 0 < numbers["faces"] <= own["most_faces"]]
    if not fitting:
        return {"views": {}, "maps": []}
    best = max(fitting, key=lambda name: (levels[name]["faces"], name))
    mesh = surface.read_ply(part.stages["reduce"].folder / f"{best}.ply")
    convention = part.result("frame").get("axes", "design_grid")
    scene = picture.Scene(mesh, convention, own["picture_px"], cull=part.name == "interior")
    if not (folder / "thumbnail.png").exists():
        small = picture.Scene(mesh, convention, own["thumbnail_px"], cull=part.name == "interior")
        (folder / "thumbnail.png").write_bytes(small.view("left").png)
    text_mm = own["text_share"] * float((scene.high_mm - scene.low_mm).max())
    return {
        "level": best,
        "titles": titles_of(scene),
        "views": _views(part, scene, text_mm),
        "maps": [one for one in (_coverage(part, scene, text_mm, own), _scatter(scene, text_mm)) if one]
        + [one for one in (_sides(part, scene, text_mm),) if one],
    }


def _views(part, scene, text_mm):
    """The four views with the dimensions that were taken."""
    colours = None
    if part.name == "interior" and "red" in scene.mesh.vertex:
        colours = np.column_stack([scene.mesh.vertex[name] for name in ("red", "green", "blue")]) / 255.0
    drawn = {}
    for name in SHOWN:
        lines = [one for key, one in _dimensions(part).items() if DRAWN[key][0] == name]
        said = ", ".join(drawing.label(one) for one in lines) or "no dimension was taken in this view"
        view = scene.view(name, colours)
        drawn[name] = drawing.draw(view, titles_of(scene)[name], said, lines, text_mm=text_mm)
    return drawn


def _dimensions(part):
    """What measure took and where, as lines to draw: {name: Dimension}."""
    found = part.result("measure").get("dimensions", {})
    lines = {}
    for name, (_, upright) in DRAWN.items():
        one = found.get(name)
        ends = list(one["points_mm"].values()) if one else []
        if name == "wheelbase":
            ends = _axle_ends(part.result("frame"))
        if not one or not any(ends):
            continue
        ends = [end or [*next(filter(None, ends))[:2], 0.0] for end in ends]  # the ground has no point of its own
        lines[name] = drawing.Dimension(
            job_summary.DIMENSIONS[name],
            one["value_mm"],
            one["uncertainty_mm"],
            np.array(ends[0]),
            np.array(ends[-1]),
            upright,
            bool(one.get("unscanned_ends")),
        )
    return lines


def _axle_ends(frame):
    """Where the axles of wheels of the first and of the last axle lie seen from the side, two of (3,); none without."""
    wheels, axles = frame.get("wheels"), frame.get("axles")
    if not wheels or not axles:
        return []
    places = [[x, 0.0, z] for x, _, z in (one["centre_mm"] for one in wheels)]
    return [min(places, key=lambda place: abs(place[0] - axle["x_mm"])) for axle in (axles[0], axles[-1])]


def _map(key, title, text, scene, colours, text_mm, *, names, scale, hatched=None, marks=None):
    """One coloured map: its views and what its colours mean."""
    drawn, titles = {}, titles_of(scene)
    for name in names:
        view = scene.view(name, colours, hatched, coarser=picture.MAP)
        numbered = [drawing.Mark(number, np.array(centre)) for number, centre in (marks or {}).get(name, [])]
        drawn[name] = drawing.draw(view, f"{title}, {titles[name]}", text, marks=numbered, text_mm=text_mm)
    return {"key": key, "title": title, "text": text, "views": drawn, "scale": scale}


def _coverage(part, scene, text_mm, own):
    """Confidence of the measured surface, what was filled, and numbered openings."""
    values = scene.mesh.vertex.get("confidence")
    if values is None:
        return None
    filled = scene.mesh.face["filled"].astype(bool)
    colours = picture.colours_of(values.astype(np.float64), 0.0, 1.0, CONFIDENCE_MAP)
    colours[scene.mesh.faces[filled].ravel()] = FILLED
    marks = job_summary.openings_in_views(
        part.result("fill").get("openings", []), scene.convention, scene.low_mm, scene.high_mm, own["marked_openings"]
    )
    scale = {"colours": picture.bar(CONFIDENCE_MAP), "low": "0", "high": "1", "name": "confidence"}
    return _map(
        "coverage", "Coverage",
        "White: not seen by the scanner. Colour: confidence of the measured surface, from few or scattered points to "
        "many that agree. Hatched: filled to close a gap. Numbers: the largest openings, as listed.",
        scene, colours, text_mm, names=picture.VIEWS, scale=scale, hatched=filled, marks=marks,
    )  # fmt: skip


def _scatter(scene, text_mm):
    """How far the points lie from the surface that was drawn through them."""
    values = scene.mesh.vertex.get("spread_mm")
    if values is None or not np.isfinite(values).any():
        return None
    most = _round_up(np.nanquantile(values, 0.95))
    colours = picture.colours_of(values.astype(np.float64), 0.0, most, SCATTER_MAP)
    scale = {"colours": picture.bar(SCATTER_MAP), "low": "0", "high": f"{most:g} mm or more", "name": "scatter"}
    return _map(
        "scatter", "Scatter about the surface",
        "Standard deviation of the measured points along the normal of the surface made from them. It shows the "
        "scanner's noise and segments that disagree. Grey: unknown.",
        scene, colours, text_mm, names=picture.VIEWS, scale=scale,
    )  # fmt: skip


def _sides(part, scene, text_mm):
    """Left side against the mirrored right side, as measure compared them."""
    if not part.result("measure").get("symmetry"):
        return None
    compared = np.load(part.stages["measure"].folder / "sides.npy")
    if not len(compared["points_mm"]):
        return None
    tree = cKDTree(compared["points_mm"])
    spacing = np.median(tree.query(compared["points_mm"], k=2)[0][:, 1])
    _, row = tree.query(scene.mesh.vertices_mm, distance_upper_bound=2 * spacing)  # far from all points: the row behind
    values = np.append(compared["deviation_mm"], np.nan).astype(np.float64)[row]
    most = _round_up(np.nanquantile(np.abs(compared["deviation_mm"]), 0.95))
    scale = {
        "colours": picture.bar(SIGNED_MAP), "name": "deviation",
        "low": f"\u2212{most:g} mm: left side further in", "high": f"+{most:g} mm: left side further out",
    }  # fmt: skip
    return _map(
        "sides", "Left side against the mirrored right side",
        "Signed deviation along the normal, positive where the left side is further out. Grey: not compared.",
        scene, picture.colours_of(values, -most, most, SIGNED_MAP), text_mm, names=("left",), scale=scale,
    )  # fmt: skip


def _round_up(value):
    """The next of 1, 2, 3, 5 times a power of ten, for the end of a scale."""
    power = 10.0 ** np.floor(np.log10(max(float(value), 1e-6)))
    return float(power * next(one for one in (1, 2, 3, 5, 10) if one * power >= value * (1 - 1e-9)))

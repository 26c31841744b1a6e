"""Intake: one raw export read, checked and sorted into a working cloud in millimetres."""

import os
import shutil
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds import cloud
from nightbay.clouds.cloud import Cloud, CloudFile
from nightbay.core import unchanged
from nightbay.core.errors import Rejected
from nightbay.intake import duplicate_points, plausibility, precision, raw_store
from nightbay.orientation import normals
from nightbay.readers import mesh
from nightbay.readers.block import MOST

LOOKED_AT = 1_000_000  # points that extents are judged by
SPACING_TILES, SPACING_POINTS = 24, 1500  # places and points in each that the spacing is measured at


def intake(upstream, sheet, settings, folder, threads):
    """Read the raw file that ``sheet`` names and leave it as a working cloud in ``folder``.

    Returns counts, extents and the spacing of its points. Raises :class:`Rejected` for a file that can't be read whole
    or changed after it was planned, coordinates that are not finite or in steps too coarse for the model, fewer points
    than needed, points in one spot or that show no surface, and a size that does not fit the vehicle class in the units
    declared. The same for any ``threads``: the work is one pass over the file.
    """
    own, scan = settings["intake"], settings["scan"]
    if sheet["unreadable"]:
        raise Rejected(sheet["unreadable"])
    name = sheet["file"]
    with unchanged.while_read(Path(name), sheet):
        raw = raw_store.read(Path(name), name, sheet["columns"], sheet["units"], folder)
    span_mm, step_mm = _check(raw, sheet, own, scan)
    # Whole millimetres, so that adding the origin back costs no digits.
    origin_mm = np.round(np.median(raw.sample(LOOKED_AT), axis=0))
    scratch = folder / "sorted.part"
    sorted_cloud = cloud.write(scratch, raw.blocks(origin_mm), origin_mm, own["tile_mm"])
    raw.remove()
    original = duplicate_points.first_of_each(sorted_cloud)
    keep = original == np.arange(len(original))
    spacing_mm = _spacing(sorted_cloud, keep)
    normal, facts = _normals(sorted_cloud, original, keep, sheet, own, scan, spacing_mm)
    if keep.all() and facts["normals"] == "measured" and not facts["normals_filled"]:
        for part in scratch.iterdir():
            os.replace(part, folder / part.name)
        final = CloudFile(folder)
    else:
        final = cloud.write(folder, _with_normals(sorted_cloud, keep, normal), origin_mm, own["tile_mm"])
    del sorted_cloud
    shutil.rmtree(scratch)
    low, high = final.tiles["low_mm"].min(axis=0), final.tiles["high_mm"].max(axis=0)
    print(f"{name}: {final.count} points, {span_mm:.0f} mm long, {spacing_mm:.2f} mm apart, normals {facts['normals']}")
    return {
        **{key: sheet[key] for key in ("file", "sha256", "bytes", "units")},
        "count": final.count,
        "low_mm": [float(value) for value in low.astype(np.float64) + origin_mm],
        "high_mm": [float(value) for value in high.astype(np.float64) + origin_mm],
        "origin_mm": [float(value) for value in origin_mm],
        "span_mm": span_mm,
        "spacing_mm": spacing_mm,
        "step_mm": step_mm,
        "step_outweighs_noise": precision.outweighs(step_mm, scan["noise_mm"]),
        **facts,
        "colour": "colour" in final.attributes,
        "dropped": {"invalid": raw.invalid, "copies": raw.count - final.count},
        "notes": _notes(raw, sheet, final, facts, step_mm, scan),
    }


def _check(raw, sheet, own, scan):
    """Refuse what can't be a scan of this vehicle; returns the segment's span and the step of its coordinates, mm."""
    name = sheet["file"]
    if raw.count < own["fewest_points"]:
        raise Rejected(
            f"{name} holds {raw.count} points; at least {own['fewest_points']} are needed (parameter "
            "intake.fewest_points): export the whole segment."
        )
    looked_at = raw.sample(LOOKED_AT)
    span_mm = plausibility.span(looked_at)
    if span_mm < scan["noise_mm"]:
        place = ", ".join(f"{value:.6g}" for value in np.median(looked_at, axis=0))
        raise Rejected(
            f"{name}: all {raw.count} points lie in one spot at ({place}) mm, {span_mm:.2g} mm across: export it again."
        )
    least_mm, most_mm = plausibility.limits(sheet["extent_mm"], own["least_share"], own["surroundings_mm"])
    plausibility.check_units(span_mm, sheet["units"], name, sheet["vehicle_class"], least_mm, most_mm)
    step_mm = max(raw.step_mm, precision.step_mm(looked_at))
    precision.check(name, step_mm, looked_at, scan, own["largest_step"])
    plausibility.check_surface(looked_at, np.hypot(scan["noise_mm"], step_mm / np.sqrt(12)), name)
    middle = np.median(looked_at, axis=0)
    far_mm = np.maximum(middle - raw.low_mm, raw.high_mm - middle).max()
    if far_mm > own["farthest_mm"]:
        raise Rejected(
            f"{name}: a point lies {far_mm:.0f} mm from the middle of the others; at most {own['farthest_mm']:.0f} "
            "mm are allowed (parameter intake.farthest_mm): remove what is not the vehicle, or export it again."
        )
    return span_mm, step_mm


def _normals(sorted_cloud, original, keep, sheet, own, scan, spacing_mm):
    """A unit normal for each point that is kept, (n, 3) float32, and how the normals came about."""
    if "normal" in sorted_cloud.attributes:
        normal = _summed(sorted_cloud, original)[keep]
        lost = ~np.any(normal != 0, axis=1)
        if np.count_nonzero(lost) <= own["most_without_normal"] * len(normal):
            if lost.any():
                normal[lost] = _of_nearest(_places(sorted_cloud)[keep], normal, lost)
            return normal, {"normals": "measured", "normals_filled": int(lost.sum()), "normals_certainty": None}
    edge_mm = max(own["normal_cell_mm"], own["normal_cell_spacings"] * spacing_mm)
    node_mm = max(own["normal_node_cells"] * edge_mm, own["normal_node_mm"])
    found = normals.estimate(
        _places(sorted_cloud)[keep], edge_mm, node_mm, scan["standoff_mm"], sheet["part"] == "interior"
    )
    return found.normal, {"normals": "estimated", "normals_filled": 0, "normals_certainty": found.certainty}


def _places(sorted_cloud):
    return np.concatenate([block.xyz_mm for block in sorted_cloud.blocks()])


def _summed(sorted_cloud, original):
    """Normals, (n, 3) float32; the first of the points at one place has the direction of the sum of theirs."""
    normal = np.concatenate([block.normal for block in sorted_cloud.blocks()])
    copied = np.flatnonzero(original != np.arange(len(original)))
    if len(copied):
        np.add.at(normal, original[copied], normal[copied])
        touched = np.unique(original[copied])
        normal[touched] = mesh.unit(normal[touched])
    return normal


def _of_nearest(xyz_mm, normal, lost):
    """Normals for the ``lost`` points: that of the nearest among (at most) a million that have one."""
    good = np.flatnonzero(~lost)
    good = good[:: max(1, -(-len(good) // LOOKED_AT))]
    _, nearest = cKDTree(xyz_mm[good]).query(xyz_mm[lost])
    return normal[good[nearest]]


def _with_normals(sorted_cloud, keep, normal):
    """Yield the points that are kept, with their normals."""
    at = 0
    for start in range(0, len(sorted_cloud), MOST):
        block = sorted_cloud.block(start, min(start + MOST, len(sorted_cloud)))[keep[start : start + MOST]]
        yield Cloud(block.xyz_mm, normal[at : at + len(block)], block.colour)
        at += len(block)


def _spacing(sorted_cloud, keep):
    """Median distance of a point to its nearest neighbour, mm, at places spread over the cloud."""
    tiles = sorted_cloud.tiles[:: max(1, len(sorted_cloud.tiles) // SPACING_TILES)]
    distances = []
    for tile in tiles:
        rows = slice(tile["start"], tile["start"] + tile["count"])
        xyz = sorted_cloud.block(rows.start, rows.stop).xyz_mm[keep[rows]]
        if len(xyz) > 1:
            asked = xyz[:: max(1, len(xyz) // SPACING_POINTS)]
            distances.append(cKDTree(xyz).query(asked, 2)[0][:, 1])
    return float(np.median(np.concatenate(distances)))


def _notes(raw, sheet, final, facts, step_mm, scan):
    """Sentences for the report on what was left out, filled in, estimated or rounded."""
    notes = []
    if step_mm > scan["noise_mm"]:
        notes.append(
            f"{sheet['file']}: its coordinates come in steps of {step_mm:.2g} mm, more than the noise of "
            f"{scan['noise_mm']:.2g} mm; export it centred on the vehicle, in double precision or with more digits."
        )
    if raw.invalid:
        notes.append(f"{sheet['file']}: {raw.invalid} points that the file marks as invalid were left out.")
    for column in raw.partly:
        notes.append(f"{sheet['file']}: only some of its scans have {column}s, so that none was used.")
    if facts["normals_filled"]:
        notes.append(f"{sheet['file']}: {facts['normals_filled']} points had no normal and took their neighbour's.")
    if facts["normals"] == "estimated":
        notes.append(
            f"{sheet['file']} has no normals: they were estimated from the points, their outside with a certainty of "
            f"{facts['normals_certainty']:.2f} (1 is certain, 0 is open)."
        )
    if Path(sheet["file"]).suffix.lower() == ".e57" and sheet["units"] != "m":
        notes.append(f"{sheet['file']}: E57 is meant to be in metres, but was read in {sheet['units']} as declared.")
    return notes

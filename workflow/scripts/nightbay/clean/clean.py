"""Stage clean: takes out of a segment what is no surface of the vehicle, and says of every point why."""

import numpy as np

from nightbay.clean import components, duplicate_layers, ground, neighbours, outliers, reflections
from nightbay.clouds.cloud import CloudFile, write_subset
from nightbay.core.errors import Rejected

REASONS = {
    1: "stray",  # belongs to no surface
    2: "cluster",  # a small clump that floats free
    3: "ground",
    4: "surroundings",  # stands beyond the vehicle, or lies below the ground
    5: "grazing",  # seen edge on: its direction contradicts the surface it lies in
    6: "ghost",  # a mirror image behind a glossy panel
    7: "layer",  # second copy of a surface, less well supported
}
CODE = {name: code for code, name in REASONS.items()}
KEPT = 0
UNDECIDED = 1  # bit of `flag`: two copies of a surface, and nothing tells which is right
CELL_SPACINGS = 3.0  # edge of a cell in point spacings: 9 points of a surface in each, 28 in a ball of that radius
BLOCK = 1_000_000  # points handled at a time where that saves memory
GROUND_SAMPLE = 500_000  # points the ground's plane and its scatter are taken from; cells scatter less than points
REMOVED = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("reason", "u1")])


def clean(upstream, sheet, settings, folder, threads):
    """Clean one segment: see DEVELOPERS.md for the contract, ``REASONS`` for what goes.

    One thread does it all: the night runs segments side by side.
    """
    source = CloudFile(upstream["intake"].folder)
    scan, fewest, segment = settings["scan"], settings["clean"]["fewest_points"], upstream["intake"].segment
    if len(source) < fewest:
        raise Rejected(
            f"segment {segment}: it has {len(source)} points, at least {fewest} are needed (clean.fewest_points);"
            " export it again."
        )
    spacing_mm = neighbours.spacing_mm(source)
    cells = neighbours.sort_into_cells(source.block(0, len(source)), CELL_SPACINGS * spacing_mm)
    reason, flag, floor, areas = examine(
        cells,
        noise_mm=scan["noise_mm"],
        smallest_mm=scan["smallest_mm"],
        apart_mm=settings["clean"]["apart_mm"],
        on_ground=upstream["intake"].part != "interior",
        sided=upstream["intake"].result["normals"] == "measured",
        panel_mm=scan["resolution_mm"],
    )
    reason, flag = in_file_order(cells, reason), in_file_order(cells, flag)
    del cells
    kept = int(np.count_nonzero(reason == KEPT))
    if kept < fewest:
        raise Rejected(
            f"segment {segment}: {kept} of {len(source)} points are left after cleaning, at least {fewest} are needed"
            f" (clean.fewest_points); check the export and scan.noise_mm ({scan['noise_mm']} mm)."
        )
    write_subset(folder, source, reason == KEPT, flag if flag.any() else None)
    _write_removed(folder / "removed.ply", source, reason)
    removed = {name: int(np.count_nonzero(reason == code)) for code, name in REASONS.items()}
    print(f"kept {kept} of {len(source)}; removed " + ", ".join(f"{count} {name}" for name, count in removed.items()))
    return {
        "kept": kept,
        "removed": removed,
        "reasons": {str(code): name for code, name in REASONS.items()},
        "undecided": int(np.count_nonzero(flag[reason == KEPT] & UNDECIDED)),
        "layers": areas,
        "spacing_mm": spacing_mm,
        "normals_certainty": upstream["intake"].result["normals_certainty"],
        "ground": None if floor is None else _ground_result(floor, source.origin_mm, removed["ground"]),
        "notes": _notes(segment, areas),
    }


def examine(cells, *, noise_mm, smallest_mm, apart_mm, on_ground, sided=True, panel_mm=np.inf):
    """Why each point goes: reason (n,) uint8 and flag (n,) uint8, in the order of ``cells``; with them the Ground or
    None, and the areas that had two copies of the surface.

    ``sided``: whether normals tell one side of a surface from the other, as measured ones do; where not, sheets further
    apart than ``panel_mm`` may be the sides of a panel.
    """
    reason = np.zeros(len(cells.xyz_mm), np.uint8)
    flag = np.zeros(len(cells.xyz_mm), np.uint8)
    state, share = outliers.judge(cells, noise_mm)
    reason[state == outliers.STRAY] = CODE["stray"]
    reason[state == outliers.EDGE_ON] = CODE["grazing"]
    cell_of_point = np.repeat(np.arange(len(cells), dtype=np.int32), np.diff(cells.start))
    _take_clumps(cells, cell_of_point, state, share, reason, smallest_mm)
    floor = _take_ground(cells, reason, noise_mm, sided) if on_ground else None
    if floor is not None:  # what hung together by the ground only, and the ground's own last points
        _take_clumps(cells, cell_of_point, state, share, reason, smallest_mm)
    count, centres_mm, normals = neighbours.surfels(cells, reason == KEPT)
    far = components.beyond(cells, count > 0, centres_mm, apart_mm, None if floor is None else floor.normal)
    reason[(reason == KEPT) & far[cell_of_point]] = CODE["surroundings"]
    if sided:
        mirrored = reflections.mirrored(cells, (count > 0) & ~far, centres_mm, normals, smallest_mm, floor)
        reason[(reason == KEPT) & mirrored[cell_of_point]] = CODE["ghost"]
    doubled = duplicate_layers.find(cells, reason == KEPT, noise_mm, smallest_mm, np.inf if sided else panel_mm, sided)
    reason[doubled.gone] = CODE["layer"]
    flag[doubled.undecided] |= UNDECIDED
    return reason, flag, floor, doubled.areas


def _take_clumps(cells, cell_of_point, state, share, reason, smallest_mm):
    """Write the reason of clumps that float free. Points of surfaces sampled too thinly to hang together stay."""
    judged = (state == outliers.SUPPORTED) & (reason == KEPT)
    many = np.bincount(cell_of_point[judged], minlength=len(cells))
    agreement = np.bincount(cell_of_point[judged], share[judged] / 100.0, minlength=len(cells)) / np.maximum(many, 1)
    thin = np.zeros(len(cells), bool)
    thin[cell_of_point[(state == outliers.THIN) & (reason == KEPT)]] = True
    floats = components.floating(cells, many > 0, thin, agreement, smallest_mm)
    reason[judged & floats[cell_of_point]] = CODE["cluster"]


def _take_ground(cells, reason, noise_mm, sided):
    """Write the reasons of the ground and of what lies below it; returns the Ground or None."""
    count, centres_mm, normals = neighbours.surfels(cells, reason == KEPT)
    floor = ground.find(centres_mm[count > 0], normals[count > 0], cells.edge_mm, noise_mm, sided)
    if floor is not None:
        some = np.flatnonzero(reason == KEPT)[:: max(1, len(reason) // GROUND_SAMPLE)]
        floor = ground.about_points(floor, cells.xyz_mm[some].astype(np.float64), cells.normal[some], noise_mm)
    if floor is None:
        return None
    for start in range(0, len(reason), BLOCK):
        block = slice(start, start + BLOCK)
        xyz_mm, left = cells.xyz_mm[block], reason[block] == KEPT
        on = ground.is_ground(floor, xyz_mm, cells.normal[block], noise_mm)
        below = floor.height_mm(xyz_mm) < -ground.thickness_mm(floor, noise_mm)
        reason[block][left & on] = CODE["ground"]
        reason[block][left & below] = CODE["surroundings"]
    return floor


def in_file_order(cells, values):
    """Values of points in the order of ``cells``, (n,), in the order of the working cloud."""
    out = np.empty_like(values)
    out[cells.order] = values
    return out


def _write_removed(path, source, reason):
    """A PLY of what was taken out, about the cloud's origin like the working cloud, with the reason's code a point."""
    rows = np.flatnonzero(reason != KEPT)
    origin = " ".join(repr(float(value)) for value in source.origin_mm)
    lines = ["ply", "format binary_little_endian 1.0", "comment units mm"]
    lines += [f"comment reason {code} {name}" for code, name in REASONS.items()]
    lines += [f"obj_info origin_mm {origin}", f"element vertex {len(rows)}"]
    lines += [*(f"property float {axis}" for axis in "xyz"), "property uchar reason", "end_header"]
    with open(path, "wb") as file:
        file.write(("\n".join(lines) + "\n").encode("ascii"))
        for at in range(0, len(rows), 2_000_000):
            some = rows[at : at + 2_000_000]
            records = np.empty(len(some), REMOVED)
            xyz_mm = source.take(some).xyz_mm
            for axis, name in enumerate("xyz"):
                records[name] = xyz_mm[:, axis]
            records["reason"] = reason[some]
            records.tofile(file)


def _ground_result(floor, origin_mm, points):
    return {
        "normal": [float(value) for value in floor.normal],
        "offset_mm": float(floor.offset_mm + floor.normal @ origin_mm),
        "sd_mm": floor.sd_mm,
        "points": points,
    }


def _notes(segment, areas):
    """A sentence on areas with two copies of the surface, where there are any."""
    if not areas:
        return []
    size_cm2 = sum(area["area_mm2"] for area in areas) / 100.0
    apart_mm = [area["apart_mm"] for area in areas]
    undecided = sum(area["kept"] == "both" for area in areas)
    return [
        f"segment {segment}: two copies of the surface lay over one another on {size_cm2:.0f} cm\u00b2 in {len(areas)} "
        f"areas, {min(apart_mm):.1f} to {max(apart_mm):.1f} mm apart; the better supported one was kept in "
        f"{len(areas) - undecided}, in {undecided} nothing tells which is right and both stay, flagged."
    ]

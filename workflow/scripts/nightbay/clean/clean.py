"""Stage clean: removes the points of a segment that are not on the vehicle's surface, each with a reason."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.clean import components, duplicate_layers, ground, neighbours, outliers, reflections
from nightbay.clean.neighbours import Cells
from nightbay.clean.result import CleanResult, DuplicateLayer, Reason, SegmentGround
from nightbay.clouds.cloud import CloudFile, write_subset
from nightbay.core.errors import Rejected
from nightbay.pipeline import typed

KEPT = 0  # code of points that have no reason to be removed
UNDECIDED = 1  # bit of `flag`: two copies of a surface, and it is not clear which is right
CELL_SPACINGS = 3.0  # edge of a cell in point spacings: 9 points of a surface in each, 28 in a ball of that radius
BLOCK = 1_000_000  # points handled at a time where that saves memory
WRITE_BLOCK = 2_000_000  # points written at a time: 26 MB
# Most points for the final fit of the ground, which needs their scatter: means of cells scatter less.
GROUND_SAMPLE = 500_000
REMOVED = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("reason", "u1")])


@dataclass(frozen=True)
class Criteria:
    """Criteria by which points are kept or removed.

    ``noise_mm``: standard deviation of a point; ``smallest_mm``: the smallest thing to keep; ``apart_mm``: the gap
    between the vehicle and its surroundings; ``on_ground``: the segment may show ground. ``sided``: normals
    distinguish the two sides of a surface, as measured ones do. Where they do not, sheets further apart than
    ``panel_mm`` may be the two sides of a panel.
    """

    noise_mm: float
    smallest_mm: float
    apart_mm: float
    panel_mm: float
    on_ground: bool
    sided: bool


@dataclass(frozen=True)
class Examined:
    """Findings about the points: ``reason`` (n,) uint8, :data:`KEPT` or a :class:`Reason`, and ``flag`` (n,) uint8,
    both in the order of the cells; the ground where there is one; areas with two copies of the surface."""

    reason: np.ndarray
    flag: np.ndarray
    ground: ground.Ground | None
    duplicate_layers: list[DuplicateLayer]


def clean(
    upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Clean one segment: see DEVELOPERS.md for the contract, :class:`Reason` for what is removed.

    Returns a :class:`CleanResult` as plain data, with notes. Raises :class:`Rejected` for too few points before or
    after. ``threads`` is not used: the night runs segments side by side.
    """
    source, taken = CloudFile(upstream["intake"].folder), upstream["intake"].result
    scan, fewest, segment = settings.scan, settings.clean.fewest_points, upstream["intake"].segment
    if len(source) < fewest:
        raise Rejected(
            f"segment {segment}: it has {len(source)} points, at least {fewest} are needed (clean.fewest_points);"
            " export it again."
        )
    spacing_mm = neighbours.spacing_mm(source)
    cells = neighbours.sort_into_cells(source.block(0, len(source)), CELL_SPACINGS * spacing_mm)
    criteria = Criteria(
        noise_mm=scan.noise_mm,
        smallest_mm=scan.smallest_mm,
        apart_mm=settings.clean.apart_mm,
        panel_mm=settings.clean.panel_mm,
        on_ground=upstream["intake"].part != "interior",
        sided=taken["normals"] == "measured",
    )
    examined = examine(cells, criteria)
    reason, flag = in_file_order(cells, examined.reason), in_file_order(cells, examined.flag)
    del cells
    kept = int(np.count_nonzero(reason == KEPT))
    if kept < fewest:
        raise Rejected(
            f"segment {segment}: {kept} of {len(source)} points are left after cleaning, at least {fewest} are needed"
            f" (clean.fewest_points); check the export and scan.noise_mm ({scan.noise_mm} mm)."
        )
    write_subset(folder, source, reason == KEPT, flag if flag.any() else None)
    _write_removed(folder / "removed.ply", source, reason)
    removed = {known.word: int(np.count_nonzero(reason == known)) for known in Reason}
    print(f"kept {kept} of {len(source)}; removed " + ", ".join(f"{count} {word}" for word, count in removed.items()))
    result = CleanResult(
        kept=kept,
        removed=removed,
        reasons={str(int(known)): known.word for known in Reason},
        undecided=int(np.count_nonzero(flag[reason == KEPT] & UNDECIDED)),
        duplicate_layers=examined.duplicate_layers,
        spacing_mm=spacing_mm,
        normals_certainty=taken["normals_certainty"],
        ground=_segment_ground(examined.ground, source.origin_mm, removed[Reason.GROUND.word]),
    )
    return typed.write(result) | {"notes": _notes(segment, examined.duplicate_layers)}


def examine(cells: Cells, criteria: Criteria) -> Examined:
    """Judge the points of a segment one property after another; the first reason that a point gets is its reason."""
    reason = np.zeros(len(cells.xyz_mm), np.uint8)
    flag = np.zeros(len(cells.xyz_mm), np.uint8)
    noise_mm, smallest_mm, sided = criteria.noise_mm, criteria.smallest_mm, criteria.sided
    state, agreement = outliers.judge(cells, noise_mm)
    reason[state == outliers.OUTLIER] = Reason.OUTLIER
    reason[state == outliers.EDGE_ON] = Reason.GRAZING
    support = _Support(state, agreement, np.repeat(np.arange(len(cells), dtype=np.int32), np.diff(cells.start)))
    _remove_clusters(cells, support, reason, smallest_mm)
    plane = _remove_ground(cells, reason, noise_mm, sided) if criteria.on_ground else None
    if plane is not None:  # clusters that only the ground connected, and the remains of the ground
        _remove_clusters(cells, support, reason, smallest_mm)
    count, centres_mm, normals = neighbours.surfels(cells, reason == KEPT)
    far = components.beyond(cells, count > 0, centres_mm, criteria.apart_mm, None if plane is None else plane.normal)
    reason[(reason == KEPT) & far[support.cell]] = Reason.SURROUNDINGS
    if sided:
        mirrored = reflections.mirrored(cells, (count > 0) & ~far, centres_mm, normals, smallest_mm, plane)
        reason[(reason == KEPT) & mirrored[support.cell]] = Reason.GHOST
    panel_mm = np.inf if sided else criteria.panel_mm
    layers = duplicate_layers.find(cells, reason == KEPT, noise_mm, smallest_mm, panel_mm, sided)
    reason[layers.gone] = Reason.DUPLICATE_LAYER
    flag[layers.undecided] |= UNDECIDED
    return Examined(reason, flag, plane, layers.areas)


@dataclass(frozen=True)
class _Support:
    """How points agree with their neighbours: ``state`` and ``agreement`` (n,) uint8 of :func:`outliers.judge`, and
    ``cell`` (n,) int32, the cell of each point."""

    state: np.ndarray
    agreement: np.ndarray
    cell: np.ndarray


def _remove_clusters(cells: Cells, support: _Support, reason: np.ndarray, smallest_mm: float) -> None:
    """Write the reason of clusters that are connected to nothing into ``reason``.

    Points of surfaces that are sampled too thinly to be connected stay.
    """
    judged = (support.state == outliers.SUPPORTED) & (reason == KEPT)
    many = np.bincount(support.cell[judged], minlength=len(cells))
    agreeing = np.bincount(support.cell[judged], support.agreement[judged] / 100.0, minlength=len(cells))
    agreement = agreeing / np.maximum(many, 1)
    thin = np.zeros(len(cells), bool)
    thin[support.cell[(support.state == outliers.THIN) & (reason == KEPT)]] = True
    floating = components.floating(cells, many > 0, thin, agreement, smallest_mm)
    reason[judged & floating[support.cell]] = Reason.CLUSTER


def _remove_ground(cells: Cells, reason: np.ndarray, noise_mm: float, sided: bool) -> ground.Ground | None:
    """Write the reasons of the ground and of points below it into ``reason``; returns the ground or None."""
    count, centres_mm, normals = neighbours.surfels(cells, reason == KEPT)
    plane = ground.find(centres_mm[count > 0], normals[count > 0], cells.edge_mm, noise_mm, sided)
    if plane is not None:
        some = np.flatnonzero(reason == KEPT)[:: max(1, len(reason) // GROUND_SAMPLE)]
        plane = ground.about_points(plane, cells.xyz_mm[some].astype(np.float64), cells.normal[some], noise_mm)
    if plane is None:
        return None
    for start in range(0, len(reason), BLOCK):
        block = slice(start, start + BLOCK)
        xyz_mm, left = cells.xyz_mm[block], reason[block] == KEPT
        on = ground.is_ground(plane, xyz_mm, cells.normal[block], noise_mm)
        below = plane.height_mm(xyz_mm) < -ground.thickness_mm(plane, noise_mm)
        reason[block][left & on] = Reason.GROUND
        reason[block][left & below] = Reason.SURROUNDINGS
    return plane


def in_file_order(cells: Cells, values: np.ndarray) -> np.ndarray:
    """Sort ``values`` (n,) of points from the order of ``cells`` into the order of the working cloud."""
    out = np.empty_like(values)
    out[cells.order] = values
    return out


def _write_removed(path: Path, source: CloudFile, reason: np.ndarray) -> None:
    """Write a PLY of the removed points, about the working cloud's origin, with the code of each point's reason."""
    rows = np.flatnonzero(reason != KEPT)
    origin = " ".join(repr(float(value)) for value in source.origin_mm)
    lines = ["ply", "format binary_little_endian 1.0", "comment units mm"]
    lines += [f"comment reason {int(known)} {known.word}" for known in Reason]
    lines += [f"obj_info origin_mm {origin}", f"element vertex {len(rows)}"]
    lines += [*(f"property float {axis}" for axis in "xyz"), "property uchar reason", "end_header"]
    with open(path, "wb") as file:
        file.write(("\n".join(lines) + "\n").encode("ascii"))
        for at in range(0, len(rows), WRITE_BLOCK):
            some = rows[at : at + WRITE_BLOCK]
            records = np.empty(len(some), REMOVED)
            xyz_mm = source.take(some).xyz_mm
            for axis, name in enumerate("xyz"):
                records[name] = xyz_mm[:, axis]
            records["reason"] = reason[some]
            records.tofile(file)


def _segment_ground(plane: ground.Ground | None, origin_mm: np.ndarray, points: int) -> SegmentGround | None:
    """The ground in the segment frame from a plane about the cloud's origin, (3,) mm; ``points`` removed as ground."""
    if plane is None:
        return None
    return SegmentGround(plane.normal, float(plane.offset_mm + plane.normal @ origin_mm), plane.sd_mm, points)


def _notes(segment: str, areas: list[DuplicateLayer]) -> list[str]:
    """A sentence on areas with two copies of the surface, where there are any."""
    if not areas:
        return []
    size_cm2 = sum(area.area_mm2 for area in areas) / 100.0
    apart_mm = [area.apart_mm for area in areas]
    undecided = sum(area.kept == "both" for area in areas)
    decided = len(areas) - undecided
    low, high = f"{min(apart_mm):.1f}", f"{max(apart_mm):.1f}"
    apart = low if low == high else f"{low} to {high}"
    note = (
        f"segment {segment}: two copies of the surface overlie each other on {size_cm2:.0f} cm\u00b2 in "
        f"{_counted(len(areas), 'area')}, {apart} mm apart."
    )
    if decided:
        note += f" The better supported copy was kept in {_counted(decided, 'area')}."
    if undecided:
        note += f" In {_counted(undecided, 'area')} it is not clear which copy is right: both were kept and flagged."
    return [note]


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"

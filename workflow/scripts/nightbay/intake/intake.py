"""Intake: one raw export read, checked and sorted into a working cloud in millimetres."""

import os
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds import cloud
from nightbay.clouds.cloud import Cloud, CloudFile
from nightbay.core import unchanged
from nightbay.core.errors import Rejected
from nightbay.intake import duplicate_points, plausibility, precision, raw_store
from nightbay.intake.result import Dropped, IntakeResult
from nightbay.orientation import normals
from nightbay.pipeline import typed
from nightbay.readers import mesh
from nightbay.readers.block import MOST
from nightbay.tracking import slips
from nightbay.tracking.sentences import slip_sentence
from nightbay.tracking.slips import Track

SAMPLE = 1_000_000  # points from which extents are found
# Tiles, and points in each, in which the distance to the nearest neighbour is measured. The median of 36,000 distances
# has a standard error of about half a per cent, and a tile for every 4 % of the segment covers near and far.
NEIGHBOUR_TILES, NEIGHBOUR_POINTS = 24, 1500


@dataclass(frozen=True)
class SortedPoints:
    """All points of an export in a working cloud.

    ``first`` (n,) int64: for every point the row of the first point with exactly its coordinates; ``keep`` (n,) bool:
    points that are the first with theirs.
    """

    cloud: CloudFile
    first: np.ndarray
    keep: np.ndarray

    def xyz_mm(self) -> np.ndarray:
        """Coordinates of all points about the cloud's origin, (n, 3) float32."""
        return np.concatenate([block.xyz_mm for block in self.cloud.blocks()])


@dataclass(frozen=True)
class PointNormals:
    """Normals of the points that are kept, (n, 3) float32 unit, and their ``source``.

    ``filled``: number of points that took their neighbour's normal; ``certainty``: 0..1, how clear the outer side of
    estimated normals is, None for measured ones.
    """

    normal: np.ndarray
    source: Literal["measured", "estimated"]
    filled: int = 0
    certainty: float | None = None


def intake(
    upstream: Mapping[str, Any], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Read the raw file that ``sheet`` names and leave it as a working cloud in ``folder``.

    Returns an :class:`~nightbay.intake.result.IntakeResult` as plain data, with notes. Raises :class:`Rejected` for a
    file that can't be read whole or that changed after it was planned; for coordinates that are not finite or come in
    steps too coarse for the model; for fewer points than needed, points in one spot or points that show no surface; and
    for a size that does not fit the vehicle class in the declared units. ``threads`` is not used: the work is one pass
    over the file.
    """
    if sheet["unreadable"]:
        raise Rejected(sheet["unreadable"])
    name = sheet["file"]
    with unchanged.while_read(Path(name), sheet):
        raw = raw_store.read(Path(name), name, sheet["columns"], sheet["units"], folder)
    return working_cloud(raw, sheet, settings, folder)


def working_cloud(raw: raw_store.RawStore, sheet: Mapping[str, Any], settings: Any, folder: Path) -> dict[str, Any]:
    """Check the points that were read of an export, all or a sample, and leave them as a working cloud in ``folder``.

    Returns and raises as :func:`intake` does; the files of ``raw`` are removed.
    """
    name = sheet["file"]
    span_mm, step_mm = _check(raw, sheet, settings)
    track = _track(raw, step_mm, settings)
    # Whole millimetres, so that adding the origin back costs no digits.
    origin_mm = np.round(np.median(raw.sample(SAMPLE), axis=0))
    scratch = folder / "sorted.part"
    sorted_cloud = cloud.write(scratch, raw.blocks(origin_mm, track), origin_mm, settings.intake.tile_mm)
    raw.remove()
    first = duplicate_points.first_of_each(sorted_cloud)
    points = SortedPoints(sorted_cloud, first, first == np.arange(len(first)))
    neighbour_distance_mm = _neighbour_distance(points)
    normal = _normals(points, sheet, settings, neighbour_distance_mm)
    final = _write(points, normal, scratch, folder)
    del points, sorted_cloud
    shutil.rmtree(scratch)
    print(
        f"{name}: {final.count} points, {span_mm:.0f} mm long, {neighbour_distance_mm:.2f} mm to the nearest neighbour,"
        f" normals {normal.source}"
    )
    result = IntakeResult(
        **{key: sheet[key] for key in ("file", "sha256", "bytes", "units")},
        count=final.count,
        low_mm=final.tiles["low_mm"].min(axis=0).astype(np.float64) + origin_mm,
        high_mm=final.tiles["high_mm"].max(axis=0).astype(np.float64) + origin_mm,
        origin_mm=origin_mm,
        span_mm=span_mm,
        neighbour_distance_mm=neighbour_distance_mm,
        step_mm=step_mm,
        step_outweighs_noise=precision.outweighs(step_mm, settings.scan.noise_mm),
        normals=normal.source,
        normals_filled=normal.filled,
        normals_certainty=normal.certainty,
        colour="colour" in final.attributes,
        dropped=Dropped(raw.invalid, raw.count - final.count),
        tracking=track.tracking,
    )
    return typed.write(result) | {"notes": _notes(result, raw.partly, settings.scan.noise_mm)}


def _track(raw: raw_store.RawStore, step_mm: float, settings: Any) -> Track:
    """Whether the run kept its track; rounding to steps of ``step_mm`` adds to the noise."""
    normal = raw.if_whole("normal")
    if normal is not None:
        some = normal[:: max(1, raw.count // SAMPLE)]
        if np.mean(~np.any(some != 0, axis=1)) > settings.intake.most_without_normal:
            normal = None
    noise_mm = float(np.hypot(settings.scan.noise_mm, precision.rounding_sd(step_mm)))
    drift_mm_per_m = settings.scan.target_drift_mm_per_m
    move = settings.intake.split_slips == "move"
    return slips.find(raw.column("xyz"), normal, raw.if_whole("time"), noise_mm, drift_mm_per_m, move)


def _check(raw: raw_store.RawStore, sheet: Mapping[str, Any], settings: Any) -> tuple[float, float]:
    """Refuse what can't be a scan of this vehicle; returns the segment's span and the step of its coordinates, mm."""
    name, limits, noise_mm = sheet["file"], settings.intake, settings.scan.noise_mm
    if raw.count < limits.fewest_points:
        raise Rejected(
            f"{name} holds {raw.count} points; at least {limits.fewest_points} are needed (parameter "
            "intake.fewest_points): export the whole segment."
        )
    sample = raw.sample(SAMPLE)
    span_mm = plausibility.span(sample)
    if span_mm < noise_mm:
        position = ", ".join(f"{value:.6g}" for value in np.median(sample, axis=0))
        raise Rejected(
            f"{name}: all {raw.count} points lie in one spot at ({position}) mm, {span_mm:.2g} mm across: export it "
            "again."
        )
    plausible = plausibility.limits(sheet["extent_mm"], limits.least_share, limits.surroundings_mm)
    plausibility.check_units(span_mm, plausible, sheet)
    step_mm = max(raw.step_mm, precision.step_mm(sample))
    precision.check(name, step_mm, sample, limits.largest_step_mm)
    plausibility.check_surface(sample, np.hypot(noise_mm, precision.rounding_sd(step_mm)), name)
    middle = np.median(sample, axis=0)
    far_mm = np.maximum(middle - raw.low_mm, raw.high_mm - middle).max()
    if far_mm > limits.farthest_mm:
        raise Rejected(
            f"{name}: a point lies {far_mm:.0f} mm from the middle of the others; at most {limits.farthest_mm:.0f} "
            "mm are allowed (parameter intake.farthest_mm): remove what is not the vehicle, or export it again."
        )
    return span_mm, step_mm


def _normals(
    points: SortedPoints, sheet: Mapping[str, Any], settings: Any, neighbour_distance_mm: float
) -> PointNormals:
    """The :class:`PointNormals` of a cloud: from its file where nearly all points have one, else estimated."""
    own, keep = settings.intake, points.keep
    if "normal" in points.cloud.attributes:
        normal = _summed(points)[keep]
        missing = ~np.any(normal != 0, axis=1)
        if np.count_nonzero(missing) <= own.most_without_normal * len(normal):
            if missing.any():
                normal[missing] = _of_nearest(points.xyz_mm()[keep], normal, missing)
            return PointNormals(normal, "measured", int(missing.sum()))
    cell_mm = max(own.normal_cell_mm, own.normal_cell_spacings * neighbour_distance_mm)
    node_mm = max(own.normal_node_cells * cell_mm, own.normal_node_mm)
    estimate = normals.estimate(
        points.xyz_mm()[keep], cell_mm, node_mm, settings.scan.standoff_mm, sheet["part"] == "interior"
    )
    return PointNormals(estimate.normal, "estimated", certainty=estimate.certainty)


def _summed(points: SortedPoints) -> np.ndarray:
    """Normals, (n, 3) float32; the first of several equal points has the unit sum of their normals."""
    normal = np.concatenate([block.normal for block in points.cloud.blocks() if block.normal is not None])
    duplicate = np.flatnonzero(~points.keep)
    if len(duplicate):
        np.add.at(normal, points.first[duplicate], normal[duplicate])
        summed = np.unique(points.first[duplicate])
        normal[summed] = mesh.unit(normal[summed])
    return normal


def _of_nearest(xyz_mm: np.ndarray, normal: np.ndarray, missing: np.ndarray) -> np.ndarray:
    """Normals for the ``missing`` points: that of the nearest among (at most) a million that have one."""
    present = np.flatnonzero(~missing)
    present = present[:: max(1, -(-len(present) // SAMPLE))]
    _, nearest = cKDTree(xyz_mm[present]).query(xyz_mm[missing])
    return normal[present[nearest]]


def _write(points: SortedPoints, normal: PointNormals, scratch: Path, folder: Path) -> CloudFile:
    """The working cloud in ``folder``; the sorted one in ``scratch`` is moved there where nothing changed in it."""
    keep = points.keep
    if keep.all() and normal.source == "measured" and not normal.filled:
        for part in scratch.iterdir():
            os.replace(part, folder / part.name)
        return CloudFile(folder)
    sorted_cloud = points.cloud
    blocks = _with_normals(sorted_cloud, keep, normal.normal)
    return cloud.write(folder, blocks, sorted_cloud.origin_mm, sorted_cloud.tile_mm)


def _with_normals(sorted_cloud: CloudFile, keep: np.ndarray, normal: np.ndarray) -> Iterator[Cloud]:
    """Yield the points that are kept, with their normals."""
    at = 0
    for start in range(0, len(sorted_cloud), MOST):
        block = sorted_cloud.block(start, min(start + MOST, len(sorted_cloud)))[keep[start : start + MOST]]
        yield Cloud(block.xyz_mm, normal[at : at + len(block)], block.colour)
        at += len(block)


def _neighbour_distance(points: SortedPoints) -> float:
    """Median distance of a point to its nearest neighbour, mm, in tiles spread over the cloud."""
    tiles, keep = points.cloud.tiles, points.keep
    distances = []
    for tile in tiles[:: max(1, len(tiles) // NEIGHBOUR_TILES)]:
        rows = slice(tile["start"], tile["start"] + tile["count"])
        xyz = points.cloud.block(rows.start, rows.stop).xyz_mm[keep[rows]]
        if len(xyz) > 1:
            queried = xyz[:: max(1, len(xyz) // NEIGHBOUR_POINTS)]
            distances.append(cKDTree(xyz).query(queried, 2)[0][:, 1])
    return float(np.median(np.concatenate(distances)))


def _notes(result: IntakeResult, partly: tuple[str, ...], noise_mm: float) -> list[str]:
    """Sentences for the report on what was left out, filled in, estimated or rounded."""
    notes = []
    if result.step_mm > noise_mm:
        notes.append(
            f"{result.file}: its coordinates come in steps of {result.step_mm:.2g} mm, more than the noise of "
            f"{noise_mm:.2g} mm; export it centred on the vehicle, in double precision or with more digits."
        )
    if result.dropped.invalid:
        notes.append(f"{result.file}: {result.dropped.invalid} points that the file marks as invalid were left out.")
    for column in partly:
        notes.append(f"{result.file}: only some of its scans have {column}s; none of them was used.")
    notes += [slip_sentence(result.file, slip) for slip in result.tracking.slips]
    if result.normals_filled:
        notes.append(
            f"{result.file}: {result.normals_filled} points had no normal; each took that of its nearest neighbour."
        )
    if result.normals_certainty is not None:
        notes.append(
            f"{result.file} has no normals: they were estimated from the points. Their outer side is known with a "
            f"certainty of {result.normals_certainty:.2f} (1 is certain, 0 is open)."
        )
    if Path(result.file).suffix.lower() == ".e57" and result.units != "m":
        notes.append(f"{result.file}: E57 is in metres by its standard, but was read in {result.units} as declared.")
    return notes

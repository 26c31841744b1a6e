"""Checks whether each list of targets belongs to the segment that it is given with.

A target sticks to a surface, and the run that recorded it has scanned the surface around it, in the same frame. Most
of a list therefore lies on its own segment's surface, or in the small round hole that a target leaves in it. Targets on
surfaces that dropped out (glass, dark trim) or were cropped from the export do not. Almost no target of another run's
list does.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np
from scipy.spatial import cKDTree

from nightbay.clouds.cloud import CloudFile
from nightbay.core.units import MM
from nightbay.matching.target_list import TargetList

SAMPLE = 300_000  # points of a segment: 10 mm apart on the 28 m2 of a whole car
NEIGHBOURS = 8  # points about a target: the ring around its hole
REACH_MM = 50.0  # four times the widest usual target, 12 mm (common practice, no source): holes are narrower
THICK_MM = 1.0  # of a target: film has 0.1 to 0.3 mm, magnetic film up to 0.9 (common practice, no source)
RADIUS_MM = 100.0  # of the sharpest curve that targets are stuck to (common practice, no source)
NOISE_SDS = 4  # allowed height in standard deviations of the noise: exceeded once in 16 000
FEWEST = 3  # points of a plane, and targets of a pose
JUDGED = 4  # of a list: shorter ones make no network and are refused for that
AXES = [np.eye(3)[list(order)] * signs for order in permutations(range(3)) for signs in product((1, -1), repeat=3)]


@dataclass(frozen=True)
class Surface:
    """Points of a segment: ``tree`` over (n, 3) mm in the segment frame, ``normal`` (n, 3) unit; ``file``: its name."""

    file: str
    tree: cKDTree
    normal: np.ndarray


def surface(cloud: CloudFile, file: str) -> Surface:
    """The :class:`Surface` of a working cloud."""
    sample = cloud.sample(SAMPLE)
    if sample.normal is None:
        raise ValueError(f"the working cloud of {file} has no normals")
    return Surface(file, cKDTree(sample.xyz_mm.astype(np.float64) + cloud.origin_mm), sample.normal.astype(np.float64))


def lying_on(xyz_mm: np.ndarray, surface: Surface, noise_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Which targets (n, 3) mm, in the segment frame, lie on its surface, (n,) bool, and its normal there, (n, 3).

    A target lies on it when its height over the points about it is no more than its own thickness, four standard
    deviations of ``noise_mm`` and the sagitta of a curved surface over their distance.
    """
    distance, near = surface.tree.query(xyz_mm, k=NEIGHBOURS, distance_upper_bound=REACH_MM)
    there = np.isfinite(distance)
    on, facing = there.sum(axis=1) >= FEWEST, np.zeros_like(xyz_mm)
    for row in np.flatnonzero(on):
        points, normal = surface.tree.data[near[row, there[row]]], surface.normal[near[row, there[row]]]
        height_mm = abs(np.median(np.sum(normal * (xyz_mm[row] - points), axis=1)))
        sagitta_mm = np.median(distance[row, there[row]]) ** 2 / (2 * RADIUS_MM)
        on[row] = height_mm <= THICK_MM + NOISE_SDS * noise_mm + sagitta_mm
        facing[row] = normal.mean(axis=0)
    return on, facing


def share(xyz_mm: np.ndarray, surface: Surface, noise_mm: float) -> tuple[float, int]:
    """Share of a list that lies on a surface, 0 to 1, and the number of targets that do.

    Two segments may have a plane in common by their frames alone: the floor, or a flat side. The share is therefore no
    higher than that of the targets outside the plane that holds most.
    """
    on, normal = lying_on(xyz_mm, surface, noise_mm)
    if on.sum() < FEWEST:
        return 0.0, int(on.sum())
    away_mm = np.abs(np.einsum("ij,kij->ki", normal[on], xyz_mm[:, None] - xyz_mm[on][None]))
    in_plane = away_mm <= 2 * (THICK_MM + NOISE_SDS * noise_mm)
    outside = ~in_plane[:, int(np.argmax(in_plane.sum(axis=0)))]
    of_all = float(on.mean())
    return (min(of_all, float(on[outside].mean())) if outside.sum() >= JUDGED else of_all), int(on.sum())


def faults(
    lists: Sequence[TargetList], surfaces: Mapping[str, Surface], noise_mm: float, least: float
) -> dict[str, str]:
    """A sentence for each list that does not belong to its segment, {segment: sentence}.

    ``lists`` have the names of their segments and lie in the segment frame; ``surfaces`` {segment: surface};
    ``least``: share of a list that has to lie on its surface.
    """
    return {
        target_list.name: _sentence(target_list, surfaces, noise_mm, least)
        for target_list in lists
        if len(target_list) >= JUDGED and share(target_list.xyz_mm, surfaces[target_list.name], noise_mm)[0] < least
    }


def _sentence(target_list: TargetList, surfaces: Mapping[str, Surface], noise_mm: float, least: float) -> str:
    name, own = target_list.name, surfaces[target_list.name]
    _, count = share(target_list.xyz_mm, own, noise_mm)
    return (
        f"{target_list.file} does not belong to {own.file}: {count} of its {len(target_list)} targets lie on the "
        f"surface of segment {name}, {least:.0%} are needed (parameter network.on_surface_least); "
        f"{_cure(target_list, surfaces, noise_mm, least)}."
    )


def _cure(target_list: TargetList, surfaces: Mapping[str, Surface], noise_mm: float, least: float) -> str:
    """What the list fits instead, and what to do."""
    name = target_list.name
    found = {other: share(target_list.xyz_mm, surfaces[other], noise_mm) for other in sorted(surfaces) if other != name}
    best = max(found, key=lambda other: found[other], default=None)
    if best is not None and found[best][0] >= least:
        return (
            f"{found[best][1]} lie on {surfaces[best].file}, so give each list to the segment that it was recorded with"
        )
    for factor in sorted({a / b for a in MM.values() for b in MM.values()} - {1.0}):
        if share(target_list.xyz_mm * factor, surfaces[name], noise_mm)[0] >= least:
            return (
                f"they do when multiplied by {factor:g}, so correct the units of the list or of the points in the job "
                "sheet"
            )
    for axes in AXES:
        if share(target_list.xyz_mm @ axes.T, surfaces[name], noise_mm)[0] >= least:
            words = ", ".join(f"{'-' if row.sum() < 0 else ''}{'xyz'[int(np.abs(row).argmax())]}" for row in axes)
            return f"they do when read as ({words}), so export both with the same axes"
    return (
        "they lie on no other segment, so export the points and the targets of one run in one frame, or set that "
        "parameter to 0 where targets stand beside the vehicle and were cropped from the export"
    )

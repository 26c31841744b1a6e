"""What the stages before left of both parts, as the join takes it: skins, shared targets, named points, frames."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.clean.result import CleanResult
from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid, target_noise
from nightbay.frame.result import FrameResult
from nightbay.join.registration import Evidence, NamedPairs
from nightbay.join.skin import Skin
from nightbay.matching import targets
from nightbay.matching.target_list import SURVEY, TargetList
from nightbay.measure.result import MeasureResult
from nightbay.network.result import NetworkResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.refine.result import RefineResult

PARTS = ("exterior", "interior")


@dataclass(frozen=True)
class Part:
    """A part with the results of the stages that the join reads; ``cleaned``: its segments that refine placed;
    ``fill``: where its surface lies; ``measure``: its sizes."""

    name: str
    cleaned: list[Upstream]
    refined: Upstream
    network: NetworkResult
    refine: RefineResult
    frame: FrameResult
    fill: Upstream
    measure: MeasureResult

    @property
    def has_network(self) -> bool:
        """Whether targets tie its segments."""
        return self.network.poses is not None


def parts_of(upstream: Mapping[str, Sequence[Upstream]]) -> tuple[Part, Part]:
    """Exterior and interior."""

    def part(name: str) -> Part:
        left = {stage: [each for each in results if each.part == name] for stage, results in upstream.items()}
        return Part(
            name,
            normal_orientation.placed(left["clean"], left["refine"][0]),
            left["refine"][0],
            typed.read(NetworkResult, left["network"][0].result),
            typed.read(RefineResult, left["refine"][0].result),
            typed.read(FrameResult, left["frame"][0].result),
            left["fill"][0],
            typed.read(MeasureResult, left["measure"][0].result),
        )

    return part("exterior"), part("interior")


def skin(part: Part, settings: Any) -> Skin:
    """The part's surface in its own vehicle frame."""
    T = part.frame.T_vehicle_control
    clouds = PosedClouds(normal_orientation.open_posed(segment, part.refined, T) for segment in part.cleaned)
    sparse = max(typed.read(CleanResult, segment.result).spacing_mm for segment in part.cleaned)
    spacing = max(settings.join.spacing_mm, sparse)
    points, normals, _ = clouds.thinned(spacing)
    drift = settings.scan.target_drift_mm_per_m if part.has_network else settings.join.untargeted_drift_mm_per_m
    return Skin(points, normals, spacing, settings.scan.noise_mm, drift, settings.join.drift_length_mm)


def evidence(exterior: Part, interior: Part, sheet: Mapping[str, Any], scan: Any) -> Evidence:
    """What may tie the parts together. Raises Rejected for a list of targets that can't be read."""
    lists = [shared_list(part, sheet["targets"][part.name], scan) for part in (exterior, interior)]
    both = (lists[0], lists[1]) if lists[0] is not None and lists[1] is not None else None
    named = sheet["point_pairs_mm"]
    pairs = None
    if named:
        pairs = NamedPairs(
            [pair["name"] for pair in named],
            np.array([pair["exterior"] for pair in named], dtype=np.float64),
            np.array([pair["interior"] for pair in named], dtype=np.float64),
        )
    return Evidence(both, pairs, headings(exterior.frame, interior.frame))


def headings(exterior: FrameResult, interior: FrameResult) -> tuple[int, ...] | None:
    """Turns about Z, degrees, between two vehicle frames; None where either lacks its floor or plane of symmetry."""
    if not all(frame.zero_planes[axis].found for frame in (exterior, interior) for axis in "yz"):
        return None
    return (0,) if all(knows_front(frame) for frame in (exterior, interior)) else (0, 180)


def knows_front(frame: FrameResult) -> bool:
    """Whether more than the shape shows which end of a part is its front."""
    return frame.heading.found_by != "kept" and not frame.heading.assumed


def shared_list(part: Part, raw: Mapping[str, Any], scan: Any) -> TargetList | None:
    """The targets of a part that its segments saw, in its vehicle frame; None without any.

    Those of the adjusted network, and those of the lists that take no part in one, by the final pose of their segment.
    """
    made: list[TargetList | None] = []
    network = part.network
    if network.poses is not None:
        # the survey may serve both parts; only what a segment saw again shows where that part lies
        seen = [target for target in network.targets if not target.disputed and set(target.seen_by) - {SURVEY}]
        surveyed = [target for target in network.targets if not target.disputed]
        made.append(_of_network(part, surveyed if part.name == PARTS[0] else seen))
    for name, file in sorted(raw.items()):
        if file and name in part.refine.poses and (network.poses is None or name not in network.poses):
            made.append(_of_segment(part, name, file, scan))
    lists = [listed for listed in made if listed is not None and len(listed)]
    if not lists:
        return None
    return lists[0] if len(lists) == 1 else _joined(lists)


def _of_network(part: Part, seen: Sequence[Any]) -> TargetList | None:
    if not seen:
        return None
    T = part.frame.T_vehicle_control
    at = rigid.transform(T, np.array([target.xyz_mm for target in seen]))
    covariance = T[:3, :3] @ np.array([target.covariance_mm2 for target in seen]) @ T[:3, :3].T
    ids = [target.id or "" for target in seen]
    return TargetList(part.name, "network", at, covariance, None, ids if any(ids) else None)


def _of_segment(part: Part, name: str, raw: Mapping[str, Any], scan: Any) -> TargetList:
    listed = targets.read(raw)
    T = part.frame.T_vehicle_control @ part.refine.poses[name].T_control_segment
    at = rigid.transform(T, listed.xyz_mm * part.refine.scale.factor)
    covariance = target_noise.covariance(listed.xyz_mm, scan.target_noise_mm, scan.target_drift_mm_per_m)
    return TargetList(name, raw["file"], at, covariance, None, listed.id)


def _joined(lists: Sequence[TargetList]) -> TargetList:
    """Lists of one part as one; ids are kept where all lists have them."""
    ids = [label for listed in lists for label in listed.id or []] if all(listed.id for listed in lists) else None
    return TargetList(
        lists[0].name,
        ", ".join(listed.file for listed in lists),
        np.concatenate([listed.xyz_mm for listed in lists]),
        np.concatenate([listed.covariance_mm2 for listed in lists]),
        None,
        ids,
    )

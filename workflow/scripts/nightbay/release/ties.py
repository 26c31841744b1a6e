"""Whether the targets that a segment shares with others hold it, and whether anything moved between two runs."""

from collections.abc import Iterable

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.text_format import plural
from nightbay.network.result import MovedGroup, NetworkResult, SegmentPose
from nightbay.pipeline.stage import Upstream
from nightbay.release.result import Action, SegmentTargets

WORDS = ((("rear", "front")), (("right", "left")), (("top", "bottom")))  # of an axis of the design grid, +, -


def segment_targets(
    network: NetworkResult, clean: Iterable[Upstream], noise_mm: float, drift_mm_per_m: float
) -> list[SegmentTargets]:
    """What holds each segment that has a list of targets. Noise and drift as ``scan`` declares them."""
    rows = []
    for record in clean:
        pose = (network.poses or {}).get(record.segment or "")
        if pose is None or pose.matched_by == "holds the frame":
            continue
        place = _places(record, pose)
        sd = rigid.displacement_sd_mm(pose.covariance, place)
        far = int(np.argmax(sd))
        reach_m = float(np.linalg.norm(place[far] - _middle(network, str(record.segment)))) / 1000
        allowed = float(np.hypot(noise_mm, drift_mm_per_m * reach_m))
        rows.append(SegmentTargets(str(record.segment), pose.common, pose.listed, float(sd[far]), allowed))
    return rows


def weak(
    part: str,
    rows: Iterable[SegmentTargets],
    network: NetworkResult,
    clean: Iterable[Upstream],
    T_vehicle_control: np.ndarray | None,
) -> list[Action]:
    """An action for each segment whose far end its targets do not hold.

    They hold it where the pose adds less to the error there than the measurement itself has. ``T_vehicle_control``:
    (4, 4) into the design grid, None where it is not known.
    """
    records = {str(record.segment): record for record in clean}
    actions = []
    for row in rows:
        if row.far_end_sd_mm <= row.allowed_mm:
            continue
        pose = (network.poses or {})[row.segment]
        place = _places(records[row.segment], pose)
        far = place[int(np.argmax(rigid.displacement_sd_mm(pose.covariance, place)))]
        middle = _middle(network, row.segment)
        side, away = "in one place", "away from those"
        if T_vehicle_control is not None:
            towards = rigid.rotate(T_vehicle_control, (far - middle)[None])[0]
            axis = int(np.argmax(np.abs(towards)))
            plus, minus = WORDS[axis]
            away = (
                f"at its {plus if towards[axis] > 0 else minus} end"
                if axis == 0
                else (f"towards the {plus if towards[axis] > 0 else minus}")
            )
            side = f"towards the {minus if towards[axis] > 0 else plus}"
        actions.append(
            Action(
                "registration",
                part,
                row.segment,
                None,
                f"Segment {row.segment} shares {plural(row.common, '{count} target', '{count} targets')} with the others, all {side}: its far end "
                f"is known to {row.far_end_sd_mm:.2f} mm only, and the scan itself to {row.allowed_mm:.2f} mm. Add two "
                f"targets or more {away}, survey them, and scan the segment again.",
            )
        )
    return actions


def moved(part: str, groups: Iterable[MovedGroup]) -> list[Action]:
    """An action for each segment in which a group of targets moved against the others."""
    return [
        Action(
            "moved",
            part,
            group.segment,
            None,
            f"Between the survey and segment {group.segment} the body and {plural(len(group.targets), '{count} other target', '{count} other targets')} "
            f"moved against each other by {group.body.size_mm:.1f} mm and {group.body.angle_deg:.2f} degrees: somebody "
            "sat in it, stepped on it or moved a part. Let it stand untouched and scan the segment again.",
        )
        for group in groups
    ]


def _places(record: Upstream, pose: SegmentPose) -> np.ndarray:
    """Middles of the tiles of a cleaned segment in the control frame, (k, 3) mm."""
    cloud = CloudFile(record.folder)
    middles = (cloud.tiles["low_mm"].astype(float) + cloud.tiles["high_mm"]) / 2 + cloud.origin_mm
    return rigid.transform(pose.T_control_segment, middles)


def _middle(network: NetworkResult, segment: str) -> np.ndarray:
    """Middle of the targets that a segment shares with others, (3,) in the control frame."""
    shared = [target.xyz_mm for target in network.targets if segment in target.seen_by and len(target.seen_by) > 1]
    return np.mean(shared, axis=0) if shared else np.zeros(3)

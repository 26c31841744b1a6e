"""Whether the targets that a segment shares with others hold it, and whether anything moved between two runs."""

from collections.abc import Iterable
from functools import partial

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.language import phrase, say
from nightbay.core.text_format import number, plural
from nightbay.network.result import MovedGroup, NetworkResult, SegmentPose
from nightbay.pipeline.stage import Upstream
from nightbay.release.findings import Finding
from nightbay.release.result import SegmentTargets

# Directions along the axes of the design grid: the axis and whether with it, in words; and an end to put targets at.
TOWARDS = {
    (0, True): phrase("towards the rear"),
    (0, False): phrase("towards the front"),
    (1, True): phrase("towards the right"),
    (1, False): phrase("towards the left"),
    (2, True): phrase("towards the top"),
    (2, False): phrase("towards the bottom"),
}
AT_END = TOWARDS | {(0, True): phrase("at its rear end"), (0, False): phrase("at its front end")}


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
) -> list[Finding]:
    """A finding for each segment whose far end its targets do not hold.

    They hold it where the pose adds less to the error there than the measurement itself has. ``T_vehicle_control``:
    (4, 4) into the design grid, None where it is not known.
    """
    records = {str(record.segment): record for record in clean}
    findings = []
    for row in rows:
        if row.far_end_sd_mm <= row.allowed_mm:
            continue
        direction = None
        if T_vehicle_control is not None:
            pose = (network.poses or {})[row.segment]
            place = _places(records[row.segment], pose)
            far = place[int(np.argmax(rigid.displacement_sd_mm(pose.covariance, place)))]
            off = rigid.rotate(T_vehicle_control, (far - _middle(network, row.segment))[None])[0]
            axis = int(np.argmax(np.abs(off)))
            direction = axis, bool(off[axis] > 0)
        findings.append(Finding("registration", part, row.segment, None, partial(_weak, row, direction)))
    return findings


def _weak(row: SegmentTargets, direction: tuple[int, bool] | None) -> str:
    """``direction`` of the far end: an axis of the design grid, and whether with it."""
    if direction is None:
        side, away = say("in one place"), say("away from those")
    else:
        side, away = say(TOWARDS[direction[0], not direction[1]]), say(AT_END[direction])
    return say(
        "Segment {segment} shares {targets} with the others, all {side}: its far end is known to {far_end} mm only, "
        "and the scan itself to {allowed} mm. Add two targets or more {away}, survey them, and scan the segment again.",
        segment=row.segment,
        targets=plural(row.common, "{count} target", "{count} targets"),
        side=side,
        far_end=number(row.far_end_sd_mm, 2),
        allowed=number(row.allowed_mm, 2),
        away=away,
    )


def moved(part: str, groups: Iterable[MovedGroup]) -> list[Finding]:
    """A finding for each segment in which a group of targets moved against the others."""
    return [Finding("moved", part, group.segment, None, partial(_moved, group)) for group in groups]


def _moved(group: MovedGroup) -> str:
    return say(
        "Between the survey and segment {segment} the body and {targets} moved against each other by {distance} mm "
        "and {angle} degrees: somebody sat in it, stepped on it or moved a part. Let it stand untouched and scan the "
        "segment again.",
        segment=group.segment,
        targets=plural(len(group.targets), "{count} other target", "{count} other targets"),
        distance=number(group.body.size_mm, 1),
        angle=number(group.body.angle_deg, 2),
    )


def _places(record: Upstream, pose: SegmentPose) -> np.ndarray:
    """Middles of the tiles of a cleaned segment in the control frame, (k, 3) mm."""
    cloud = CloudFile(record.folder)
    middles = (cloud.tiles["low_mm"].astype(float) + cloud.tiles["high_mm"]) / 2 + cloud.origin_mm
    return rigid.transform(pose.T_control_segment, middles)


def _middle(network: NetworkResult, segment: str) -> np.ndarray:
    """Middle of the targets that a segment shares with others, (3,) in the control frame."""
    shared = [target.xyz_mm for target in network.targets if segment in target.seen_by and len(target.seen_by) > 1]
    return np.mean(shared, axis=0) if shared else np.zeros(3)

"""Closed loops of eight segments around a room: what the joint fit gains on a chain of pairs.

Each segment looks an eighth of a turn further than the one before and overlaps its two neighbours. The chain goes from
the first to the eighth by seven poses that the stage finds for two segments at a time; the joint poses come from one
run of the stage on all eight. Both are compared with the truth at the middle of each segment.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

import pair_registration
import pair_scans
import pair_shapes
from nightbay.core import rigid

SEGMENTS = 8
SIZE_MM = (3000.0, 6000.0)
POINTS = 15_000  # of a segment, about
HALF_DEG = 42.0  # neighbours 45 degrees apart share nearly half of what they see


@dataclass(frozen=True)
class Loop:
    """Root mean square errors, mm, at the segments' middles, of the joint poses and of the chain's, and how far the
    chain misses its start when the eighth pair closes it. None where the stage refused; ``reason``: why."""

    joint_mm: float | None
    chain_mm: float | None
    closure_mm: float | None
    reason: str
    seconds: float


def scans(seed, number):
    """The segments of a loop, and their noise, mm."""
    rng = np.random.default_rng([seed, 1000 + number])
    shape = pair_shapes.centred(pair_shapes.room_of_objects(rng))
    size_mm = rng.uniform(*SIZE_MM)
    caster = pair_scans.Caster(shape.vertices * size_mm / shape.length, shape.faces)
    noise_mm, start = rng.uniform(0.05, 0.3), rng.uniform(0, 2 * np.pi)
    probes, normal = caster.sample(4000, rng)
    walks = []
    for k in range(SEGMENTS):
        turn = Rotation.from_euler("z", start + 2 * np.pi * k / SEGMENTS)
        level = turn.apply([[1, 0, -0.35], [1, 0, 0.0], [1, 0, 0.35]])
        at = rng.uniform(-0.03, 0.03, (3, 3)) * size_mm
        walks.append(pair_scans.Walk(at, at + level, HALF_DEG))
    share = np.mean([np.mean(caster.seen(walk, probes, normal) >= 0) for walk in walks])
    count = int(POINTS / share)
    spacing_mm = float(np.sqrt(caster.area.sum() / count))
    names = "abcdefgh"
    found = [
        pair_scans.scan(name, walk, caster, count, noise_mm, spacing_mm, (True, True), rng)
        for name, walk in zip(names, walks, strict=True)
    ]
    return found, noise_mm


def measure(job):
    """The :class:`Loop` of (seed, number)."""
    segments, noise_mm = scans(*job)
    joint = pair_registration.together(segments, noise_mm, True)
    seconds, reason = joint.seconds, joint.reason
    joint_mm = rms_mm(segments, [joint.poses[scan.name][0] for scan in segments]) if joint.poses else None
    chain, poses = np.eye(4), [np.eye(4)]
    for first, second in zip(segments, [*segments[1:], segments[0]], strict=True):
        ordered = sorted((first, second), key=lambda scan: scan.name)
        outcome = pair_registration.together(ordered, noise_mm, True)
        seconds += outcome.seconds
        if not outcome.poses:
            return Loop(joint_mm, None, None, reason or outcome.reason, seconds)
        T = outcome.poses[ordered[1].name][0]
        chain = chain @ (T if ordered[0] is first else rigid.invert(T))
        poses.append(chain)
    middle = rigid.transform(rigid.invert(segments[0].T_control_segment), segments[0].true.mean(axis=0)[None])
    closure_mm = float(np.linalg.norm(rigid.transform(chain, middle) - middle))
    return Loop(joint_mm, rms_mm(segments, poses[:-1]), closure_mm, reason, seconds)


def rms_mm(segments, poses):
    """Root mean square error, mm, of poses in the frame of the first segment, at the middles of the others."""
    to_first, off = rigid.invert(segments[0].T_control_segment), []
    for scan, T in zip(segments[1:], poses[1:], strict=True):
        middle = rigid.transform(rigid.invert(scan.T_control_segment), scan.true.mean(axis=0)[None])
        true = rigid.transform(to_first @ scan.T_control_segment, middle)
        off.append(np.linalg.norm(rigid.transform(T, middle) - true))
    return float(np.sqrt(np.mean(np.square(off))))

"""Closed loops of eight segments around a room: what the joint fit gains on chains of pairs.

Each segment looks an eighth of a turn further than the one before and overlaps its two neighbours. One run of the stage
on all eight gives the joint poses, and the pairs along which it placed the segments give two chains: of the poses that
the run started its joint fit from, and of these after a fit of each pair for itself, as seven registrations in a row
would leave them. All are compared with the truth at the middle of each segment.
"""

import contextlib
import io
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from scipy.spatial.transform import Rotation

import pair_registration
import pair_scans
import pair_shapes
import pair_truth
from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.refine import part, surface_registration

SEGMENTS = 8
SIZE_MM = (3000.0, 6000.0)
POINTS = 15_000  # of a segment, about
HALF_DEG = 42.0  # neighbours 45 degrees apart share nearly half of what they see


@dataclass(frozen=True)
class Loop:
    """Root mean square errors, mm, at the segments' middles: of the joint poses, of the poses that the joint fit
    started from, and of the chain of pairs that were each fitted for itself; None where the stage refused, and
    ``reason`` why. ``joined``: how many pairs were found by sets of segments; ``wrong``: whether a joint pose is."""

    state: str
    joint_mm: float | None
    start_mm: float | None
    chain_mm: float | None
    joined: int
    wrong: bool
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
    if not joint.poses:
        return Loop(joint.state, None, None, None, 0, False, joint.reason, joint.seconds)
    links = tree(joint.result)
    fitted = fitted_alone(segments, noise_mm, links)
    errors = (rms_mm(segments, poses) for poses in (posed(joint.poses), along(links), along(fitted)))
    joined = sum(len(own) > 1 for record in joint.result["coarse_registration"] for own in record["sets"][:1])
    return Loop("accepted", *errors, joined, wrong(segments, joint.poses), "", joint.seconds)


def posed(poses):
    """{segment: pose} without covariances."""
    return {name: T for name, (T, _) in poses.items()}


def tree(result):
    """The pairs along which a result of the stage placed its segments: {segment: ((a, b), T_a_b that was found)}."""
    found = {tuple(record["segments"]): record["alternatives"] for record in result["coarse_registration"]}
    return {
        placed["segment"]: (tuple(placed["pair"]), np.array(found[tuple(placed["pair"])][0]["T_a_b"]))
        for placed in result["by_surfaces"]
    }


def along(links):
    """Poses {segment: in the frame of the first} along the pairs of :func:`tree`."""
    first = min(name for pair, _ in links.values() for name in pair)
    poses, left = {first: np.eye(4)}, dict(links)
    while left:
        name = next(name for name, (pair, _) in left.items() if set(pair) - {name} <= set(poses))
        (a, b), T_a_b = left.pop(name)
        poses[name] = poses[a] @ T_a_b if name == b else poses[b] @ rigid.invert(T_a_b)
    return poses


def fitted_alone(segments, noise_mm, links):
    """The pairs of :func:`tree`, each with its pose after the stage's fit of the two segments alone."""
    settings = pair_registration.parameters(noise_mm)
    printed = contextlib.redirect_stdout(io.StringIO())
    with tempfile.TemporaryDirectory(dir=pair_registration.SCRATCH) as scratch, printed:
        written = pair_registration.write(segments, True, Path(scratch))
        clouds = {segment.segment: CloudFile(segment.folder) for segment in written}
        return {
            name: (pair, _fitted({each: clouds[each] for each in pair}, T_a_b, settings))
            for name, (pair, T_a_b) in links.items()
        }


def _fitted(clouds, T_a_b, settings):
    held, sizes = {next(iter(clouds)): np.eye(4)}, part.sizes([*clouds.values()], settings)
    return surface_registration.fit_together(clouds, [np.eye(4), T_a_b], held, sizes, settings.refine, [])[1]


def wrong(segments, poses):
    """Whether a pose (T, covariance) in the frame of the first segment is off by more than a pair's may be, by the
    limits of :mod:`pair_truth` or by what it states."""
    to_first = rigid.invert(segments[0].T_control_segment)
    for scan in segments[1:]:
        pair = SimpleNamespace(T_a_b=to_first @ scan.T_control_segment)
        middle = rigid.transform(to_first, scan.true.mean(axis=0)[None])[0]
        true = pair_truth.Truth(middle, middle, pair_truth.LIMIT_MM, pair_truth.LIMIT_DEG, 0.0, 0.0, [], True)
        if pair_truth.error(pair, true, *poses[scan.name]).wrong:
            return True
    return False


def rms_mm(segments, poses):
    """Root mean square error, mm, of poses in the frame of the first segment, at the middles of the others."""
    to_first, off = rigid.invert(segments[0].T_control_segment), []
    for scan in segments[1:]:
        middle = rigid.transform(rigid.invert(scan.T_control_segment), scan.true.mean(axis=0)[None])
        true = rigid.transform(to_first @ scan.T_control_segment, middle)
        off.append(np.linalg.norm(rigid.transform(poses[scan.name], middle) - true))
    return float(np.sqrt(np.mean(np.square(off))))

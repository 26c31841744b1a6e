"""Registers segments that share no targets by their surfaces alone, and refuses where that isn't certain.

First every two segments are searched for poses in which they may fit (:mod:`refine.coarse_match`); a pose is trusted
only where no other pose contradicts the scans as little (:mod:`refine.coarse_fit`). Then all segments are fitted
together by their overlaps. The segment that comes first by name gives the frame.
"""

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.refine import coarse_fit, coarse_match, overlap
from nightbay.refine import overlap_adjustment as adjust
from nightbay.refine import patches as patching
from nightbay.refine.result import CoarseRegistration

ROUNDS = 12  # of matching at the narrowest reach, at most: creases and rounded edges draw a fit in by and by
SETTLED = 0.002  # of a disc's radius: discs that lie no further apart than that hold the same points


def place(names, clouds, known, radius_mm, parameters):
    """Start poses ``T_control_segment`` of all segments, in order, from those ``known`` {name: pose} by other means.

    Returns the poses and what was found for each pair of segments, [] where all poses were known. Raises ``Rejected``
    for a segment that can't be found to the others for certain.
    """
    if len(known) == len(names):
        return [known[name] for name in names], []
    cell_mm = max(parameters["coarse_mm"], 2 * radius_mm)
    thinned = [coarse_match.thin(cloud, cell_mm) for cloud in clouds]
    start, found = _connect(names, thinned, known, parameters)
    free = np.array([name not in known for name in names])
    per_m = np.full(len(names), parameters["feature_drift_mm_per_m"])
    drift = patching.Drift(per_m, parameters["drift_length_mm"], parameters["patch_mm"])
    nothing = adjust.Equations.none(len(names))
    for reach_mm in (cell_mm, cell_mm / 2, *[radius_mm / 2] * ROUNDS):
        middles = np.array(
            [
                rigid.transform(T, one.xyz_mm if len(one.xyz_mm) else cloud.origin_mm[None]).mean(axis=0)
                for T, one, cloud in zip(start, thinned, clouds, strict=True)
            ]
        )
        pairs = overlap.pairs(clouds, start, radius_mm, reach_mm, parameters["correspondences"])
        paired = {end for pair in pairs for end in (pair.a, pair.b)}
        for at in np.flatnonzero(free):
            if at not in paired:
                raise Rejected(
                    f"segment {names[at]} has no targets and fewer than {overlap.LEAST_CORRESPONDENCES} places that "
                    "another segment has measured too; scan more overlap or put targets into it"
                )
        before = start
        start = adjust.settle(pairs, start, patching.Place(middles), drift, nothing, free, reach_mm)
        way = max(_way_mm(old, new, middle) for old, new, middle in zip(before, start, middles, strict=True))
        print(f"surfaces within {reach_mm:.1f} mm: poses moved by {way:.3f} mm")
        if way < SETTLED * radius_mm and reach_mm == radius_mm / 2:
            break
    return start, found


def _connect(names, thinned, known, parameters):
    """Start poses ``T_control_segment`` of all segments along the best pairs, and what was found for each pair."""
    poses = {at: known[name] for at, name in enumerate(names) if name in known}
    found, doubts, trusted = [], {}, {}
    for a in range(len(names)):
        for b in range(a + 1, len(names)):
            if a in poses and b in poses:
                continue
            entry, fit, doubt = _coarse(names[a], names[b], thinned[a], thinned[b], parameters)
            found.append(entry)
            if fit is None:
                doubts[a, b] = doubt
            else:
                trusted[a, b] = fit
    while len(poses) < len(names):
        reach = {pair: fit for pair, fit in trusted.items() if (pair[0] in poses) != (pair[1] in poses)}
        if not reach:
            raise Rejected(next(doubts[pair] for pair in sorted(doubts) if (pair[0] in poses) != (pair[1] in poses)))
        a, b = max(reach, key=lambda pair: (reach[pair].agree, -pair[0], -pair[1]))
        if a in poses:
            poses[b] = poses[a] @ reach[a, b].T_a_b
        else:
            poses[a] = poses[b] @ rigid.invert(reach[a, b].T_a_b)
    return [poses[at] for at in range(len(names))], found


def _coarse(name_a, name_b, a, b, parameters):
    """What a pair's search found: an entry for the result, the trusted fit or None, and the doubt as a sentence."""
    smaller = min(len(a.xyz_mm), len(b.xyz_mm))
    least = 2 * parameters["overlap_least"] * smaller  # both segments' cells are counted
    every = coarse_fit.basins(a, b, coarse_match.candidates(a, b))
    fits = [fit for fit in every if fit.agree >= least]
    largest = max((fit.agree for fit in every), default=0) / 2 / max(smaller, 1)
    entry = CoarseRegistration([name_a, name_b], a.cell_mm, [fit.record for fit in fits[:4]])
    if not fits:
        return entry, None, (
            f"segments {name_a} and {name_b} share no targets and their surfaces agree over {largest:.0%} of the "
            f"smaller one at best, {parameters['overlap_least']:.0%} are needed; scan more overlap or put targets "
            "into it"
        )  # fmt: skip
    if len(fits) > 1 and fits[1].rate < parameters["ambiguity"] * fits[0].rate_bound:
        way = rigid.invert(fits[0].T_a_b) @ fits[1].T_a_b
        middle = b.xyz_mm.mean(axis=0)
        shift = float(np.linalg.norm(rigid.transform(way, middle[None])[0] - middle))
        return entry, None, (
            f"segments {name_a} and {name_b} share no targets and fit each other in two ways, {shift:.0f} mm and "
            f"{rigid.angle_deg(way):.0f}° apart; put targets or something unmistakable into the overlap"
        )  # fmt: skip
    return entry, fits[0], None


def _way_mm(T_old, T_new, middle_mm):
    """Way of a segment's middle, (3,) in control, from one pose to another."""
    back = rigid.invert(T_old) @ np.append(middle_mm, 1.0)
    return float(np.linalg.norm((T_new @ back)[:3] - middle_mm))


def check(names, pairs, solution, alone, poses, scan):
    """Refuse a fit of segments without targets, ``alone`` (s,) bool, that can slide or whose surfaces disagree."""
    told = np.diag(solution.told).reshape(-1, 6).sum(axis=1)
    for at in np.flatnonzero(alone):
        if told[at] < 6 - 1e-6:
            raise Rejected(
                f"segment {names[at]} has no targets and its overlap is so even that it can slide along it "
                f"({told[at]:.1f} of 6 directions are determined); put targets or something uneven into the overlap"
            )
    for pair in pairs:
        if not (alone[pair.a] or alone[pair.b]):
            continue
        d_mm, _, _ = patching.distances(pair, poses)
        _, sd_mm = patching.robust_weights(d_mm, 0.0)
        if sd_mm > scan["resolution_mm"]:
            raise Rejected(
                f"surfaces of segments {names[pair.a]} and {names[pair.b]} differ by {sd_mm:.2f} mm (robust standard "
                f"deviation) where they overlap, at most {scan['resolution_mm']:.2f} mm, the resolution, is allowed; "
                "look for something that moved between the runs, or put targets into the overlap"
            )

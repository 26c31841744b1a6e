"""Whether the vehicle moved between two runs, by the floor: one place of it must lie at one height in all of them."""

from collections.abc import Mapping, Sequence
from functools import partial
from itertools import combinations

import numpy as np

from nightbay.clean.result import CleanResult
from nightbay.clouds.removed import removed_points
from nightbay.core import rigid
from nightbay.core.language import say
from nightbay.core.text_format import listing, number
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.release.findings import Finding

CELL_MM = 100.0  # of the floor in plan: a floor is even over that
LEAST_CELLS = 6  # that two runs have in common; their median is then no single tile's edge
A_CELL = 3  # points of a run in a cell of the floor
SURE_SDS = 4.0  # of a normal distribution 6 in 100 000 lie further off


def moved(
    part: str,
    network: NetworkResult,
    clean: Sequence[Upstream],
    noise_mm: float,
    drift_mm_per_m: float,
    pose_sd_mm: Mapping[str, float],
) -> list[Finding]:
    """A finding for each segment whose floor lies at another height than that of the segments beside it.

    The segments lie in the control frame by the targets on the body. Noise and drift as ``scan`` declares them;
    ``pose_sd_mm`` {segment: standard deviation of the position of its farthest point, as its targets leave it}.
    """
    poses = {name: pose.T_control_segment for name, pose in (network.poses or {}).items()}
    posed = [record for record in clean if record.segment in poses]
    grounds = {str(record.segment): typed.read(CleanResult, record.result).ground for record in posed}
    up = [rigid.rotate(poses[name], ground.normal[None])[0] for name, ground in grounds.items() if ground]
    if len(up) < 2:
        return []
    normal = np.mean(up, axis=0) / np.linalg.norm(np.mean(up, axis=0))
    floors = {
        str(record.segment): _heights(
            rigid.transform(poses[str(record.segment)], removed_points(record, ("ground",))), normal
        )
        for record in posed
        if grounds[str(record.segment)]
    }
    apart: dict[tuple[str, str], float] = {}
    for a, b in combinations(sorted(floors), 2):
        common = floors[a].keys() & floors[b].keys()
        if len(common) < LEAST_CELLS:
            continue
        off = np.array([floors[a][cell] - floors[b][cell] for cell in common])
        reach_m = np.ptp(list(common), axis=0).max() * CELL_MM / 1000 + 1.0
        poses_mm = [pose_sd_mm.get(name, 0.0) for name in (a, b)]
        allowed = SURE_SDS * float(np.linalg.norm([noise_mm, drift_mm_per_m * reach_m, *poses_mm]))
        if abs(np.median(off)) > allowed:
            apart[a, b] = float(np.median(off))
    return [
        Finding("moved", part, segment, None, partial(_sentence, segment, others, off_mm))
        for segment, others, off_mm in _blamed(apart)
    ]


def _heights(points_mm: np.ndarray, normal: np.ndarray) -> dict[tuple[int, int], float]:
    """Height along ``normal`` of the floor in each cell of the plan."""
    axes = np.linalg.svd(normal[None])[2][1:]
    cell = np.floor(points_mm @ axes.T / CELL_MM).astype(int)
    height = points_mm @ normal
    keys, row, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    order = np.argsort(row.ravel(), kind="stable")
    ends = np.cumsum(count)
    return {
        (int(key[0]), int(key[1])): float(np.median(height[order[end - many : end]]))
        for key, many, end in zip(keys, count, ends, strict=True)
        if many >= A_CELL
    }


def _blamed(apart: Mapping[tuple[str, str], float]) -> list[tuple[str, list[str], float]]:
    """The fewest segments that explain all pairs that lie apart: name, the segments it disagrees with, and the largest
    distance, mm. With one pair alone either may have moved, and both are named."""
    left, blamed = dict(apart), []
    while left:
        names = sorted({name for pair in left for name in pair})
        worst = max(
            names,
            key=lambda name: (
                sum(name in pair for pair in left),
                sum(abs(off) for pair, off in left.items() if name in pair),
            ),
        )
        mine = {pair: off for pair, off in left.items() if worst in pair}
        others = sorted({name for pair in mine for name in pair} - {worst})
        blamed.append((worst, others, max(map(abs, mine.values()))))
        left = {pair: off for pair, off in left.items() if worst not in pair}
    return blamed


def _sentence(segment: str, others: Sequence[str], off_mm: float) -> str:
    off = number(off_mm, 1)
    if len(others) == 1:
        return say(
            "While segment {segment} or {other} was scanned, the body stood {off} mm higher or lower above the floor "
            "than in the other: somebody sat in it, stepped on it or jacked it up. Let it stand untouched and scan "
            "{segment} again.",
            segment=segment,
            other=others[0],
            off=off,
        )
    return say(
        "While segment {segment} was scanned, the body stood {off} mm higher or lower above the floor than in "
        "{others}: somebody sat in it, stepped on it or jacked it up. Let it stand untouched and scan {segment} again.",
        segment=segment,
        others=listing(others),
        off=off,
    )

"""Segments of the artefacts in one frame: as placed, by targets that bear the same ids, or by spheres that both
show."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.matching.targets import Targets

FEWEST = 3  # points not in line make a pose
MISFIT_MOST = 3.0  # rms of the pose over what is expected; three times, as for target networks
CLEARLY = 3.0  # the next best way to pair the spheres must fit this many times worse
NARROWEST = 0.02  # share of their length that points must spread across a line


@dataclass(frozen=True)
class Joined:
    """``T_first_segment`` (4, 4) by segment, the first by name included, and what they were found by."""

    T: dict[str, np.ndarray]
    by: str


def join(
    names: Sequence[str],
    placed: bool,
    targets: Mapping[str, Targets | None],
    centres: Mapping[str, Mapping[str, list[np.ndarray]]],
    noise_mm: float,
    drift_mm_per_m: float,
) -> Joined | NotFound:
    """The poses of two segments or more, or the reason why one has none.

    ``targets`` by segment; ``centres`` {segment: {artefact: centres (3,) of its spheres}}. The two ends of a bar look
    the same: both orders are tried. ``noise_mm``: standard deviation of a target or a centre, ``drift_mm_per_m``: its
    growth.
    """
    first = names[0]
    if placed:
        return Joined({name: np.eye(4) for name in names}, "placed")
    by_targets = {name: _by_targets(targets[first], targets[name], noise_mm, drift_mm_per_m) for name in names[1:]}
    if all(isinstance(T, np.ndarray) for T in by_targets.values()):
        return Joined({first: np.eye(4), **by_targets}, "targets")  # type: ignore[dict-item]
    by_spheres = {
        name: _by_spheres(centres.get(first, {}), centres.get(name, {}), noise_mm, drift_mm_per_m) for name in names[1:]
    }
    if all(isinstance(T, np.ndarray) for T in by_spheres.values()):
        return Joined({first: np.eye(4), **by_spheres}, "spheres")  # type: ignore[dict-item]
    name = next(name for name, T in by_spheres.items() if isinstance(T, NotFound))
    targets_say, spheres_say = by_targets[name], by_spheres[name]
    assert isinstance(spheres_say, NotFound)
    if isinstance(targets_say, NotFound):
        return NotFound(
            f"segments {first} and {name} are not in one frame, since {targets_say.reason}, and {spheres_say.reason}"
        )
    return NotFound(f"segments {first} and {name} are not in one frame, since {spheres_say.reason}")


def _by_targets(a: Targets | None, b: Targets | None, noise_mm: float, drift_mm_per_m: float) -> np.ndarray | NotFound:
    if a is None or b is None or a.id is None or b.id is None:
        return NotFound("they have no lists of targets with ids")
    shared = [name for name in dict.fromkeys(a.id) if a.id.count(name) == 1 and b.id.count(name) == 1]
    if len(shared) < FEWEST:
        return NotFound(f"they share {len(shared)} targets by id, and {FEWEST} are needed")
    xyz_a = a.xyz_mm[[a.id.index(name) for name in shared]]
    xyz_b = b.xyz_mm[[b.id.index(name) for name in shared]]
    T, times = _pose(xyz_a, xyz_b, noise_mm, drift_mm_per_m)
    if T is None or times > MISFIT_MOST:
        return NotFound("the targets with the same ids do not fit each other")
    return T


def _by_spheres(
    a: Mapping[str, list[np.ndarray]], b: Mapping[str, list[np.ndarray]], noise_mm: float, drift_mm_per_m: float
) -> np.ndarray | NotFound:
    shared = [name for name in a if name in b]
    if sum(len(a[name]) for name in shared) < FEWEST:
        return NotFound(f"they show fewer than {FEWEST} of the same spheres")
    ways = []
    fixed = np.concatenate([a[name] for name in shared])
    for flips in product(*((False, True) if len(a[name]) == 2 else (False,) for name in shared)):
        moving = np.concatenate([b[name][::-1] if flip else b[name] for name, flip in zip(shared, flips, strict=True)])
        ways.append(_pose(fixed, moving, noise_mm, drift_mm_per_m))
    ways.sort(key=lambda way: way[1])
    T, times = ways[0]
    if T is None or times > MISFIT_MOST:
        return NotFound("the spheres that both show do not fit each other")
    if len(ways) > 1 and ways[1][1] < CLEARLY * max(times, 1.0):
        return NotFound("the spheres that both show fit each other in two ways")
    return T


def _pose(
    xyz_a: np.ndarray, xyz_b: np.ndarray, noise_mm: float, drift_mm_per_m: float
) -> tuple[np.ndarray | None, float]:
    """``T_a_b``, None for points in line, and its rms over that expected of points with noise and drift in both
    sets."""
    spread = np.linalg.svd(xyz_a - xyz_a.mean(axis=0), compute_uv=False)
    if spread[1] < NARROWEST * spread[0]:
        return None, np.inf
    T = rigid.fit(xyz_a, xyz_b)
    misfit = xyz_a - rigid.transform(T, xyz_b)
    degrees_of_freedom = max(3 * len(xyz_a) - 6, 1)
    away_m = np.linalg.norm(xyz_a - xyz_a.mean(axis=0), axis=1).max() / 1000
    expected_mm = np.sqrt(2.0) * np.hypot(noise_mm, drift_mm_per_m * away_m)
    return T, float(np.sqrt((misfit**2).sum() / degrees_of_freedom) / expected_mm)

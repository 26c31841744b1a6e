"""Cases for the join of a simulated van's load bay: sound ones, wrong ones, and ones that the evidence may leave open.

A sound case has a true pose and enough to find it. A wrong case has no true pose: the interior or its list is another
vehicle's. An open case has a true pose and little to find it by: a refusal is right, and so is a pose whose error is
as its uncertainty says.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

import joined_scenes as scenes
import loadbay
import open_van
from joined_scenes import Scene
from nightbay.core import rigid
from nightbay.join.registration import NamedPairs
from nightbay.matching.target_list import TargetList

SOUND, WRONG, OPEN = "sound", "wrong", "open"
PICKED_SD_MM = 0.5  # of a point that is picked in a model
SILL_MM = 730.0  # Z: the sill of the aperture and the ends of its pillars
DOOR_X = 4430.0  # of the rear skin about the aperture, less its noise
HIDDEN_MM = 20.0  # behind the bay's walls: nearer than the outer skin


@dataclass(frozen=True)
class Case:
    """``kind`` of the case, ``by`` which it is joined, None for any way, and with what."""

    name: str
    kind: str
    by: str | None
    scene: Scene
    pairs: NamedPairs | None = None


def of(outer: list[scenes.Run], inner: list[scenes.Run], seed: int) -> Iterator[Case]:
    """All cases of a draw, one after another; of the slow ones those whose turn it is."""
    rng = np.random.default_rng([seed, 41])
    scene = scenes.scene(outer, inner, seed)
    anyhow = scenes.scene(outer, inner, seed + 1000, framed=False)
    for each, frames in ((scene, ""), (anyhow, ", any frames")):
        yield Case("24 targets" + frames, SOUND, "targets", each)
        yield Case("six points" + frames, SOUND, "points", each, picked(each, rng, 6))
    yield Case("surfaces", SOUND, "surfaces", scene)
    # too few that lie nearly flat: the match may be a mirror image, and surfaces have to tell
    yield Case("eight targets", SOUND, None, _listed(scene, rng.permutation(scenes.TARGETS)[:8]))
    yield Case("24 targets, two moved", SOUND, "targets", _moved(scene, rng, 2, 20.0))
    yield Case("eight points, one mistaken", SOUND, "points", scene, _mistaken(picked(scene, rng, 8), rng))
    yield Case("left and right of points swapped", WRONG, "points", scene, _in_order(scene, rng, [1, 0, 3, 2, 5, 4]))
    yield Case("points named in another order", WRONG, "points", scene, _in_order(scene, rng, [1, 2, 3, 4, 5, 0]))
    yield Case("targets of another vehicle", WRONG, "targets", _moved(scene, rng, scenes.TARGETS, 60.0))
    yield Case("four points on the sill", OPEN, "points", scene, _on_the_sill(scene, rng))
    yield Case("targets on the sill", OPEN, "targets", _low_targets(scene))
    yield from _of_another_vehicle(outer, inner, seed)
    name, (exterior_sees, interior_sees) = _turn(LITTLE_SHARED, seed)
    little = scenes.scene(outer, inner, seed, exterior_sees=exterior_sees, interior_sees=interior_sees)
    yield Case(name, OPEN, "surfaces", little)


def _turn(some, seed):
    return list(some.items())[seed % len(some)]


def _of_another_vehicle(outer, inner, seed):
    name, warp = _turn(OTHERS, seed)
    other = scenes.scene(outer, inner, seed, warp=warp)
    yield Case(name, WRONG, "surfaces", other)
    yield Case(name, WRONG, "targets", other)


def _stretched(axis, middle_mm, by_mm, over_mm):
    """Moves points away from a plane by ``by_mm``, from ``over_mm`` on by all of it."""

    def warp(points_mm):
        moved = points_mm.copy()
        moved[:, axis] += by_mm * np.clip((points_mm[:, axis] - middle_mm) / over_mm, -1, 1)
        return moved

    return warp


def _scaled(factor):
    return lambda points_mm: points_mm * factor


def _mirrored(points_mm):
    return points_mm * (1.0, -1.0, 1.0)


# bays that differ from this van's, each as a motion of points of the vehicle frame
OTHERS = {
    "bay 50 mm wider": _stretched(1, 0.0, 25.0, 400.0),
    "bay 10 mm wider": _stretched(1, 0.0, 5.0, 400.0),
    "bay 100 mm higher": _stretched(2, 1450.0, 50.0, 700.0),
    "bay 1 % too large": _scaled(1.01),
    "bay 150 mm longer": _stretched(0, 2850.0, 75.0, 1400.0),
    "bay mirrored": _mirrored,
}


def _lean(z):
    """How far the bay's walls lean in at a height, mm, as :mod:`loadbay` has them."""
    return 110 * np.clip((z - 1100) / (loadbay.CEILING - 1100), 0, None) ** 2


def _in_aperture(points_mm):
    """Which points lie in the load bay or in its aperture: what a closed door hides from outside."""
    x, y, z = points_mm.T
    walls = loadbay.HALF + HIDDEN_MM - _lean(z)
    bay = (np.abs(y) < walls) & (z > loadbay.FLOOR - HIDDEN_MM) & (z < loadbay.CEILING + HIDDEN_MM)
    (y0, z0), (y1, z1) = open_van.OUTER.min(axis=0), open_van.OUTER.max(axis=0)
    aperture = (x > loadbay.REAR - HIDDEN_MM) & (y > y0) & (y < y1) & (z > z0) & (z < z1)
    return (
        (x > loadbay.FRONT - HIDDEN_MM) & (x < DOOR_X) & (np.where(x < loadbay.REAR + HIDDEN_MM, bay, False) | aperture)
    )


def _closed(points_mm):
    """What is seen from outside of a van with its doors closed; the doors themselves add nothing that is shared."""
    return ~_in_aperture(points_mm)


def _only(part):
    """What is seen from outside where only a part of the aperture was scanned."""
    return lambda points_mm: ~_in_aperture(points_mm) | part(points_mm)


def _indoors(points_mm):
    """What a scan from inside has that ends at the flange of the aperture."""
    return points_mm[:, 0] < open_van.FLANGE_X + 1


# who sees what, outside and inside, where the parts share little or nothing
LITTLE_SHARED = {
    "doors closed": (_closed, lambda points_mm: points_mm[:, 0] < open_van.FLANGE_X - 40),
    "the sill alone": (_only(lambda points_mm: points_mm[:, 2] < SILL_MM), _indoors),
    "the middle of one pillar": (
        _only(lambda points_mm: (points_mm[:, 1] < -700) & (np.abs(points_mm[:, 2] - 1450) < 450)),
        _indoors,
    ),
    "one pillar": (_only(lambda points_mm: points_mm[:, 1] < -700), _indoors),
}


def picked(scene: Scene, rng: np.random.Generator, count: int) -> NamedPairs:
    """Named points that are picked in both models, spread over the room."""
    at = scene.interior.points_mm[rng.choice(len(scene.interior.points_mm), 10 * count, replace=False)]
    order = np.argsort(at @ rng.normal(size=3))[:: len(at) // count][:count]
    return _pairs(scene, at[order], rng)


def _pairs(scene, inner, rng, order=None):
    outer = rigid.transform(scene.T_exterior_interior, inner)
    outer = outer if order is None else outer[order]
    both = [points + rng.normal(0, PICKED_SD_MM, points.shape) for points in (outer, inner)]
    return NamedPairs([f"corner {number}" for number in range(1, len(inner) + 1)], *both)


def _in_order(scene, rng, order):
    pairs = picked(scene, rng, len(order))
    return replace(pairs, exterior_mm=pairs.exterior_mm[order])


def _mistaken(pairs, rng):
    """The pairs, of which one is picked elsewhere on the interior."""
    moved = pairs.interior_mm.copy()
    moved[rng.integers(len(moved))] += (90.0, -40.0, 25.0)
    return replace(pairs, interior_mm=moved)


def _on_the_sill(scene, rng):
    """Four points that nearly lie on a line: the rotation about it is known badly."""
    at = np.column_stack([4395 - rng.uniform(0, 60, 4), [-700, -200, 300, 720], 695 + rng.uniform(-40, 0, 4)])
    T_vehicle_interior = rigid.invert(scene.T_exterior_interior)
    return _pairs(scene, rigid.transform(T_vehicle_interior, at), rng)


def _listed(scene, rows):
    """The scene with some targets only."""
    return replace(scene, exterior_targets=_rows(scene.exterior_targets, rows),
                   interior_targets=_rows(scene.interior_targets, rows))  # fmt: skip


def _rows(listed, rows):
    return TargetList(listed.name, listed.file, listed.xyz_mm[rows], listed.covariance_mm2[rows])


def _low_targets(scene):
    order = np.argsort(scene.exterior_targets.xyz_mm[:, 2])
    return _listed(scene, order[:6])


def _moved(scene, rng, count, sd_mm):
    """The scene with ``count`` targets of the interior's list elsewhere: all of them are another vehicle's."""
    listed = scene.interior_targets
    at = listed.xyz_mm.copy()
    at[rng.permutation(len(at))[:count]] += rng.normal(0, sd_mm, (count, 3))
    return replace(scene, interior_targets=replace(listed, xyz_mm=at))

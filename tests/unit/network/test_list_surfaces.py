"""Lists of targets against the surfaces of segments: which belong together, and what is said of those that don't.

The body is an ellipsoid; a segment is one half of it, scanned in a frame of its own.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

import networks
from nightbay.core import rigid
from nightbay.matching import target_list
from nightbay.network import list_surfaces
from nightbay.network.list_surfaces import Surface

NOISE_MM = 0.1
LEAST = 0.4


def half(rng, side, count):
    """Points and outward normals, (n, 3), of the ellipsoid's half with Y of that sign, and the floor beside it."""
    way = rng.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    way[:, 1] = side * np.abs(way[:, 1])
    normal = way / networks.HALF_MM
    return way * networks.HALF_MM, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def floor(rng, side, count):
    xyz = np.column_stack([rng.uniform(-2500, 2500, count), side * rng.uniform(0, 1500, count), np.full(count, -700.0)])
    return xyz, np.tile([0.0, 0.0, 1.0], (count, 1))


def segment(rng, side, name, T_segment_body, targets=60, on_floor=0, points=60_000, file=None):
    """Its list of targets and its surface, 15 mm apart, both in the segment's frame."""
    xyz, normal = (np.vstack(pair) for pair in zip(half(rng, side, points), floor(rng, side, 40_000), strict=True))
    xyz += rng.normal(size=xyz.shape) * NOISE_MM
    listed = np.vstack([half(rng, side, targets)[0], floor(rng, side, on_floor)[0]])
    hole = cKDTree(listed).query(xyz, distance_upper_bound=6.0)[0] > 6.0  # a target leaves a hole of 12 mm
    surface = Surface(
        f"{name}.ply",
        cKDTree(rigid.transform(T_segment_body, xyz[hole])),
        rigid.rotate(T_segment_body, normal[hole]),
    )
    listed = rigid.transform(T_segment_body, listed + rng.normal(size=listed.shape) * 0.05)
    covariance = np.tile(0.05**2 * np.eye(3), (len(listed), 1, 1))
    return target_list.TargetList(name, file or f"{name}.targets.csv", listed, covariance), surface


def pair(seed, T_left=None, T_right=None, **more):
    rng = np.random.default_rng(seed)
    left = segment(rng, -1, "left", networks.pose(rng) if T_left is None else T_left, **more)
    right = segment(rng, 1, "right", networks.pose(rng) if T_right is None else T_right, **more)
    return [left[0], right[0]], {"left": left[1], "right": right[1]}


def under(name, one):
    """A list given with another segment."""
    return replace(one, name=name)


def faults(lists, surfaces):
    return list(list_surfaces.faults(lists, surfaces, NOISE_MM, LEAST).values())


@pytest.mark.parametrize("seed", range(5))
def test_lists_with_their_own_segments_are_sound(seed):
    assert faults(*pair(seed)) == []


def test_lists_that_were_exchanged_are_told_with_what_they_fit():
    lists, surfaces = pair(11)
    first, second = faults([under("left", lists[1]), under("right", lists[0])], surfaces)
    assert first.startswith("right.targets.csv does not belong to left.ply: 0 of its 60 targets lie on the surface")
    assert "lie on right.ply" in first and "lie on left.ply" in second


def test_a_list_of_another_vehicle_fits_none():
    lists, surfaces = pair(12)
    other, _ = segment(np.random.default_rng(99), 1, "right", networks.pose(np.random.default_rng(98)))
    (sentence,) = faults([lists[0], other], surfaces)
    assert "they lie on no other segment" in sentence and "network.on_surface_least" in sentence


def test_a_shared_floor_is_no_evidence():
    """Both frames stand on the same floor, and most targets lie on it: the plane fits, whatever the list."""
    turned = rigid.pose(Rotation.from_euler("z", 170, degrees=True).as_matrix(), np.array([400.0, 100.0, 0.0]))
    lists, surfaces = pair(13, T_left=np.eye(4), T_right=turned, targets=40, on_floor=80)
    assert faults(lists, surfaces) == []
    on, _ = list_surfaces.lying_on(lists[1].xyz_mm, surfaces["left"], NOISE_MM)
    assert on.mean() > LEAST  # the floor's targets
    assert len(faults([under("left", lists[1]), under("right", lists[0])], surfaces)) == 2


@pytest.mark.parametrize("factor", [1000.0, 0.1])
def test_other_units_are_told(factor):
    lists, surfaces = pair(14)
    (sentence,) = faults([replace(lists[0], xyz_mm=lists[0].xyz_mm / factor), lists[1]], surfaces)
    assert f"they do when multiplied by {factor:g}, so correct the units" in sentence


def test_other_axes_and_a_mirror_image_are_told():
    lists, surfaces = pair(15)
    one = lists[0]
    upright = one.xyz_mm @ np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]]).T
    mirrored = one.xyz_mm * [1, -1, 1]
    for xyz_mm, words in ((upright, "(x, -z, y)"), (mirrored, "(x, -y, z)")):
        (sentence,) = faults([replace(one, xyz_mm=xyz_mm), lists[1]], surfaces)
        assert f"they do when read as {words}, so export both with the same axes" in sentence


def test_drop_outs_on_half_of_the_targets_are_sound_and_on_all_are_not():
    lists, surfaces = pair(16)
    own = surfaces["left"]
    for share, sound in ((0.5, True), (1.0, False)):
        lost = lists[0].xyz_mm[: round(share * 60)]
        keep = cKDTree(lost).query(own.tree.data, distance_upper_bound=80.0)[0] > 80.0
        surfaces["left"] = Surface(own.file, cKDTree(own.tree.data[keep]), own.normal[keep])
        assert (faults(lists, surfaces) == []) == sound


def test_a_target_that_stands_off_the_surface_does_not_lie_on_it():
    """15 mm: 1.4 are allowed for thickness and noise, 12.5 for the bend where the surface is 50 mm off, the most."""
    lists, surfaces = pair(18, T_left=np.eye(4))
    own, at = surfaces["left"], lists[0].xyz_mm
    at = at[at[:, 2] > 0]  # well above the floor
    on, normal = list_surfaces.lying_on(at, own, NOISE_MM)
    assert on.mean() > 0.95
    assert not list_surfaces.lying_on((at + 15.0 * normal)[on], own, NOISE_MM)[0].any()

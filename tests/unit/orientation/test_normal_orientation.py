"""Sides of estimated normals put right by segments that lie over one another, on shapes with a known outside."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nightbay.clouds import cloud
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.orientation import normal_orientation

SPACING_MM = 6.0
STANDOFF_MM = 600.0
POSES = {
    name: rigid.pose(Rotation.from_rotvec(turn).as_matrix(), shift)
    for name, turn, shift in (("left", (0.1, 2, -1), (300, 20, -7)), ("rear", (1, -0.4, 0.2), (-90, 1500, 40)))
}


def sheet(origin, along, across):
    """Points every ``SPACING_MM`` on a rectangle and their normals, along x across: (n, 3) each."""
    along, across = np.array(along, float), np.array(across, float)
    a, b = (np.arange(0, 1, SPACING_MM / np.linalg.norm(side)) for side in (along, across))
    points = origin + a.repeat(len(b))[:, None] * along + np.tile(b, len(a))[:, None] * across
    facing = np.cross(along, across)
    return points, np.tile(facing / np.linalg.norm(facing), (len(points), 1))


def joined(*sheets):
    return tuple(np.concatenate(parts) for parts in zip(*sheets, strict=True))


def segment(folder, name, points, normals, certainty):
    T_segment_control = rigid.invert(POSES[name])
    xyz = rigid.transform(T_segment_control, points)
    origin_mm = np.round(xyz.mean(axis=0))
    directions = rigid.rotate(T_segment_control, normals).astype(np.float32)
    file = cloud.write(folder / name, [cloud.Cloud((xyz - origin_mm).astype(np.float32), directions)], origin_mm, 500.0)
    return PosedSegment(name, file, POSES[name], normals_certainty=certainty)


def in_control(one, turned=None):
    """Points and normals of a segment in the control frame, turned."""
    block = cloud.CloudFile(one.cloud.folder, turned).block(0, one.cloud.count)
    return rigid.transform(one.T_frame_segment, block.xyz_mm + one.cloud.origin_mm), rigid.rotate(
        one.T_frame_segment, block.normal
    )


BODY = sheet((0, 0, 0), (0, 0, 900), (0, 1200, 0))  # faces -x
WHEEL = sheet((600, 0, 0), (500, 0, 0), (0, 0, 500))  # stands apart, 600 mm off, faces -y


@pytest.mark.parametrize("certainty", [None, 0.9])
def test_a_wheel_inside_out_is_turned_as_another_segment_shows_it(tmp_path, certainty):
    """The other segment has measured normals, or estimated ones that are more certain."""
    seen, facing = joined(sheet((0, 0, 0), (0, 0, 900), (0, 600, 0)), sheet((600, 0, 0), (300, 0, 0), (0, 0, 500)))
    left = segment(tmp_path, "left", seen, facing, certainty)
    points, normals = joined(BODY, (WHEEL[0], -WHEEL[1]))
    rear = segment(tmp_path, "rear", points, normals, 0.8)
    found = normal_orientation.orient_estimated([left, rear], SPACING_MM, 3.0, STANDOFF_MM, False)
    assert set(found) == {"rear"}
    turned = found["rear"].turned
    at, _ = in_control(rear)
    of_wheel = at[:, 0] > 300
    assert turned[of_wheel].all() and not turned[~of_wheel].any()
    assert found["rear"].observed_share == pytest.approx((0.9 * 0.6 + 0.3 * 0.5) / (0.9 * 1.2 + 0.5 * 0.5), abs=0.05)
    _, directions = in_control(rear, turned)
    assert directions[of_wheel] @ [0, -1, 0] == pytest.approx(1, abs=1e-5)


def test_what_no_other_segment_shows_keeps_its_side(tmp_path):
    left = segment(tmp_path, "left", *sheet((0, 0, 0), (0, 0, 900), (0, 600, 0)), None)
    lid = sheet((3000, 0, 0), (0, 500, 0), (400, 0, 0))
    rear = segment(tmp_path, "rear", *joined((BODY[0], -BODY[1]), lid), 0.8)
    turned = normal_orientation.orient_estimated([left, rear], SPACING_MM, 3.0, STANDOFF_MM, False)["rear"].turned
    at, _ = in_control(rear)
    assert turned[at[:, 0] < 300].all() and not turned[at[:, 0] > 300].any()


def test_the_other_side_of_a_panel_tells_nothing(tmp_path):
    """Its normals are opposed, but it lies the panel's thickness off."""
    left = segment(tmp_path, "left", *sheet((10, 0, 0), (0, 900, 0), (0, 0, 900)), None)  # faces +x, 10 mm behind
    rear = segment(tmp_path, "rear", *BODY, 0.8)
    found = normal_orientation.orient_estimated([left, rear], SPACING_MM, 3.0, STANDOFF_MM, False)["rear"]
    assert not found.turned.any() and found.observed_share == 0


def test_a_room_s_normals_are_turned_inwards_alike(tmp_path):
    walls = joined(
        sheet((0, 0, 0), (0, 1000, 0), (0, 0, 1000)),  # faces +x, into the room
        sheet((0, 0, 0), (0, 0, 1000), (1000, 0, 0)),  # +y
    )
    left = segment(tmp_path, "left", *sheet((0, 0, 0), (0, 1000, 0), (0, 0, 500)), None)
    rear = segment(tmp_path, "rear", walls[0], -walls[1], 0.8)
    turned = normal_orientation.orient_estimated([left, rear], SPACING_MM, 3.0, STANDOFF_MM, True)["rear"].turned
    assert turned.mean() > 0.99


def test_measured_normals_are_never_touched(tmp_path):
    left = segment(tmp_path, "left", *BODY, None)
    rear = segment(tmp_path, "rear", BODY[0], -BODY[1], None)
    assert normal_orientation.orient_estimated([left, rear], SPACING_MM, 3.0, STANDOFF_MM, False) == {}

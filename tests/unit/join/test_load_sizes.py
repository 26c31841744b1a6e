"""Load sizes of a room whose size and whose pose in the vehicle are known by construction."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

import blockcar
import load_scenes
from nightbay.core import rigid
from nightbay.frame.result import Heading
from nightbay.join import load_sizes
from nightbay.join.result import FLOOR_END_MM
from nightbay.measure import room_sizes
from room_scenes import HEIGHT, LENGTH, NOISE_MM, WIDTH, shell

DOOR = ((900.0, 40.0), (1900.0, 1500.0))  # X and Z of the opening in the room's right wall
DEEP = 40.0


def quad(corners):
    return trimesh.Trimesh(np.array(corners, float), [[0, 1, 2], [0, 2, 3]], process=False)


def bay():
    """A room (X rearward, Y right, floor at Z 0) that is open at its rear, with a door aperture in its right wall."""
    half = WIDTH / 2
    (x0, z0), (x1, z1) = DOOR
    parts = []
    for low, high in (
        ((0, 0), (x0, HEIGHT)),
        ((x1, 0), (LENGTH, HEIGHT)),
        ((x0, 0), (x1, z0)),
        ((x0, z1), (x1, HEIGHT)),
    ):
        parts.append(quad([(x, half, z) for x, z in ((low[0], low[1]), (high[0], low[1]), high, (low[0], high[1]))]))
    for x in (x0, x1):
        parts.append(quad([(x, half, z0), (x, half, z1), (x, half + DEEP, z1), (x, half + DEEP, z0)]))
    for z in (z0, z1):
        parts.append(quad([(x0, half, z), (x1, half, z), (x1, half + DEEP, z), (x0, half + DEEP, z)]))
    for z in (0.0, HEIGHT):
        parts.append(quad([(0, -half, z), (LENGTH, -half, z), (LENGTH, half, z), (0, half, z)]))
    parts.append(quad([(0, -half, 0), (LENGTH, -half, 0), (LENGTH, -half, HEIGHT), (0, -half, HEIGHT)]))
    parts.append(quad([(0, -half, 0), (0, half, 0), (0, half, HEIGHT), (0, -half, HEIGHT)]))
    return trimesh.util.concatenate(parts)


@pytest.fixture(scope="module")
def measured():
    mesh = bay()
    points, normals = blockcar.scan(mesh, 400_000, 3, NOISE_MM)
    inward = np.array([LENGTH / 2, 0, HEIGHT / 2]) - points
    normals *= np.where(np.einsum("ij,ij->i", inward, normals) < 0, -1.0, 1.0)[:, None]
    made = shell(mesh, points=(points, normals))
    return made, room_sizes.find(made, 900.0)[0]


def found(measured, seed=1, **options):
    made = load_scenes.scene(*measured, seed, **options)
    return load_sizes.find(made.joined), made


def inside(size, true):
    return abs(size.value_mm - true) <= size.uncertainty_mm


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("heading", "rear", "side"), [(0.0, "rear", "right"), (180.0, "front", "left")])
def test_sizes_hold_the_truth_and_are_named_by_the_vehicle(measured, seed, heading, rear, side):
    load, made = found(measured, seed, heading_deg=heading)
    assert load.x_from == "front axle" and load.not_stated == []
    floor, belt = load.sizes["length_floor"], load.sizes["length_belt"]
    ends = ["wall", "open end"] if rear == "rear" else ["open end", "wall"]
    assert floor.ends == belt.ends == ends
    assert floor.low_mm[0] < floor.high_mm[0]  # X rearward: the front end first
    along = abs(made.T_vehicle_room[0, 0])
    for size in (floor, belt):
        assert inside(size, LENGTH / along) and "join" in size.budget_mm
    by_side = {aperture.side: aperture for aperture in load.apertures}
    assert set(by_side) == {rear, side}
    door = by_side[side]
    assert (door.wall, door.number) == ("right wall", 1)
    (x0, z0), (x1, z1) = DOOR
    assert inside(door.sizes["width"], x1 - x0) and inside(door.sizes["height"], z1 - z0)
    assert inside(by_side[rear].sizes["height"], HEIGHT)
    front = x0 if heading == 0.0 else x1
    low = door.sizes["sill_height"].high_mm
    edge = rigid.transform(made.T_vehicle_room, np.array([[front, WIDTH / 2, (z0 + z1) / 2]]))[0]
    sill = rigid.transform(made.T_vehicle_room, np.array([[(x0 + x1) / 2, WIDTH / 2, z0]]))[0]
    lean = made.T_vehicle_room[:3, 2]  # the edges lean with the room: the same at another height
    off = door.sizes["front_edge"].high_mm[2] - edge[2]
    assert inside(door.sizes["front_edge"], edge[0] + off * lean[0] / lean[2])
    slope = made.T_vehicle_room[2, 0] / made.T_vehicle_room[0, 0]
    assert inside(door.sizes["sill_height"], sill[2] + slope * (low[0] - sill[0]))
    end = LENGTH if rear == "rear" else 0.0
    back = rigid.transform(made.T_vehicle_room, np.array([[abs(end - FLOOR_END_MM / 2), 0.0, 0.0]]))[0]
    assert inside(load.sizes["floor_height"], back[2])


def test_heights_and_places_are_surer_with_a_better_join_and_lengths_are_not(measured):
    good, _ = found(measured, shift_sd_mm=0.05, rotation_sd_deg=0.002)
    poor, _ = found(measured, shift_sd_mm=1.0, rotation_sd_deg=0.03)
    assert good.sizes["floor_height"].uncertainty_mm < 0.7 * poor.sizes["floor_height"].uncertainty_mm
    assert poor.sizes["floor_height"].budget_mm["join"] > 10 * good.sizes["floor_height"].budget_mm["join"]
    doors = [next(each for each in load.apertures if each.side == "right") for load in (good, poor)]
    for name in ("sill_height", "front_edge"):
        assert doors[0].sizes[name].uncertainty_mm < 0.7 * doors[1].sizes[name].uncertainty_mm
    for name in ("width", "height"):
        assert doors[0].sizes[name].uncertainty_mm == doors[1].sizes[name].uncertainty_mm
    assert poor.sizes["length_floor"].uncertainty_mm == pytest.approx(
        good.sizes["length_floor"].uncertainty_mm, rel=0.05
    )


def test_the_front_is_at_the_other_end_in_the_other_convention(measured):
    load, _ = found(measured, axes="iso_8855", heading_deg=180.0)
    assert load.sizes["length_floor"].ends == ["wall", "open end"]
    assert load.sizes["length_floor"].low_mm[0] > load.sizes["length_floor"].high_mm[0]
    assert {aperture.side for aperture in load.apertures} == {"rear", "right"}
    door = next(each for each in load.apertures if each.side == "right")
    assert 500 < door.sizes["front_edge"].value_mm < 1500  # behind the front axle


def with_frame(made, part, **changes):
    return replace(made.joined, **{part: replace(getattr(made.joined, part), frame=replace(
        getattr(made.joined, part).frame, **changes))})  # fmt: skip


def test_without_ground_heights_are_refused_and_the_rest_is_stated(measured):
    _, made = found(measured)
    planes = dict(made.joined.exterior.frame.zero_planes)
    planes["z"] = replace(planes["z"], found_by="named fiducials")
    load = load_sizes.find(with_frame(made, "exterior", ground=None, zero_planes=planes))
    assert "floor_height" not in load.sizes and "length_floor" in load.sizes
    assert not any("sill_height" in aperture.sizes for aperture in load.apertures)
    assert len(load.not_stated) == 2 and all("scan the ground" in reason for reason in load.not_stated)


def test_without_a_front_nothing_is_named(measured):
    _, made = found(measured)
    load = load_sizes.find(with_frame(made, "exterior", heading=Heading("kept", False)))
    assert load.sizes == {} and load.apertures == []
    assert load.not_stated[0].endswith("(parts, exterior, axes, forward).")


def test_a_room_askew_is_refused(measured):
    load, _ = found(measured, heading_deg=8.0)
    assert load.sizes == {} and "8." in load.not_stated[0] and "at most 3 degrees" in load.not_stated[0]


def test_places_are_from_zero_x_without_two_axles(measured):
    _, made = found(measured)
    load = load_sizes.find(with_frame(made, "exterior", axles=[]))
    door = next(each for each in load.apertures if each.side == "right")
    assert load.x_from == "zero X" and "frame" in door.sizes["front_edge"].budget_mm
    kept = {"x": replace(made.joined.exterior.frame.zero_planes["x"], found_by="kept", sd_mm=None)}
    zero = made.joined.exterior.frame.zero_planes | kept
    door = next(
        each for each in load_sizes.find(with_frame(made, "exterior", axles=[], zero_planes=zero)).apertures
        if each.side == "right"
    )  # fmt: skip
    assert door.sizes["front_edge"].unknown == ["frame"]


def test_the_table_has_a_line_a_size(measured):
    load, _ = found(measured)
    lines = load_sizes.table(load)
    count = len(load.sizes) + sum(len(aperture.sizes) for aperture in load.apertures)
    assert len(lines) == 1 + count and {line.count(",") for line in lines} == {10}

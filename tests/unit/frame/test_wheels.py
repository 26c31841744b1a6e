from dataclasses import replace

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

import blockcar
from nightbay.core.errors import NotFound
from nightbay.frame import axles, wheels
from nightbay.pipeline.settings import settings

OPTIONS = settings({"frame": {"wheel_share": 0.4, "wheel_sd_mm": 3.0}}).frame


def seen(mesh, seed, count=12000, noise_mm=0.1):
    """What shows of a wheel from outside, at +Y: no inner face."""
    points, normals = blockcar.scan(mesh, count, seed, noise_mm)
    outside = normals[:, 1] > -0.1
    return points[outside], normals[outside]


def test_centre_and_radius_of_a_wheel():
    wheel = wheels.fit(*seen(blockcar.wheel(123.0, 840.0), 1), 140.0, 1)
    # 8000 points of 0.1 mm noise, each about 20 mm from its partner's place on curved rims: well below a tenth
    assert wheel.axle_mm[[0, 2]] == pytest.approx([123.0, 310.0], abs=0.2)
    assert wheel.places_mm[1, 1] == pytest.approx(840.0, abs=1.0)
    assert wheel.radius_mm == pytest.approx(310.0, abs=0.5)
    assert wheel.sd_mm.max() < 0.2
    assert wheel.axle @ [0, 1, 0] > np.cos(np.radians(0.05))


def test_toe_and_camber_of_a_wheel_come_back():
    turn = Rotation.from_euler("zx", [1.5, -2.0], degrees=True)
    mesh = blockcar.wheel(0.0, 840.0)
    middle = np.array([0.0, 840.0, 310.0])
    mesh.vertices = turn.apply(mesh.vertices - middle) + middle
    wheel = wheels.fit(*seen(mesh, 2), 0.0, 1)
    assert np.degrees(np.arccos(wheel.axle @ turn.apply([0, 1, 0]))) < 0.1


def test_a_wheel_half_hidden_by_the_body_is_found():
    points, normals = seen(blockcar.wheel(0.0, 840.0), 3)
    shown = points[:, 2] < 430
    wheel = wheels.fit(points[shown], normals[shown], 10.0, 1)
    assert wheel.axle_mm[[0, 2]] == pytest.approx([0.0, 310.0], abs=0.3)


def test_five_spokes_do_not_move_the_centre():
    points, normals = seen(blockcar.wheel(0.0, 840.0), 4)
    angle = np.arctan2(points[:, 2] - 310, points[:, 0])
    gap = (np.hypot(points[:, 0], points[:, 2] - 310) < 200) & (np.mod(angle, 2 * np.pi / 5) < 0.6)
    wheel = wheels.fit(points[~gap], normals[~gap], 0.0, 1)
    assert wheel.axle_mm[[0, 2]] == pytest.approx([0.0, 310.0], abs=0.3)


def test_a_box_is_no_wheel():
    rng = np.random.default_rng(5)
    points = np.column_stack([rng.uniform(-250, 250, 8000), np.full(8000, 840.0), rng.uniform(5, 500, 8000)])
    normals = np.tile([0.0, 1.0, 0.0], (8000, 1))
    front = slice(0, 3000)
    points[front, 0], points[front, 1], normals[front] = 250.0, rng.uniform(600, 840, 3000), [1.0, 0.0, 0.0]
    wheel = wheels.fit(points, normals, 0.0, 1)
    assert isinstance(wheel, NotFound) and "do not fit each other after a rotation" in wheel.reason


def test_contact_patches_are_separated():
    rng = np.random.default_rng(6)
    low = np.column_stack([rng.uniform(-150, 150, 4000), rng.uniform(-90, 90, 4000), rng.uniform(3, 90, 4000)])
    places = np.array([[0, 700, 0], [0, -700, 0], [2500, 700, 0], [2500, -700, 0]], float)
    points = np.concatenate([low + place for place in places] + [[[1200.0, 0.0, 400.0]]])
    patches = wheels.contact_patches(points, 100.0)
    assert patches.mean(axis=1) == pytest.approx(places[[1, 0, 3, 2], :2], abs=5.0)


def made(x, side, sd=0.1):
    centre = np.array([x, side * 700.0, 300.0])
    axle, faces = np.array([0.0, side or 1.0, 0.0]), np.array([np.nan, 0.0])
    return wheels.Wheel(centre, np.full(2, sd), axle, 1e-4, faces, np.array([np.nan, sd]), 310.0, 0.9, side)


def test_wheels_are_paired_across_the_vehicle():
    pairs = axles.pair([made(2510.0, 1), made(0.0, -1), made(2500.0, -1), made(4.0, 1)])
    assert [axle.x_mm for axle in pairs] == [2.0, 2505.0]
    assert pairs[0].paired
    assert pairs[0].sd_mm == pytest.approx(0.1 / np.sqrt(2))


def test_a_lone_wheel_is_an_axle_of_its_own():
    pairs = axles.pair([made(0.0, -1), made(0.0, 1), made(2500.0, 1)])
    assert [axle.paired for axle in pairs] == [True, False]


def test_a_motorcycle_has_two_axles_of_one_wheel():
    assert [len(axle.wheels) for axle in axles.pair([made(0.0, 0), made(1400.0, 0)])] == [1, 1]


@pytest.mark.parametrize(
    ("share", "sd", "sentence"),
    [
        (0.2, 0.1, "only 20% of its points fit others after a rotation about the axle, 40% are needed"),
        (0.9, 5.0, "its centre is uncertain by 5.0 mm, 3 mm are allowed"),
    ],
)
def test_a_poor_wheel_is_refused_with_the_reason(share, sd, sentence):
    wheel = replace(made(0.0, 1, sd), share=share)
    assert axles.judge(wheel, OPTIONS) == NotFound(sentence)


def test_the_flat_side_of_a_body_with_a_round_edge_is_no_wheel():
    """A plate with a quarter-round nose: a rotation maps its sides onto themselves, and its nose has a centre."""
    plate = trimesh.creation.box(bounds=[[0, -190, 40], [900, 190, 360]])
    nose = trimesh.creation.cylinder(radius=160.0, height=380.0, sections=96)
    nose.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    nose.apply_translation([0, 0, 200])
    points, normals = blockcar.scan(trimesh.util.concatenate([plate, nose]), 30_000, 3)
    found = wheels.fit(points, normals, 0.0, 0)
    assert isinstance(found, NotFound) and found.reason == "the surface at its sides goes on beyond its edge"
    tyre, facing = blockcar.scan(blockcar.wheel(0.0, 840.0), 12_000, 1)
    sill = np.column_stack([np.full(900, 430.0), np.full(900, 800.0), np.linspace(150, 300, 900)])
    sill[:, 0] += np.random.default_rng(2).uniform(-80, 400, 900)
    both = np.vstack([tyre, sill]), np.vstack([facing, np.tile([0.0, 1.0, 0.0], (900, 1))])
    assert not isinstance(wheels.fit(*both, 0.0, 1), NotFound)

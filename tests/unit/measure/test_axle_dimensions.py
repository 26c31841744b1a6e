"""Overhangs, tracks, clearance and angles of the plain car, against closed forms."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import blockcar
import part_results
from nightbay.frame.result import Sides
from nightbay.measure import axle_dimensions, tangent_angles, tangent_planes, tyres, underbody
from nightbay.measure.body import Body
from nightbay.meshes import surface, vertices

FRONT, REAR, FLOOR = -750.0, blockcar.LENGTH - 750.0, 250.0  # of the car's body, mm
RADIUS = blockcar.RADIUS
OPTIONS = SimpleNamespace(thin_mm=250.0, notice_mm=10.0)
SCAN = SimpleNamespace(noise_mm=0.1, target_drift_mm_per_m=0.03)
FLAT_MM = 0.05  # float32 and facets of the car's mesh


def of_mesh(mesh, longest_mm=30.0):
    found, faces = trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, longest_mm, max_iter=30)
    return surface.Surface(found.astype(np.float32), faces.astype(np.int32))


def with_mesh(model, mesh, longest_mm=30.0):
    """The model with another mesh that stands free of it."""
    other = of_mesh(mesh, longest_mm)
    return surface.Surface(
        np.concatenate([model.vertices_mm, other.vertices_mm]),
        np.concatenate([model.faces, other.faces + len(model.vertices_mm)]).astype(np.int32),
    )


def frame_of(model, axes="design_grid", sd_mm=0.1, turn=0.0, inner=True):
    side = -1.0 if axes == "design_grid" else 1.0
    wheels, axles = [], []
    for x in (0.0, blockcar.WHEELBASE):
        for name, sign in (("left", 1.0), ("right", -1.0)):
            y = {
                name: sign * side * 840.0,
                "right" if name == "left" else "left": sign * side * 640.0 if inner else None,
            }
            wheel = part_results.wheel(name, [-side * x, sign * side * 740.0 if inner else None, RADIUS], Sides(**y))
            wheels.append(replace(wheel, radius_mm=RADIUS, sd_mm=[sd_mm, None, sd_mm]))
        axle = part_results.axle(-side * x, 1680.0, None if inner else "no inner face was scanned")
        axles.append(replace(axle, track_mm=1480.0, track_sd_mm=0.2) if inner else axle)
    return part_results.frame(
        model.vertices_mm.min(axis=0), model.vertices_mm.max(axis=0), axes=axes, turn=turn, wheels=wheels, axles=axles,
        found_by=("front axle", "symmetry plane of the part", "ground plane"),
    )  # fmt: skip


def body_of(model, frame=None, covariance=None, hidden=None):
    """The car as measure takes it; ``hidden`` (n,) bool: vertices whose surface was not measured."""
    areas = vertices.areas(model)
    if hidden is not None:
        areas[hidden] = 0.0
    return Body(
        model, areas, np.full(len(areas), 0.1, np.float32), tangent_planes.support_of(areas, 200.0), OPTIONS, SCAN,
        frame or frame_of(model), {"all": part_results.pose(covariance=covariance)}, part_results.refine({}).scale,
    )  # fmt: skip


@pytest.fixture(scope="module")
def car():
    return of_mesh(blockcar.car())


@pytest.fixture(scope="module")
def found(car):
    return axle_dimensions.find(body_of(car))


def line(ahead, up=FLOOR):
    return np.degrees(tangent_angles.angle(np.array([ahead]), np.array([up]), RADIUS, RADIUS)[0])


def test_lengths_of_a_car_whose_lengths_are_known(found):
    values = {name: value.value_mm for name, value in found.dimensions.items()}
    assert values == pytest.approx(
        {
            "front_overhang": -FRONT,
            "rear_overhang": REAR - blockcar.WHEELBASE,
            "track_front": 1480.0,
            "track_rear": 1480.0,
            "over_tyres_front": 1680.0,
            "over_tyres_rear": 1680.0,
            "ground_clearance": FLOOR,
        },
        abs=FLAT_MM,
    )
    assert found.not_stated == {}
    assert not any(value.at_most for value in found.dimensions.values())


def test_angles_are_those_of_circles_and_corners(found):
    """The lower corners of the body's box, 250 mm up; the ramp's planes meet in the middle between the axles."""
    levers = {"approach_angle": -FRONT, "departure_angle": REAR - blockcar.WHEELBASE}
    for name, ahead in levers.items():
        # a corner is extrapolated over the support's half width, which the budget carries
        half = np.sqrt(3.0) * found.angles[name].budget_deg["support"]
        assert found.angles[name].value_deg == pytest.approx(line(ahead), abs=half + 0.005)
    assert found.angles["ramp_angle"].value_deg == pytest.approx(2.0 * line(blockcar.WHEELBASE / 2.0), abs=0.005)
    assert not any(angle.at_most for angle in found.angles.values())


def test_the_points_of_an_angle_lie_on_its_plane(found):
    approach = found.angles["approach_angle"]
    (tyre,) = approach.tyres_mm
    rise, run = approach.body_mm[2] - tyre[2], tyre[0] - approach.body_mm[0]
    assert np.degrees(np.arctan2(rise, run)) == pytest.approx(approach.value_deg, abs=1e-6)
    assert len(found.angles["ramp_angle"].tyres_mm) == 2


def test_axes_of_iso_8855_give_the_same(car, found):
    turned = surface.Surface(car.vertices_mm * np.float32([-1, -1, 1]), car.faces)
    other = axle_dimensions.find(body_of(turned, frame_of(turned, axes="iso_8855")))
    for name, value in found.dimensions.items():
        assert other.dimensions[name].value_mm == pytest.approx(value.value_mm, abs=0.02)
    for name, angle in found.angles.items():
        assert other.angles[name].value_deg == pytest.approx(angle.value_deg, abs=0.01)


def test_an_underbody_that_was_not_seen_leaves_upper_bounds(car):
    points = car.vertices_mm
    # all that faces down, but for a sill of 100 mm
    hidden = (points[:, 2] < FLOOR + 1.0) & (np.abs(points[:, 1]) < 700.0) & (points[:, 2] > FLOOR - 1.0)
    found = axle_dimensions.find(body_of(car, hidden=hidden))
    assert "0% of the underbody between the axles was scanned" in found.not_stated["ground_clearance"]
    assert all(angle.at_most and underbody.UNSEEN in angle.unknown for angle in found.angles.values())
    assert found.underbody.strip == 0.0


def test_a_part_of_the_underbody_gives_an_upper_bound(car):
    points = car.vertices_mm
    hidden = (points[:, 2] < FLOOR + 1.0) & (points[:, 2] > FLOOR - 1.0) & (points[:, 0] > 1900.0)
    clearance = axle_dimensions.find(body_of(car, hidden=hidden)).dimensions["ground_clearance"]
    assert clearance.at_most and underbody.UNSEEN in clearance.unknown
    assert clearance.value_mm == pytest.approx(FLOOR, abs=FLAT_MM)


def test_something_that_hangs_lower_limits(car):
    exhaust = trimesh.creation.box(bounds=[[1000, -60, 180], [1600, 60, 240]])
    model = with_mesh(car, exhaust)
    found = axle_dimensions.find(body_of(model))
    assert found.dimensions["ground_clearance"].value_mm == pytest.approx(180.0, abs=FLAT_MM)
    # the sum of both lines is least in the middle between the axles, which the exhaust covers
    middle = blockcar.WHEELBASE / 2.0
    assert found.angles["ramp_angle"].value_deg == pytest.approx(2.0 * line(middle, 180.0), abs=0.01)


def test_a_towing_ball_is_part_of_the_overhang_and_said(car):
    ball = trimesh.creation.box(bounds=[[REAR - 50, -25, 380], [REAR + 90, 25, 430]])
    model = with_mesh(car, ball, 10.0)
    found = axle_dimensions.find(body_of(model))
    rear = REAR - blockcar.WHEELBASE
    assert found.dimensions["rear_overhang"].value_mm == pytest.approx(rear + 90.0, abs=FLAT_MM)
    assert found.dimensions["rear_overhang_body"].value_mm == pytest.approx(rear, abs=FLAT_MM)
    assert [one.where for one in found.protrusions] == ["rear"]


def test_tracks_and_clearance_say_what_they_lack(car):
    found = axle_dimensions.find(body_of(car, frame_of(car, inner=False)))
    assert found.not_stated["track_front"] == "no inner face was scanned"
    assert found.dimensions["over_tyres_front"].value_mm == 1680.0
    # the strip lies between the widest tyres that there may be: the lowest point may be beside it
    assert underbody.UNSEEN_TYRES in found.dimensions["ground_clearance"].unknown
    assert found.dimensions["ground_clearance"].at_most


def test_without_treads_no_angle_is_stated(car):
    frame = frame_of(car)
    frame = replace(frame, wheels=[replace(wheel, radius_mm=None) for wheel in frame.wheels])
    found = axle_dimensions.find(body_of(car, frame))
    for name in (*axle_dimensions.ANGLES, "ground_clearance"):
        assert found.not_stated[name] == "the tread of its tyres was not scanned"


def test_in_a_frame_without_the_ground_only_what_needs_none_is_stated(car):
    frame = frame_of(car)
    frame.zero_planes["z"] = replace(frame.zero_planes["z"], found_by="named fiducials")
    found = axle_dimensions.find(body_of(car, frame))
    assert {"front_overhang", "track_front"} <= set(found.dimensions)
    for name in (*axle_dimensions.ANGLES, "ground_clearance"):
        assert found.not_stated[name] == "the frame's zero plane Z is not the ground"


def test_without_axles_nothing_refers_to_them(car):
    frame = replace(frame_of(car), wheels=[], axles=[])
    found = axle_dimensions.find(body_of(car, frame))
    assert found.dimensions == {} and set(found.not_stated.values()) == {"no axle was found"}


def test_a_surface_that_is_too_little_is_refused(car):
    found = axle_dimensions.find(body_of(car, hidden=car.vertices_mm[:, 0] < 0.0))
    assert found.not_stated["approach_angle"] == "too little of the body's lower side was scanned there"


@pytest.mark.parametrize(("opening_mm", "ends"), [(400.0, ["low"]), (0.0, [])])
def test_an_overhang_whose_end_lies_in_an_opening_is_a_lower_bound(opening_mm, ends):
    """A bowed sheet, 900 mm ahead of the axle, without the middle of its bow."""
    y, z = (grid.ravel() for grid in np.meshgrid(np.arange(-400.0, 401.0, 4.0), np.arange(400.0, 601.0, 4.0)))
    corner = (np.arange(50)[:, None] * 201 + np.arange(200)).ravel()
    faces = np.concatenate([corner[:, None] + [0, 202, 1], corner[:, None] + [0, 201, 202]])
    faces = faces[~(np.abs(y[faces]) < opening_mm / 2).any(axis=1)].astype(np.int32)
    bow = np.column_stack([y**2 / 10_000 + (z - 500.0) ** 2 / 1600 - 900.0, y, z]).astype(np.float32)
    model = surface.Surface(bow, faces)
    overhang = axle_dimensions.find(body_of(model)).dimensions["front_overhang"]
    assert [end.end for end in overhang.unscanned_ends] == ends
    assert ("unscanned end" in overhang.unknown) == bool(ends)
    # 200^2 / 10000 of the bow is missing
    beyond = overhang.unscanned_ends[0].beyond_mm if ends else 0.0
    assert overhang.value_mm + beyond == pytest.approx(900.0, abs=1.0)


TRIALS = 4000
WHEEL_SD, POSE_SD, TURN_DEG = 0.3, 0.15, 0.02


@pytest.mark.parametrize("name", axle_dimensions.ANGLES)
def test_stated_standard_uncertainty_of_an_angle_against_monte_carlo(car, name):
    """Axles, radii, the point of the body and the ground vary independently by what was stated of each; the closed form
    gives the angle. 4000 trials show a standard deviation to 1.1 %, four of which are allowed."""
    covariance = np.diag([0.0, 0.0, 0.0, *[POSE_SD**2] * 3])
    body = body_of(car, frame_of(car, sd_mm=WHEEL_SD, turn=TURN_DEG), covariance)
    angle = axle_dimensions.find(body).angles[name]
    radius_sd = tyres.of_axles(body)[0][0].sd_mm[2]
    rng = np.random.default_rng(7)
    sides = {"approach_angle": [(0.0, -1.0)], "departure_angle": [(blockcar.WHEELBASE, 1.0)]}
    sides = sides.get(name, [(0.0, 1.0), (blockcar.WHEELBASE, -1.0)])
    x, up = (angle.body_mm[[0, 2]] + rng.normal(0.0, POSE_SD, (TRIALS, 2))).T
    total = np.zeros(TRIALS)
    closed = np.vectorize(lambda ahead, up, height, radius: tangent_angles.angle(ahead, up, height, radius))
    for axle_x, sense in sides:
        axle = np.array([axle_x, RADIUS]) + rng.normal(0.0, POSE_SD, (TRIALS, 2))
        for _ in ("left", "right"):
            off, radius = rng.normal(0.0, WHEEL_SD, (TRIALS, 2)), RADIUS + rng.normal(0.0, radius_sd, TRIALS)
            total += closed(sense * (x - axle[:, 0] - off[:, 0]), up, axle[:, 1] + off[:, 1], radius) / 2.0
    if len(sides) == 1:
        total += rng.normal(0.0, np.radians(TURN_DEG), TRIALS)
    causes = ("registration", "tyres", "frame")  # those of the touching plane are its own, and tested there
    stated = np.sqrt(sum(angle.budget_deg.get(cause, 0.0) ** 2 for cause in causes))
    assert stated == pytest.approx(np.degrees(total.std()), rel=4.0 / np.sqrt(2.0 * TRIALS))

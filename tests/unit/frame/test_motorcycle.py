"""Wheels of which both sides show, and what may be said of the middle of a wheel of which one side shows."""

import json
from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy.spatial.transform import Rotation

import blockcar
import motorcycle
import simulate
import viewpoints
from nightbay.core import rigid
from nightbay.core.axes import DESIGN_GRID
from nightbay.frame import axles, frame, wheels
from nightbay.frame.result import FrameResult
from nightbay.measure import measure
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings

DEFAULTS = yaml.safe_load((Path(__file__).resolve().parents[3] / "config/config.yaml").read_text(encoding="utf-8"))
# A side face is where 2 % of the wall lie further out: on 250 mm of wall that curves with 40 mm, 2.5 mm to either side
# of the crest, 0.08 mm below it. Noise of 0.1 mm and rims and treads among the wall's points may double that. Both
# faces are lower alike, so their middle is not; the mean of 50 crest points in each of eight sectors errs by 0.01 mm.
FACE_MM, CENTRE_MM = 0.2, 0.1


def scan(body, count=120_000):
    """Points (n, 3) and normals (n, 3) of a body, all round and from above, in its own frame."""
    views = viewpoints.over(body, seed=1)
    run = simulate.scan(
        body, views, points=count, noise_mm=0.1, seed=1, ground=False, T_vehicle_segment=np.eye(4), chunk=200_000
    )
    points = run.all_points()
    return points.xyz, points.normals.astype(float)


@pytest.fixture(scope="module")
def scanned():
    return scan(motorcycle.motorcycle())


@pytest.fixture(scope="module")
def found(scanned, tmp_path_factory):
    """The result of frame for the motorcycle, and the true frame against the one that was found."""
    points, normals = scanned
    rows = {"front": np.flatnonzero(points[:, 0] < 800), "rear": np.flatnonzero(points[:, 0] > 500)}
    folder, T_control_true = tmp_path_factory.mktemp("motorcycle"), rigid.pose(np.eye(3), [1200.0, -800.0, 2500.0])
    upstream = blockcar.upstream(folder, points, normals, rows, T_control_true)
    options = settings({"scan": DEFAULTS["scan"], "frame": {**DEFAULTS["frame"], "coarse_mm": 15.0}})
    result = frame.frame(upstream, {}, options, folder, 1)
    return result, np.array(result["T_vehicle_control"]) @ T_control_true


@pytest.mark.parametrize(("at", "name"), [(0, "front"), (1, "rear")])
def test_wheel_centres_of_a_motorcycle_lie_in_the_middle_of_their_tyres(found, at, name):
    """Fork, brake discs, swing arm and a silencer on one side stand up to 150 mm beside the tyres."""
    result, T_found_true = found
    wheel = result["wheels"][at]
    centre = rigid.transform(rigid.invert(T_found_true), [wheel["centre_mm"]])[0]
    assert centre == pytest.approx(motorcycle.CENTRE[name], abs=CENTRE_MM)
    assert wheel["side"] == "middle" and wheel["centre_y_reason"] is None
    assert wheel["sd_mm"][1] < CENTRE_MM / 2
    width = wheel["sidewalls_y_mm"]["right"] - wheel["sidewalls_y_mm"]["left"]
    assert width == pytest.approx(motorcycle.TYRE_WIDTH[name], abs=2 * FACE_MM)


def test_one_wheel_has_no_track(found):
    numbers = {key: value for key, value in found[0].items() if key != "notes"}
    tracks = measure.track(typed.read(FrameResult, numbers).axles)
    assert tracks.track_mm == tracks.over_tyres_mm == [None, None]
    assert tracks.reasons == ["the axle shows one wheel"] * 2


@pytest.mark.parametrize(("shown", "known"), [(1.0, "right"), (-1.0, "left")])
def test_a_wheel_of_which_one_side_shows_has_no_middle(scanned, shown, known):
    points, normals = scanned
    near = (np.abs(points[:, 0]) < 400) & (np.abs(points[:, 1]) < 200) & (shown * normals[:, 1] > -0.1)
    wheel = wheels.fit(points[near], normals[near], 0.0, 0)
    assert not wheel.centred
    assert wheel.axle_mm == pytest.approx([0.0, shown * motorcycle.TYRE_WIDTH["front"] / 2, 300.0], abs=FACE_MM)
    (result,) = (typed.write(found) for found in axles.wheels_in_vehicle([wheel], np.eye(4), DESIGN_GRID))
    assert result["centre_mm"][1] is None and result["sd_mm"][1] is None
    assert result["centre_mm"][0] == pytest.approx(0.0, abs=CENTRE_MM)
    assert [side for side, y in result["sidewalls_y_mm"].items() if y is not None] == [known]
    assert result["centre_y_reason"].startswith(f"only the {known} side face of the tyre was scanned")


def test_a_car_scanned_from_outside_states_faces_and_no_middle():
    points, normals = blockcar.scan(blockcar.wheel(0.0, 840.0), 12_000, 1)
    outside = normals[:, 1] > -0.1
    wheel = wheels.fit(points[outside], normals[outside], 0.0, 1)
    (result,) = (typed.write(found) for found in axles.wheels_in_vehicle([wheel], np.eye(4), DESIGN_GRID))
    assert result["sidewalls_y_mm"] == {"left": None, "right": pytest.approx(840.0, abs=1.0)}
    assert result["centre_mm"][1] is None
    json.dumps(result, allow_nan=False)


def test_normals_that_are_turned_over_make_no_second_side():
    points, normals = blockcar.scan(blockcar.wheel(0.0, 840.0), 12_000, 1)
    outside = normals[:, 1] > -0.1
    wheel = wheels.fit(points[outside], -normals[outside], 0.0, 1)
    assert np.isnan(wheel.faces_mm).all()
    (result,) = (typed.write(found) for found in axles.wheels_in_vehicle([wheel], np.eye(4), DESIGN_GRID))
    assert result["centre_y_reason"].startswith("no side face of the tyre was scanned")


def both_sides(side, camber_deg=0.0, seed=2):
    """A wheel 119 mm wide at ``side`` * 700 mm, its top leaning outwards, as scanned all round."""
    points, normals = blockcar.scan(motorcycle.wheel("front"), 16_000, seed)
    lean = Rotation.from_euler("x", -side * camber_deg, degrees=True)
    middle = np.array([0.0, 0.0, motorcycle.RADIUS["front"]])
    points = lean.apply(points - middle) + middle + (0.0, side * 700.0, 0.0)
    return wheels.fit(points, lean.apply(normals), 0.0, side)


def test_track_is_measured_on_the_ground_where_all_faces_show():
    """By geometry: centre planes 1400 mm apart at the axle and 2 degrees aslant come together below it."""
    pair = axles.pair([both_sides(-1, 2.0), both_sides(1, 2.0)])
    (result,) = (typed.write(axle) for axle in axles.axles_in_vehicle(pair, np.eye(4), DESIGN_GRID))
    assert result["track_mm"] == pytest.approx(
        1400.0 - 2 * 300.0 * np.tan(np.radians(2.0)), abs=4 * result["track_sd_mm"]
    )
    assert result["track_reason"] is None
    # r sin(2 deg) of the wall's lean shows as scatter of the sectors: 240 mm * 0.035 * 0.7 / sqrt(8) = 2 mm each
    assert result["track_sd_mm"] < 4.0
    assert result["middle_y_mm"] == pytest.approx(0.0, abs=0.2)

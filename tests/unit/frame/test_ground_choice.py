"""Which of the planes that segments took for the ground are the ground, on a plain car in a random attitude."""

import json
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
import yaml

import blockcar
from nightbay.core import rigid
from nightbay.frame import frame, ground_choice
from nightbay.frame.ground_plane import STANDS_ON, SegmentPlane
from nightbay.frame.part_view import PartView
from nightbay.pipeline.settings import settings as frozen

ROOT = Path(__file__).resolve().parents[3]
SCHEMA = json.loads((ROOT / "workflow/schemas/frame.schema.json").read_text(encoding="utf-8"))
T_CONTROL_VEHICLE = rigid.pose(blockcar.rotation(np.random.default_rng(3)), [1200.0, -800.0, 2500.0])
ROUGHNESS_MM, REACH_MM = 2.0, 900.0  # a workshop floor beside a vehicle
MIDDLE = np.array([1250.0, 0.0, 0.0])
SIDES = {  # planes of the vehicle and of a workshop: normal and a point, vehicle frame
    "side": ((0, 1, 0), (1000, 850, 500)),
    "rear": ((1, 0, 0), (3250, 0, 600)),
    "roof from inside": ((0, 0, -1), (2000, 0, 1450)),
    "load floor": ((0, 0, 1), (1000, 0, 600)),
    "bonnet": ((-0.2, 0, 0.98), (-300, 0, 800)),
    "wall": ((0, -1, 0), (1000, 2200, 500)),
    "ramp": ((0.25, 0, 0.97), (-900, 0, 0)),
    "table": ((0, 0, 1), (0, 0, -700)),
}
HIDDEN = ("roof from inside", "wall", "ramp", "table")  # nothing of the vehicle lies below them


@pytest.fixture(scope="module")
def car():
    points, _ = blockcar.scan(blockcar.car(), 6000, 1)
    return points


def seen(plane, T_control_vehicle, rng=None, sd_mm=0.0):
    """A plane (normal, point) of the vehicle frame as a segment saw it, off by its stated uncertainty."""
    normal, point = np.asarray(plane[0], float), np.asarray(plane[1], float)
    if rng is not None:
        own = ROUGHNESS_MM / np.sqrt(STANDS_ON)
        across = np.linalg.svd(normal[None])[2][1:]
        normal = normal + rng.normal(0, own / REACH_MM, 2) @ across
        point = point + rng.normal(0, np.hypot(own, sd_mm)) * normal
    normal = rigid.rotate(T_control_vehicle, normal[None] / np.linalg.norm(normal))[0]
    point = rigid.transform(T_control_vehicle, point[None])[0]
    covariance = rigid.covariance_at_origin(np.diag([0.0] * 3 + [sd_mm**2] * 3), point)
    return SegmentPlane(normal, float(normal @ point), ROUGHNESS_MM, point, REACH_MM, covariance, 0.05)


def chosen(car, planes, T=None, wheels=True, sd_mm=0.0, rng=None):
    """The choice among planes {segment: (normal, point) of the vehicle frame}; axles stand on those at Z = 0."""
    T = np.eye(4) if T is None else T
    view = PartView(None, rigid.transform(T, car), None, None, SimpleNamespace(), 0.05, 1)
    level = [name for name, (normal, point) in planes.items() if np.dot(normal, (0, 0, 1)) > 0.999 and point[2] == 0]
    return ground_choice.choose(
        {name: seen(plane, T, rng, sd_mm) for name, plane in planes.items()},
        view,
        lambda names: 2 if wheels and set(names) <= set(level) else 0,
    )


def floor(*names, slope=0.0):
    return dict.fromkeys(names, ((slope, 0, 1), (*MIDDLE[:2], 0)))


def test_grounds_that_agree_are_all_used(car):
    choice = chosen(car, floor("front", "left", "right"))
    assert choice == ground_choice.Choice(["front", "left", "right"], [])
    assert ground_choice.notes(choice) == []
    assert chosen(car, {}) == ground_choice.Choice([], [])


@pytest.mark.parametrize("kind", SIDES)
def test_one_wrong_of_three_is_left_out_and_named(car, kind):
    """Also where no wheel was scanned: two agree."""
    choice = chosen(car, floor("front", "left") | {"right": SIDES[kind]}, wheels=False)
    assert choice.used == ["front", "left"] and choice.reason is None
    (left,) = choice.left_out
    assert (left.segment, left.against) == ("right", ["front", "left"])
    cosine = SIDES[kind][0][2] / np.linalg.norm(SIDES[kind][0])
    assert left.tilt_deg == pytest.approx(np.degrees(np.arccos(cosine)), abs=0.1)
    assert left.refused == (kind not in HIDDEN)
    (note,) = ground_choice.notes(choice)
    assert note.startswith("The ground of segment right is not used: ")
    assert ("degrees and 700 mm" if kind == "table" else "degrees and" if kind in HIDDEN else "lie below it.") in note


@pytest.mark.parametrize("kind", SIDES)
def test_of_two_the_vehicle_shows_which_is_wrong(car, kind):
    """By what lies below it, or by the wheels; without either none is used, and the reason names the difference."""
    planes = floor("left") | {"right": SIDES[kind]}
    assert chosen(car, planes).used == ["left"]
    choice = chosen(car, planes, wheels=False)
    if kind not in HIDDEN:
        assert choice.used == ["left"]
        return
    assert choice.used == [] and [left.segment for left in choice.left_out] == ["left", "right"]
    assert choice.reason.startswith("the grounds that segments show contradict each other by up to ")
    assert ground_choice.notes(choice) == [f"No scanned ground is used: {choice.reason}."]


def test_wheels_come_before_the_number_of_segments(car):
    planes = floor("left") | {"front": SIDES["wall"], "right": SIDES["wall"]}
    assert chosen(car, planes).used == ["left"]
    assert chosen(car, planes, wheels=False).used == ["front", "right"]  # nothing else is known


def test_three_that_all_differ_decide_nothing(car):
    planes = floor("left") | {"front": SIDES["wall"], "right": SIDES["ramp"]}
    choice = chosen(car, planes, wheels=False)
    assert choice.used == [] and len(choice.left_out) == 3


@pytest.mark.parametrize("kind", ["side", "rear", "load floor"])
def test_a_single_ground_with_the_vehicle_below_it_is_none(car, kind):
    choice = chosen(car, {"left": SIDES[kind]})
    assert choice.used == [] and choice.left_out[0].refused and choice.left_out[0].against == []
    assert choice.reason == "much of the vehicle lies below each plane that a segment shows as the ground"


def test_what_the_stance_compares_is_left_to_it(car):
    """A body that sank by 30 mm, and one that pitched by a degree, are told by their wheels."""
    sank = floor("front", "left") | {"right": ((0, 0, 1), (*MIDDLE[:2], 30.0))}
    assert chosen(car, sank).left_out == []
    assert chosen(car, floor("front", "left") | floor("right", slope=np.radians(1.0))).left_out == []


def test_segments_that_are_placed_poorly_may_differ_by_that(car):
    apart = floor("left") | {"right": ((0, 0, 1), (*MIDDLE[:2], -100.0))}
    assert chosen(car, apart, wheels=False, sd_mm=0.5).used == []
    assert chosen(car, apart, wheels=False, sd_mm=20.0).used == ["left", "right"]  # 100 < 50 + 4 x 20 x sqrt(2)


def trial(car, number, wrong, segments, wheels):
    """A vehicle in a random attitude, as on a sloping yard; ``wrong``: how many segments show another plane."""
    rng = np.random.default_rng([number, segments, wrong])
    T = rigid.pose(blockcar.rotation(rng), rng.uniform(-3000, 3000, 3))
    names = [f"run {at}" for at in range(segments)]
    planes = floor(*names)
    kinds = rng.choice(list(SIDES), wrong, replace=False)
    for name, kind in zip(rng.permutation(names)[:wrong], kinds, strict=True):
        planes[name] = SIDES[kind]
    choice = chosen(car, planes, T, wheels, sd_mm=float(rng.uniform(0, 1)), rng=rng)
    false = {name for name in names if planes[name] is not floor(name) and planes[name] in SIDES.values()}
    return choice, false, set(names) - false


@pytest.mark.parametrize(("wrong", "segments"), [(0, 2), (0, 4), (1, 2), (1, 3), (1, 4)])
def test_no_wrong_ground_is_used_and_no_sound_one_is_lost_on_any_slope(car, wrong, segments):
    for number in range(15):
        choice, false, sound = trial(car, number, wrong, segments, wheels=True)
        assert set(choice.used) == sound and {left.segment for left in choice.left_out} == false


def run(folder, car, shown, seen_by=None):
    """The stage on a car; ``shown`` {segment: plane of the vehicle frame that clean took for its ground, or None};
    ``seen_by`` {segment: rows of its points}."""
    points, normals = car
    rows = {"front": points[:, 0] < 1500, "rear": points[:, 0] > 900, "right": points[:, 1] > -100}
    rows = seen_by or {name: np.flatnonzero(rows[name]) for name in shown}
    upstream = blockcar.upstream(folder, points, normals, rows, T_CONTROL_VEHICLE)
    for segment in upstream["clean"]:
        plane = shown[segment.segment]
        pose = np.array(upstream["refine"].result["poses"][segment.segment]["T_control_segment"])
        if plane is None:
            segment.result["ground"] = None
        elif plane != "floor":
            own = seen(plane, rigid.invert(pose) @ T_CONTROL_VEHICLE)
            segment.result["ground"] |= {"normal": own.normal.tolist(), "offset_mm": own.offset_mm}
    defaults = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    options = frozen({"scan": defaults["scan"], "frame": {**defaults["frame"], "coarse_mm": 45.0}})
    result = frame.frame(upstream, {}, options, folder, 1)
    notes = result.pop("notes")
    jsonschema.validate(json.loads(json.dumps(result)), SCHEMA)
    return result, notes


@pytest.fixture(scope="module")
def scan():
    return blockcar.scan(blockcar.car(), 160_000, 1)


@pytest.mark.parametrize("shown", [{"front": "floor", "rear": "floor", "right": SIDES["side"]},
                                   {"front": SIDES["wall"], "rear": "floor"}])  # fmt: skip
def test_the_frame_is_the_one_without_the_wrong_ground(scan, shown, tmp_path):
    """Averaged with four others, a side turned the frame by 20 degrees, and a third of the length was missing. The
    second case is decided by the wheels."""
    (wrong,) = (name for name, plane in shown.items() if plane != "floor")
    result, notes = run(tmp_path / "wrong", scan, shown)
    without, quiet = run(tmp_path / "without", scan, shown | {wrong: None})
    assert result["zero_planes"] == without["zero_planes"]
    assert result["T_vehicle_control"] == without["T_vehicle_control"]
    assert [left["segment"] for left in result["grounds_left_out"]] == [wrong]
    assert notes[0].startswith(f"The ground of segment {wrong} is not used: ")
    assert [note for note in notes[1:] if "points of the floor" not in note] == quiet
    assert without["grounds_left_out"] == []


def test_the_floor_that_such_a_segment_kept_is_left_out_of_the_model(scan, tmp_path):
    points, normals = scan
    rng = np.random.default_rng(4)
    floor_mm = np.column_stack([rng.uniform((-500, 950), (3000, 1500), (8000, 2)), rng.normal(0, 0.3, 8000)])
    whole = np.concatenate([points, floor_mm]), np.concatenate([normals, np.tile([0.0, 0.0, 1.0], (8000, 1))])
    shown = {"front": "floor", "rear": "floor", "right": SIDES["side"]}
    seen_by = {"front": points[:, 0] < 1500, "rear": points[:, 0] > 900, "right": whole[0][:, 1] > -100}
    rows = {name: np.flatnonzero(mine) for name, mine in seen_by.items()}
    result, notes = run(tmp_path, whole, shown, rows)
    (left,) = result["stance"]["left_out"]
    assert (left["segment"], left["where"]) == ("right", "floor")
    marked = np.load(tmp_path / "right.left_out.npy")
    # below 4 x 0.3 mm of roughness; what of the tyres is lower belongs to the ground in every segment
    low = np.count_nonzero(whole[0][rows["right"], 2] <= 1.2)
    assert 8000 <= low < 8200 and left["count"] == marked.sum() == pytest.approx(low, rel=0.01)
    assert any(note.startswith(f"Segment right: {left['count']} points of the floor (") for note in notes)


def test_grounds_that_nothing_decides_leave_zero_z_to_the_tyres_or_as_scanned(scan, tmp_path):
    points, normals = scan
    shown = {"front": SIDES["wall"], "rear": "floor"}
    body = (points[:, 2] > 640) | ((np.abs(points[:, 1]) < 801) & (points[:, 2] > 249))
    result, notes = run(tmp_path, (points[body], normals[body]), shown)
    assert result["zero_planes"]["z"]["found_by"] == "kept"
    assert result["zero_planes"]["z"]["reason"].startswith("no ground that segments show can be used, and ")
    assert notes[0].startswith("No scanned ground is used: the grounds that segments show contradict each other by ")
    assert [left["segment"] for left in result["grounds_left_out"]] == ["front", "rear"]

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
import trimesh
import yaml

import blockcar
import part_results
from nightbay.core import deliverables
from nightbay.frame.result import Bounds, Sides
from nightbay.measure import measure, surface_checks
from nightbay.measure.result import MeasureResult
from nightbay.meshes import surface
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stage import Upstream

ROOT = Path(__file__).resolve().parents[3]
SCHEMA = json.loads((ROOT / "workflow/schemas/measure.schema.json").read_text(encoding="utf-8"))
DEFAULTS = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))


def of_mesh(mesh, longest_mm=30.0):
    vertices, faces = trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, longest_mm, max_iter=30)
    return surface.Surface(vertices.astype(np.float32), faces.astype(np.int32))


@pytest.fixture(scope="module")
def car():
    return of_mesh(blockcar.car())


def frame_of(
    model, found_by=("front axle", "symmetry plane of the part", "ground plane"), axes="design_grid", turn=0.0
):
    """What frame would have left: everything known to 0.1 mm."""
    side = -1.0 if axes == "design_grid" else 1.0
    wheels, axles = [], []
    for x in (0.0, blockcar.WHEELBASE):
        for name, sign in (("left", 1.0), ("right", -1.0)):
            sidewalls = Sides(**{"left": None, "right": None, name: sign * side * 840.0})
            wheels.append(part_results.wheel(name, [-side * x, None, 310.0], sidewalls))
        axles.append(part_results.axle(-side * x, 1680.0, "no inner face was scanned"))
    known = found_by[0] != "kept"
    return part_results.frame(
        model.vertices_mm.min(axis=0),
        model.vertices_mm.max(axis=0),
        axes=axes,
        found_by=found_by,
        turn=turn,
        wheels=wheels if known else [],
        axles=axles if known else [],
    )


def run(folder, model, frame=None, nominal=None, part="exterior", covariance=None, **changed):
    folder.mkdir(exist_ok=True)
    surface.write_ply(folder / "surface.ply", model)
    refined = part_results.refine({"all": part_results.pose(covariance=covariance)})
    results = {"fill": {}, "frame": typed.write(frame or frame_of(model)), "refine": typed.write(refined)}
    upstream = {
        name: Upstream(name, "job", part, None, "ok", [], [], result, folder) for name, result in results.items()
    }
    own = settings({"scan": DEFAULTS["scan"], "measure": {**DEFAULTS["measure"], **changed}})
    upstream["clean"] = []  # from which only edges of openings are taken
    result = measure.measure(upstream, {"nominal_mm": nominal or {}}, own, folder, 1)
    numbers = {key: value for key, value in result.items() if key != "notes"}
    jsonschema.validate(json.loads(json.dumps(numbers, allow_nan=False)), SCHEMA)
    typed.read(MeasureResult, numbers)
    return result


def values(result):
    return {name: one["value_mm"] for name, one in result["dimensions"].items()}


@pytest.fixture(scope="module")
def whole(car, tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    return run(folder, car, nominal={"length": 4000.0, "width": 1712.0}), folder


def test_dimensions_of_a_car_whose_dimensions_are_known(whole):
    # flat ends: nothing but float32 is between them and the truth
    assert values(whole[0]) == pytest.approx(
        {
            "length": blockcar.LENGTH,
            "width": blockcar.WIDTH,
            "width_over_mirrors": blockcar.WIDTH + 2 * blockcar.MIRROR_REACH,
            "height": blockcar.HEIGHT + blockcar.ANTENNA,
            "height_body": blockcar.HEIGHT,
            "wheelbase": blockcar.WHEELBASE,
            "front_overhang": 750.0,
            "rear_overhang": blockcar.LENGTH - 750.0 - blockcar.WHEELBASE,
            "over_tyres_front": 1680.0,
            "over_tyres_rear": 1680.0,
        },
        abs=0.01,
    )


def test_difference_from_nominal_is_judged_by_the_uncertainty(whole):
    length, width = (whole[0]["dimensions"][name] for name in ("length", "width"))
    assert length["difference_mm"] == pytest.approx(0.0, abs=0.01)
    assert length["significant"] is False
    assert width["difference_mm"] == pytest.approx(-12.0, abs=0.01)
    assert width["significant"] is True
    assert whole[0]["dimensions"]["height"]["significant"] is None


def test_what_was_left_out_is_listed(whole):
    seen = whole[0]["protrusions"]
    assert [(one["where"], one["excluded"]) for one in seen] == [("left", True), ("right", True), ("roof", True)]
    assert seen[0]["reach_mm"] == pytest.approx(blockcar.MIRROR_REACH, abs=0.1)
    # sixteen vertices bear a level, and the antenna's end has fewer: one spacing of 30 mm lower
    assert seen[2]["reach_mm"] == pytest.approx(blockcar.ANTENNA, abs=30.0)
    assert seen[0]["low_mm"][0] == pytest.approx(450, abs=1)


def test_mirrors_can_be_included(car, tmp_path):
    result = run(tmp_path, car, mirrors="include")
    assert values(result)["width"] == values(result)["width_over_mirrors"]


def test_without_mirrors_no_width_over_them_is_stated(tmp_path):
    result = run(tmp_path, of_mesh(blockcar.car(mirrors=False)))
    assert "width" in result["dimensions"] and "width_over_mirrors" not in result["dimensions"]
    assert any("no mirror was found" in note for note in result["notes"])


def test_a_width_over_one_mirror_is_doubtful(car, tmp_path):
    corners = car.vertices_mm[car.faces]
    kept = car.faces[corners[:, :, 1].max(axis=1) < blockcar.WIDTH / 2 + 1]
    result = run(tmp_path, surface.Surface(car.vertices_mm, kept))
    stated = result["dimensions"]["width_over_mirrors"]
    assert stated["value_mm"] == pytest.approx(blockcar.WIDTH + blockcar.MIRROR_REACH, abs=0.1)
    assert "one mirror only" in stated["unknown"]
    assert any("a mirror was found on the left side only" in note for note in result["notes"])


def test_sections_hold_the_outline(whole):
    cuts = json.loads((whole[1] / "sections.json").read_text(encoding="utf-8"))["sections"]
    assert [one["name"] for one in cuts if one["axis"] == "y"] == ["Y 0"]
    assert {"X 0", "X 250", "axle 1", "axle 2"} <= {one["name"] for one in cuts}
    middle = np.concatenate([line["points_mm"] for line in cuts[0]["polylines"]])
    assert middle[:, 0].min() == pytest.approx(-750, abs=0.01)
    assert middle[:, 1].max() == pytest.approx(blockcar.HEIGHT + blockcar.ANTENNA, abs=0.01)
    assert whole[0]["sections"][0]["length_mm"] > 9000


def test_equal_sides_are_equal(whole):
    numbers = whole[0]["symmetry"]
    assert numbers["rms_mm"] < 0.3
    saved = np.load(whole[1] / "sides.npy")
    assert len(saved) >= numbers["compared"] == np.count_nonzero(np.isfinite(saved["deviation_mm"]))
    assert (saved["points_mm"][:, 1] < 0.0).all()  # the left side
    assert numbers["areas"] == []


def test_the_uncertainty_of_the_surface_goes_to_the_customer_with_its_values(whole):
    mapped = surface.read_ply(whole[1] / "deliverables" / "uncertainty.ply")
    # a surface without counts has the noise of one point; poses are exact; drift is least in the middle
    assert np.nanmin(mapped.vertex["uncertainty_mm"]) == pytest.approx(2 * 0.1, rel=0.01)
    assert whole[0]["uncertainty"]["p95_mm"] < 2 * np.hypot(0.1, 0.03 * 2.5)
    assert "uncertainty.ply" in deliverables.described(whole[1])
    assert deliverables.described(whole[1])["uncertainty.ply"].startswith("expanded uncertainty")


def test_a_reference_is_refused_in_the_numbers_where_nothing_was_measured(tmp_path):
    speck = surface.Surface(np.eye(3, dtype=np.float32), np.array([[0, 1, 2]], np.int32))
    entry = {"file": "b.ply", "kind": "cad", "align": "best"}
    body = SimpleNamespace(
        surface=speck,
        areas=np.zeros(3),
        frame=part_results.frame([0, 0, 0], [1, 1, 1]),
        poses={"all": part_results.pose()},
        scan=SimpleNamespace(noise_mm=0.1, target_drift_mm_per_m=0.03),
        options=SimpleNamespace(comparison_spacing_mm=10.0),
    )
    assert surface_checks.check(body, [], {}, tmp_path, 1).reference is None
    found = surface_checks.check(body, [], {"reference": entry}, tmp_path, 1).reference
    assert (found.state, found.file) == ("refused", "b.ply")


def test_axes_of_iso_8855_give_the_same_dimensions(car, whole, tmp_path):
    turned = surface.Surface(car.vertices_mm * np.float32([-1, -1, 1]), car.faces)
    result = run(tmp_path, turned, frame_of(turned, axes="iso_8855"))
    assert values(result) == pytest.approx(values(whole[0]), abs=0.01)
    assert [one["where"] for one in result["protrusions"]] == ["left", "right", "roof"]
    assert result["protrusions"][0]["high_mm"][1] == pytest.approx(1030.0, abs=0.1)


def test_filled_faces_do_not_count(car, whole, tmp_path):
    bumper = surface.Surface(
        np.concatenate([car.vertices_mm, np.float32([[-900, -99, 500], [-900, 99, 500], [-900, 0, 600]])]),
        np.concatenate([car.faces, [[0, 1, 2] + np.full(3, len(car.vertices_mm))]]).astype(np.int32),
    )
    filled = np.zeros(len(bumper.faces), np.uint8)
    filled[-1] = 1
    marked = surface.Surface(bumper.vertices_mm, bumper.faces, face={"filled": filled})
    result = run(tmp_path, marked)
    assert values(result)["length"] == values(whole[0])["length"]
    assert result["extent_mm"] == whole[0]["extent_mm"]


def test_kept_as_scanned_gives_its_extent_and_no_dimension(car, tmp_path):
    frame = frame_of(car, ("kept", "kept", "kept"))
    result = run(tmp_path, car, frame)
    assert result["dimensions"] == {}
    assert result["symmetry"] is None
    assert len(result["notes"]) == 3
    assert result["extent_mm"]["low_mm"] == pytest.approx([-750.0, -1030.0, 0.0])


def test_inside_dimensions_have_their_own_names(car, tmp_path):
    result = run(tmp_path, car, frame_of(car, ("kept", "symmetry plane of the part", "floor plane")), part="interior")
    assert set(result["dimensions"]) == {"inner_length", "inner_width", "inner_height"}


def test_uncertainty_is_the_root_of_its_budget(whole):
    for one in whole[0]["dimensions"].values():
        known = [value for value in one["budget_mm"].values() if value is not None]
        assert one["uncertainty_mm"] == pytest.approx(2 * np.sqrt(sum(value**2 for value in known)))


def test_a_turn_of_the_frame_widens_the_uncertainty_by_its_lever(car, whole, tmp_path):
    result = run(tmp_path, car, frame_of(car, turn=0.02))
    part = result["dimensions"]["width"]["budget_mm"]["frame"]
    # the belt line is 3300 mm long, so its box grows by 3300 mm x 0.02 degrees; it is 80 mm high: next to nothing
    assert part == pytest.approx(3300 * np.radians(0.02), rel=0.1)
    assert whole[0]["dimensions"]["width"]["budget_mm"]["frame"] == 0.0


def test_poses_that_are_unsure_widen_the_uncertainty(car, tmp_path):
    covariance = np.diag([0, 0, 0, 0.09, 0.04, 0.01]).tolist()
    found = run(tmp_path, car, covariance=covariance)["dimensions"]
    assert found["length"]["budget_mm"]["registration"] == pytest.approx(0.3 * np.sqrt(2))
    assert found["width"]["budget_mm"]["registration"] == pytest.approx(0.2 * np.sqrt(2))
    assert found["height"]["budget_mm"]["registration"] == pytest.approx(0.1)


def test_what_is_not_known_is_left_out_and_named(car, tmp_path):
    """No segment reaches the ends of the car: nothing says whose pose moves them."""
    middle = Bounds(np.array([400.0, -900.0, 0.0]), np.array([500.0, 900.0, 1500.0]))
    result = run(tmp_path, car, replace(frame_of(car), segments={"all": middle}))
    assert result["dimensions"]["length"]["unknown"] == ["registration"]
    assert result["dimensions"]["length"]["budget_mm"]["registration"] is None


def bumpers(opening_mm):
    """Two bowed sheets, the ends of a vehicle, 2 m apart; the one at high X without the middle of its bow."""
    y, z = (grid.ravel() for grid in np.meshgrid(np.arange(-400.0, 401.0, 4.0), np.arange(400.0, 601.0, 4.0)))
    corner = (np.arange(50)[:, None] * 201 + np.arange(200)).ravel()
    faces = np.concatenate([corner[:, None] + [0, 1, 202], corner[:, None] + [0, 202, 201]])
    bow = 1000.0 - y**2 / 10_000 - (z - 500.0) ** 2 / 1600
    shut = faces[~(np.abs(y[faces]) < opening_mm / 2).any(axis=1)]
    points = np.concatenate([np.column_stack([x, y, z]) for x in (bow, -bow)])
    faces = np.concatenate([shut, faces[:, ::-1] + len(y)]).astype(np.int32)
    return surface.Surface(points.astype(np.float32), faces)


@pytest.mark.parametrize(("axes", "end"), [("design_grid", "rear"), ("iso_8855", "front")])
def test_a_length_whose_end_lies_in_an_opening_says_so(tmp_path, axes, end):
    model = bumpers(400.0)
    result = run(tmp_path / axes, model, frame_of(model, axes=axes))
    length = result["dimensions"]["length"]
    assert length["budget_mm"]["unscanned end"] is None and "unscanned end" in length["unknown"]
    assert [one["end"] for one in length["unscanned_ends"]] == ["high"]
    # 200^2 / 10000 of the bow is missing
    assert length["value_mm"] + length["unscanned_ends"][0]["beyond_mm"] == pytest.approx(2000.0, abs=1.0)
    assert any(note.startswith(f"Length: the {end} end lies in an opening") for note in result["notes"])


@pytest.mark.parametrize(("nominal_mm", "judged"), [(2000.0, None), (1990.0, True), (1996.0, None)])
def test_too_short_can_t_be_told_where_an_end_was_not_scanned(tmp_path, nominal_mm, judged):
    """1996 mm of 2000 were scanned: the vehicle is longer than 1990, and may be as long as any larger value."""
    model = bumpers(400.0)
    result = run(tmp_path / "cut", model, frame_of(model), nominal={"length": nominal_mm})
    assert result["dimensions"]["length"]["significant"] is judged


def test_a_length_whose_ends_were_scanned_says_nothing(tmp_path):
    result = run(tmp_path / "whole", bumpers(0.0))
    assert result["dimensions"]["length"]["unscanned_ends"] == []
    assert "unscanned end" not in result["dimensions"]["length"]["budget_mm"]
    assert not any("opening" in note for note in result["notes"])


def with_ground(model, low, high):
    """The model with level surface at Z = 0 between two corners, (X, Y) mm, as cleaning leaves it now and then."""
    x, y = (grid.ravel() for grid in np.meshgrid(*(np.arange(low[axis], high[axis] + 1.0, 10.0) for axis in (0, 1))))
    columns = round((high[0] - low[0]) / 10.0) + 1
    first = np.arange(len(x) - columns)
    first = first[(first + 1) % columns > 0][:, None]
    faces = np.concatenate([first + [0, 1, columns + 1], first + [0, columns + 1, columns]]) + len(model.vertices_mm)
    points = np.column_stack([x, y, np.zeros(len(x))])
    return surface.Surface(
        np.concatenate([model.vertices_mm, points]).astype(np.float32),
        np.concatenate([model.faces, faces]).astype(np.int32),
    )


def test_ground_that_was_left_is_not_measured_and_said(car, tmp_path):
    """Half a metre of it behind the car, and beside it."""
    clear = run(tmp_path / "clear", car)
    rear = float(car.vertices_mm[:, 0].max())
    left = with_ground(car, (rear - 400.0, -1400.0), (rear + 500.0, -400.0))
    result = run(tmp_path / "left", left, frame_of(car))
    assert values(result) == values(clear)
    assert [note for note in result["notes"] if "lie in the ground plane" in note] == [
        "9000 cm\u00b2 of the model lie in the ground plane: ground that the stage clean did not recognise. No "
        "dimension counts it; cut it out of the model, or scan that segment with more of the ground."
    ]
    assert not any("ground plane" in note for note in clear["notes"])


def test_the_floor_of_an_interior_is_measured(tmp_path):
    floor = with_ground(bumpers(0.0), (-1500.0, -300.0), (1500.0, 300.0))
    found_by = ("front wall", "symmetry plane of the part", "floor")
    result = run(tmp_path, floor, frame_of(floor, found_by), part="interior")
    assert result["dimensions"]["inner_length"]["value_mm"] == pytest.approx(3000.0, abs=1.0)

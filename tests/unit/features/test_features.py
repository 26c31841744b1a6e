import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import feature_scenes
from feature_scenes import Piece
from nightbay.core import rigid
from nightbay.features import features, table

SPACING = 1.0
FLAT = (0.0, np.array([50.0, 60.0]), np.zeros(2))  # a face without bow
SIDE = Rotation.from_euler("x", -90, degrees=True).as_matrix()  # faces look to +Y


def piece(kind, at, radius, face):
    return Piece(kind, rigid.pose(SIDE, at), radius, face, FLAT)


MADE = [
    piece("hole", [300.0, 800.0, 500.0], 9.0, 40.0),
    piece("hole", [900.0, 800.0, 520.0], 7.0, 40.0),
    piece("mount", [1500.0, 810.0, 800.0], 12.0, 60.0),
    piece("hub", [2500.0, 790.0, 330.0], 30.0, 70.0),
    piece("hole", [3300.0, 805.0, 700.0], 6.0, 40.0),
]


def order(number, kind, within, **more):
    return {"name": f"f{number}", "kind": kind, "at_mm": MADE[number].centre_mm.tolist(), "within_mm": within, **more}


ORDERED = {
    "features": [
        order(0, "hole", 35.0, nominal_mm=18.0, lower_mm=-1.5, upper_mm=1.5),
        order(1, "hole", 35.0, nominal_mm=14.0, lower_mm=-0.01, upper_mm=0.01),
        order(2, "mount", 55.0, nominal_mm=20.0, lower_mm=-1.0, upper_mm=1.0),
        order(3, "hub", 65.0),
        {**order(4, "plane", 35.0), "name": "face"},
        {**order(0, "point", 35.0, at_mm=[320.0, 803.0, 500.0]), "name": "spot"},
        {**order(3, "cylinder", 65.0, direction=[0, 1, 0]), "name": "spigot"},
        {"name": "front", "kind": "plane", "station": {"axis": "x", "value_mm": 100.0}},
        {"name": "ring", "kind": "hole_pattern", "holes_mm": [MADE[at].centre_mm.tolist() for at in (0, 2, 4)],
         "within_mm": 35.0},
        {"name": "nothing", "kind": "hole", "at_mm": [9000.0, 0, 0], "within_mm": 30.0},
        {**order(4, "sphere", 35.0), "name": "no sphere"},
    ],
    "distances": [
        {"name": "holes", "from": "f0", "to": "f1", "nominal_mm": 600.0, "lower_mm": -2.0, "upper_mm": 2.0},
        {"name": "along", "from": "f2", "to": "f3", "along": "x"},
        {"name": "off the face", "from": "f3", "to": "face"},
        {"name": "from station", "from": "front", "to": "f0"},
        {"name": "to axis", "from": "f2", "to": "spigot"},
        {"name": "of nothing", "from": "f0", "to": "nothing"},
        {"name": "no point", "from": "f0", "to": "face", "along": "x"},
    ],
    "angles": [
        {"name": "faces", "from": "f2", "to": "f3"},
        {"name": "axis to face", "from": "spigot", "to": "face"},
    ],
}  # fmt: skip
TRUE = {
    ("f0", "diameter"): 18.0, ("f1", "diameter"): 14.0, ("f2", "diameter"): 24.0, ("f3", "diameter"): 60.0,
    ("spigot", "diameter"): 60.0, ("f2", "z"): 800.0, ("spot", "y"): 800.0,
    "holes": np.linalg.norm(MADE[1].centre_mm - MADE[0].centre_mm), "along": 1000.0, "off the face": 15.0,
    "from station": 200.0, "to axis": np.hypot(1000.0, 470.0), "faces": 0.0, "axis to face": 90.0,
}  # fmt: skip


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    part = feature_scenes.part(np.random.default_rng(3), tmp_path_factory.mktemp("part"), MADE, SPACING)
    return features.find(part, ORDERED)


def test_values_agree_with_the_truth_within_their_uncertainty(found):
    values = {(feature.name, value.name): value for feature in found.features for value in feature.values}
    values |= {value.name: value for value in [*found.distances, *found.angles]}
    for name, true in TRUE.items():
        # expanded with k = 2; of fourteen values none lies beyond k = 3.5 in 99 of 100 scenes
        assert abs(values[name].value - true) < 3.5 / 2 * values[name].uncertainty, name
        assert values[name].uncertainty < 1.6


def test_verdicts_follow_the_uncertainty(found):
    diameters = {feature.name: feature.values[-1] for feature in found.features if feature.name in ("f0", "f1", "f2")}
    assert diameters["f0"].verdict == "inside"
    assert diameters["f1"].verdict == "undecided"  # the tolerance is narrower than the uncertainty
    assert diameters["f2"].verdict == "outside"  # 4 mm too large
    assert found.distances[0].verdict == "inside" and found.distances[1].verdict is None


def test_a_pattern_has_the_circle_through_its_holes(found):
    ring = next(feature for feature in found.features if feature.name == "ring")
    a, b, c = (MADE[number].centre_mm for number in (0, 2, 4))
    sides = [np.linalg.norm(b - c), np.linalg.norm(a - c), np.linalg.norm(a - b)]
    circumscribed = np.prod(sides) / np.linalg.norm(np.cross(b - a, c - a))  # diameter through three points
    diameter = next(value for value in ring.values if value.name == "diameter")
    assert abs(diameter.value - circumscribed) < 3 / 2 * diameter.uncertainty
    assert [value.name for value in ring.values if value.name.startswith("hole")] == ["hole 1", "hole 2", "hole 3"]


def test_what_can_not_be_stated_is_refused_with_the_reason(found):
    refused = {each.name: (each.what, each.reason) for each in found.refused}
    assert "0 points were scanned about X 9000, Y 0, Z 0 mm" in refused["nothing"][1]
    assert refused["of nothing"] == ("distance", "the feature 'nothing' was not found")
    assert "kind 'plane' has no point whose X could be taken" in refused["no point"][1]
    assert "sphere" in refused["no sphere"][1]
    assert len(refused) == 4


def test_the_budget_names_its_causes(found):
    along = next(value for value in found.distances if value.name == "along")
    assert {"noise", "definition", "registration", "drift", "frame"} <= set(along.budget)
    assert "frame" not in found.distances[0].budget  # a distance between two points does not depend on the frame
    f0 = next(feature for feature in found.features if feature.name == "f0")
    assert "edge" in f0.values[-1].budget and f0.values[-1].budget["edge"] > 0.05
    # the zero plane of the frame dominates a coordinate
    assert f0.values[0].budget["frame"] > feature_scenes.ZERO_SD_MM


def test_the_table_for_cad_has_each_value_with_its_verdict(found):
    lines = table.text(found).splitlines()
    assert sum(line.startswith("#") for line in lines) == 3
    head = lines[3].split(",")
    rows = [dict(zip(head, line.split(","), strict=False)) for line in lines[4:]]
    hole = next(row for row in rows if row["name"] == "f0" and row["value_of"] == "diameter")
    assert hole["verdict"] == "inside" and float(hole["expanded_uncertainty"]) > 0 and hole["unit"] == "mm"
    assert {row["item"] for row in rows} == {"feature", "distance", "angle"}
    assert any(row["verdict"] == "not stated" and row["name"] == "nothing" for row in rows)


def test_the_same_points_give_the_same_table(found, tmp_path):
    part = feature_scenes.part(np.random.default_rng(3), tmp_path, MADE, SPACING)
    first = features.find(part, {"features": ORDERED["features"][:2]}).features
    assert [feature.values for feature in first] == [feature.values for feature in found.features[:2]]

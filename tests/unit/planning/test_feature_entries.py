"""What a job sheet orders of features: each fault is one sentence that names the key and what is allowed."""

import pytest

from nightbay.planning import feature_entries, validation

SHEET = "van/job.yaml"
HOLE = {"name": "a", "kind": "hole", "at_mm": [1, 2, 3], "within_mm": 30}
OTHER = {"name": "b", "kind": "hub", "low_mm": [0, 0, 0], "high_mm": [9, 9, 9], "direction": [0, 1, 0]}


def of(*features, **lists):
    return {"features": list(features), **lists}


def test_each_way_to_place_a_feature_is_taken():
    written = of(
        {**HOLE, "nominal_mm": 12, "lower_mm": -0.1, "upper_mm": 0.2},
        OTHER,
        {"name": "front", "kind": "plane", "station": {"axis": "x", "value_mm": 1200}},
        {"name": "target", "kind": "point", "target": 12},
        {"name": "ring", "kind": "hole_pattern", "holes_mm": [[0, 0, 0], [9, 0, 0], [0, 9, 0]], "within_mm": 12},
        distances=[{"name": "d", "from": "a", "to": "b", "along": "x", "nominal_mm": 4, "upper_mm": 1}],
        angles=[{"name": "w", "from": "a", "to": "front", "nominal_deg": 90, "lower_deg": -1, "upper_deg": 1}],
    )
    assert feature_entries.faults(SHEET, "exterior", written) == []
    document = {"vehicle_class": "van", "parts": {"exterior": written}}
    assert validation.faults(document, validation.schema("job"), SHEET) == []
    ordered = feature_entries.orders(written)
    assert ordered["features"][3]["target"] == "12"
    assert list(ordered["distances"][0]) == sorted(ordered["distances"][0])


def test_a_part_that_orders_nothing_gives_an_empty_mapping():
    assert feature_entries.orders({"segments": {}}) == {}


@pytest.mark.parametrize(
    ("written", "sentence"),
    [
        (of(HOLE, HOLE), "'parts.exterior.features' has the name 'a' twice"),
        (of({"name": "a", "kind": "hole"}), "exactly one of at_mm, low_mm, holes_mm, station, target; it has none"),
        (of({**HOLE, "target": "1"}), "it has at_mm and target"),
        (of({"name": "a", "kind": "hole", "at_mm": [0, 0, 0]}), "has 'at_mm' and lacks the key 'within_mm'"),
        (of({**HOLE, "high_mm": [1, 1, 1]}), "has 'high_mm', which does not belong to 'at_mm'"),
        (of({"name": "a", "kind": "hole", "target": "1"}), "has 'target', which belongs to kind point"),
        (of({**HOLE, "kind": "hole_pattern"}), "lacks the key 'holes_mm'"),
        (of({**OTHER, "low_mm": [0, 20, 0]}), "a box whose Y ends at 9 below its beginning at 20"),
        (of({**HOLE, "direction": [0, 0, 0]}), "has the direction 0, 0, 0"),
        (of({**HOLE, "kind": "plane", "nominal_mm": 3}), "has a nominal diameter, and kind plane has none"),
        (of({**HOLE, "upper_mm": 1}), "has a tolerance and lacks the key 'nominal_mm'"),
        (of({**HOLE, "nominal_mm": 9, "lower_mm": 2, "upper_mm": 1}), "allows deviations from 2 to 1"),
        (of(HOLE, distances=[{"name": "d", "from": "a", "to": "bb"}]), "names the feature 'bb' as 'to'"),
        (of(HOLE, OTHER, distances=[{"name": "d", "from": "a", "to": "B1"}]), "which the part does not have"),
        (of(HOLE, angles=[{"name": "d", "from": "a", "to": "a"}]), "names 'a' at both ends"),
        ({"distances": [{"name": "d", "from": "a", "to": "b"}]}, "the part has no features"),
        (of(HOLE, OTHER, distances=[{"name": "d", "from": "a", "to": "b"}] * 2), "exterior.distances' has the name"),
    ],
)  # fmt: skip
def test_what_can_not_be_used_is_refused_in_one_sentence(written, sentence):
    found = feature_entries.faults(SHEET, "exterior", written)
    assert any(sentence in text for text in found)
    assert all(text.startswith(SHEET) and text.endswith(".") and text.count(". ") == 0 for text in found)


@pytest.mark.parametrize(
    "changed",
    [
        {"kind": "cone"},
        {"within_mm": 0},
        {"at_mm": [1, 2]},
        {"nominal_mm": -1},
        {"holes_mm": [[0, 0, 0]]},
        {"radius": 3},
        {"name": "a\nb"},
    ],
)
def test_the_schema_refuses_other_forms(changed):
    document = {"vehicle_class": "van", "parts": {"exterior": of({**HOLE, **changed})}}
    assert len(validation.faults(document, validation.schema("job"), SHEET)) == 1

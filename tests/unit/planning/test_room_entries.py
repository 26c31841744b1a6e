"""What a job sheet says of a room: each fault is one sentence that names the key and what is allowed."""

import pytest

from nightbay.planning import room_entries, validation

SHEET, SEGMENTS = "van/job.yaml", ["fore", "aft"]


def test_each_way_to_name_a_plane_or_a_point_is_taken():
    written = {
        "axes": {"up": {"plane": 1}, "forward": {"near_mm": [1, 2, 3], "segment": "fore"}},
        "sizes": [
            {"name": "rail to rail", "from": {"point_mm": [0, 0, 0], "segment": "fore"}, "to": {"plane": 4}},
            {"name": "to roof", "from": {"plane": 2}, "to": {"near_mm": [0, 0, 0], "segment": "aft"}},
        ],
    }
    assert room_entries.faults(SHEET, "interior", written, SEGMENTS) == []
    assert room_entries.faults(SHEET, "interior", {"axes": {"up": {"near_mm": [1, 2, 3]}}}, ["all"]) == []
    assert room_entries.faults(SHEET, "exterior", {"axes": {"up": "+z"}}, SEGMENTS) == []
    document = {"vehicle_class": "van", "parts": {"interior": written}}
    assert validation.faults(document, validation.schema("job"), SHEET) == []


@pytest.mark.parametrize(
    ("part", "written", "sentence"),
    [
        ("exterior", {"axes": {"up": {"plane": 1}}}, "axes.up' names a plane, which only an interior has"),
        ("exterior", {"sizes": [{"name": "a", "from": {"plane": 1}, "to": {"plane": 2}}]}, "is for an interior"),
        ("interior", {"axes": {"up": {"segment": "fore"}}}, "exactly one of plane, near_mm, points_mm; it has none"),
        (
            "interior", {"axes": {"up": {"plane": 1, "near_mm": [0, 0, 0], "segment": "fore"}}},
            "it has plane and near_mm",
        ),
        ("interior", {"axes": {"up": {"near_mm": [0, 0, 0]}}}, "lacks the key 'segment'"),
        (
            "interior", {"axes": {"up": {"near_mm": [0, 0, 0], "segment": "left"}}},
            "'parts.interior.axes.up.segment' is 'left'; the part has fore, aft",
        ),
        (
            "interior",
            {"sizes": [{"name": "a", "from": {"plane": 1}, "to": {"plane": 2}}] * 2},
            "has the name 'a' twice",
        ),
        (
            "interior", {"sizes": [{"name": "a", "from": {}, "to": {"plane": 2}}]},
            "'parts.interior.sizes.0.from' needs exactly one of plane, near_mm, point_mm; it has none",
        ),
    ],
)  # fmt: skip
def test_what_can_not_be_used_is_refused_in_one_sentence(part, written, sentence):
    found = room_entries.faults(SHEET, part, written, SEGMENTS)
    assert any(sentence in text for text in found)
    assert all(text.startswith(SHEET) for text in found)


@pytest.mark.parametrize("value", ["up", {"plane": 0}, {"near_mm": [1, 2]}, {"points_mm": [[0, 0, 0]]}, {"floor": 1}])
def test_the_schema_refuses_other_forms(value):
    document = {"vehicle_class": "van", "parts": {"interior": {"axes": {"up": value}}}}
    assert len(validation.faults(document, validation.schema("job"), SHEET)) == 1

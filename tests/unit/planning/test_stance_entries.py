"""What a job sheet says of a vehicle's stance: each fault is one sentence that names the key and what is allowed."""

import pytest

from nightbay.planning import stance_entries, validation

SHEET, SEGMENTS = "van/job.yaml", ["left", "right"]


def test_a_segment_can_be_named_for_wheels_and_for_panels():
    written = {"stance": {"wheels_from": "left", "panels_from": "right"}}
    assert stance_entries.faults(SHEET, "exterior", written, SEGMENTS) == []
    assert stance_entries.faults(SHEET, "interior", {}, SEGMENTS) == []
    document = {"vehicle_class": "van", "parts": {"exterior": written}}
    assert validation.faults(document, validation.schema("job"), SHEET) == []


@pytest.mark.parametrize(
    ("part", "written", "sentence"),
    [
        ("exterior", {"wheels_from": "roof"}, "'parts.exterior.stance.wheels_from' is 'roof', which is no segment"),
        ("exterior", {"panels_from": "roof"}, "is no segment: write one of left, right"),
        ("interior", {"wheels_from": "left"}, "an interior does not stand on wheels: remove it"),
    ],
)
def test_what_can_not_be_used_is_refused_in_one_sentence(part, written, sentence):
    found = stance_entries.faults(SHEET, part, {"stance": written}, SEGMENTS)
    assert len(found) == 1
    assert sentence in found[0]
    assert found[0].startswith(SHEET)

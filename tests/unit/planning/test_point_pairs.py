"""Point pairs and ``unplaced`` in a job sheet, and every sentence on what is wrong with them."""

import copy
import json

import pytest

from nightbay.planning import job_sheet
from nightbay.planning.point_pairs import PointPairs

POINTS = [[[0, 0, 0], [10, 20, 0]], [[1000, 0, 0], [1010, 20, 0]], [[0, 800, 0], [10, 820, 3]]]
ENTRY = {"segments": ["fore", "aft"], "points": POINTS, "sd_mm": 5}
SHEET = {
    "vehicle_class": "van",
    "units": "mm",
    "parts": {"interior": {"segments": {"aft": "raw/aft.ply", "fore": "raw/fore.ply"}, "point_pairs": [ENTRY]}},
}


@pytest.fixture
def read(tmp_path):
    """Reads a job sheet: SHEET with changes of its part and its one entry of point pairs."""

    def of(sheet=None, part=None, **entry):
        document = copy.deepcopy(SHEET) | (sheet or {})
        document["parts"]["interior"] |= part or {}
        if entry:
            document["parts"]["interior"]["point_pairs"][0] |= entry
        (tmp_path / "bay").mkdir(exist_ok=True)
        (tmp_path / "bay" / "job.yaml").write_text(json.dumps(document), encoding="utf-8")
        return job_sheet.read(tmp_path, "bay", ["van"]).parts["interior"]

    return of


def fault(read, **changes):
    with pytest.raises(job_sheet.Faults) as raised:
        read(**changes)
    (sentence,) = raised.value.sentences
    return sentence


def test_point_pairs_are_read_in_millimetres_and_in_order_of_their_segments(read):
    swapped = [[list(map(float, b)), list(map(float, a))] for a, b in POINTS]
    assert read().point_pairs == [PointPairs(["aft", "fore"], swapped, 5.0)]
    metres = {"segments": {"aft": {"file": "raw/aft.ply", "units": "m"}, "fore": "raw/fore.ply"}}
    points = [[a, [value / 1000 for value in b]] for a, b in POINTS]
    (pairs,) = read(part=metres, points=points).point_pairs
    for got, wanted in zip(pairs.points_mm, swapped, strict=True):
        assert got[0] == pytest.approx(wanted[0]) and got[1] == pytest.approx(wanted[1])


def test_unplaced_of_the_part_wins_over_that_of_the_job(read):
    assert read().unplaced == "refuse"
    assert read({"unplaced": "leave_out"}).unplaced == "leave_out"
    assert read({"unplaced": "leave_out"}, {"unplaced": "refuse"}).unplaced == "refuse"
    assert read(part={"unplaced": "leave_out"}).unplaced == "leave_out"


def test_unplaced_has_two_values(read):
    sentence = fault(read, sheet={"unplaced": "leave out"})
    assert sentence == "bay/job.yaml: 'unplaced' is \"leave out\"; allowed are refuse, leave_out."


KEY = "bay/job.yaml: 'parts.interior.point_pairs.0' "


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        (
            {"segments": ["fore", "after"]},
            KEY + "names segment 'after', which the part does not have (did you mean 'aft'?).",
        ),
        (
            {"segments": ["fore", "fore"]},
            KEY + "names segment 'fore' twice: name the two segments that the points were picked in.",
        ),
        (
            {"points": [[[0, 0, 0], [0, 0, 0]], [[500, 9, 0], [500, 9, 0]], [[1000, 0, 0], [1000, 0, 0]]]},
            KEY
            + "has points of segment aft nearly on a line: they lie 4 mm off it (rms), at least 5 times sd_mm, 25 mm, "
            "is needed; pick a point further off it.",
        ),
        (
            {"points": [*POINTS[:2], [[0, 800, 0], [10, 850, 0]]]},
            KEY
            + "has points 1 and 3 at a distance of 830 mm in segment aft and of 800 mm in segment fore: the difference "
            "may be 28 mm with the stated sd_mm; correct the points, their order or their units, or state a larger "
            "sd_mm.",
        ),
    ],
)
def test_points_that_determine_nothing_are_refused(read, entry, expected):
    assert fault(read, **entry) == expected


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        (
            {"points": POINTS[:2]},
            "points' is [[[0, 0, 0], [10, 20, 0]], [[1000, 0, 0], [1010, 20, 0]]]; at least 3 entries",
        ),
        ({"points": [*POINTS[:2], [[0, 800], [0, 800, 0]]]}, "points.2.0' is [0, 800]; at least 3 entries"),
        ({"points": [*POINTS[:2], [[0, 800, 0]]]}, "points.2' is [[0, 800, 0]]; at least 2 entries"),
        ({"points": [*POINTS[:2], [[0, 800, "x"], [0, 1, 2]]]}, 'points.2.0.2\' is "x"; it must be a number'),
        ({"sd_mm": 0}, "'parts.interior.point_pairs.0.sd_mm' is 0"),
        ({"sd": 3}, "'parts.interior.point_pairs.0.sd'"),
    ],
)
def test_entries_of_another_form_are_refused(read, entry, expected):
    assert expected in fault(read, **entry)


def test_a_standard_deviation_is_required(read):
    entry = {key: value for key, value in ENTRY.items() if key != "sd_mm"}
    assert "'parts.interior.point_pairs.0' lacks the key 'sd_mm'" in fault(read, part={"point_pairs": [entry]})


def test_two_entries_of_the_same_segments_are_refused(read):
    again = ENTRY | {"segments": ["aft", "fore"], "points": [[b, a] for a, b in POINTS]}
    assert fault(read, part={"point_pairs": [ENTRY, again]}) == (
        "bay/job.yaml: 'parts.interior.point_pairs.1' names aft and fore a second time: put all pairs of two segments "
        "in one entry."
    )

"""What a rerun changed, in sentences of the day board."""

from nightbay.report import board_changes

SIZE = {
    "part": "exterior", "key": "length", "name": "Length", "value_mm": 5401.23, "uncertainty_mm": 0.62,
    "at_least": False,
}  # fmt: skip


def shown(sizes=(), parameters=None, state="complete"):
    return {"state": state, "sizes": list(sizes), "parameters": parameters or {}}


def test_a_size_that_moved_by_less_than_its_last_digit_did_not_change():
    at = [{**SIZE, "value_mm": 5401.23 + off} for off in (0.0, -0.004, -0.04)]
    assert board_changes.changes(shown([at[0]]), shown([at[1]])) == [board_changes.NOTHING]
    assert board_changes.changes(shown([at[0]]), shown([at[2]])) == [
        "Length (exterior): \u22120.04\u202fmm against before."
    ]


def test_new_and_lost_sizes_and_many_parameters_are_said():
    width = {**SIZE, "key": "width", "name": "Width"}
    parameters = {"exterior": {"fuse": {f"k{at}": at for at in range(8)}}}
    found = board_changes.changes(shown([SIZE]), shown([width], parameters))
    assert found[:2] == ["Width (exterior): now stated.", "Length (exterior): no longer stated."]
    assert found[2] == "Parameter exterior.fuse.k0: 0; before: none." and len(found) == 2 + board_changes.LISTED + 1
    assert found[-1] == "2 further parameters changed."

"""What is read of a raw file is what was planned, or the file is refused."""

import os

import numpy as np
import pytest

from nightbay.core import unchanged
from nightbay.core.errors import Rejected
from nightbay.intake import intake
from nightbay.matching import targets
from nightbay.planning.raw_files import Hashes

LIST = "id,x,y,z\nA,1,2,3\n"


@pytest.fixture
def planned(tmp_path):
    """A file with its entry of a job sheet."""
    path = tmp_path / "t.csv"
    path.write_text(LIST)
    return path, {"file": "t.csv", **Hashes(tmp_path).of("t.csv"), "units": "mm", "columns": None}


def refusal(path, raw, change=lambda: None):
    """The sentence that a file is refused with when ``change`` happens while it is read."""
    with pytest.raises(Rejected) as caught, unchanged.while_read(path, raw):
        change()
    return str(caught.value)


def test_a_file_that_is_what_was_planned_is_read_and_one_that_is_touched_too(planned):
    path, raw = planned
    with unchanged.while_read(path, raw):
        os.utime(path, ns=(1, 1))


def test_a_list_of_targets_that_grew_after_the_night_was_planned(planned, tmp_path):
    path, raw = planned
    path.write_text(LIST + "B,4,5,6\n")
    with pytest.raises(Rejected) as caught:
        targets.read(raw, tmp_path)
    assert str(caught.value) == (
        "t.csv changed after the night was planned (17 bytes then, 25 now): wait until it is copied completely, then "
        "run the same command again."
    )


def test_an_export_that_changed_after_the_night_was_planned(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    np.savetxt("a.xyz", np.random.default_rng(0).uniform(0, 2000, (3000, 3)))
    sheet = {"file": "a.xyz", **Hashes(tmp_path).of("a.xyz"), "units": "mm", "columns": None}
    with open("a.xyz", "a", encoding="ascii") as file:
        file.write("1 2 3\n")
    with pytest.raises(Rejected, match="^a.xyz changed after the night was planned"):
        intake.intake({}, sheet, {"intake": {}, "scan": {}}, tmp_path, 1)


def test_a_file_that_changes_while_it_is_read(planned):
    path, raw = planned
    assert "changed after the night was planned (17 bytes then, 17 now)" in refusal(
        path, raw, lambda: path.write_text(LIST.replace("1", "7"))
    )


def test_a_change_outweighs_what_the_reader_makes_of_it(planned):
    path, raw = planned

    def cut():
        path.write_text(LIST[:-4])
        raise Rejected("t.csv was cut short.")

    assert "changed after the night was planned (17 bytes then, 13 now)" in refusal(path, raw, cut)


def test_a_file_that_is_gone(planned):
    path, raw = planned
    assert (
        refusal(path, raw, path.unlink)
        == refusal(path, raw)
        == ("t.csv can't be read any more (No such file or directory): put it back, then run the same command again.")
    )

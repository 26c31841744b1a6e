"""Intake of a run that lost its track: noted, or moved back; a sound run stays as it was."""

import numpy as np
import pytest

import captured_runs
from nightbay.tracking import slips
from raw_exports import write_ply

RUN = {"points": 120_000}


@pytest.fixture
def undetected(monkeypatch):
    """A function after which no run is looked at for slips."""

    def switch():
        nothing = slips.Track(
            slips.Tracking(None, "not looked at", 0.0, None, []), None, np.empty(0), np.empty((0, 4, 4))
        )
        monkeypatch.setattr(slips, "find", lambda *_: nothing)

    return switch


@pytest.mark.parametrize("way", ["note", "move"])
def test_a_sound_run_keeps_its_bytes(take, undetected, tmp_path, way):
    write_ply(tmp_path / "a.ply", "<", "f8", *captured_runs.run(**RUN))
    record, _ = take("a.ply", part="interior", split_slips=way)
    tracking = record["result"]["tracking"]
    assert tracking["order"] == "file" and tracking["not_tested"] is None and tracking["slips"] == []
    undetected()
    assert take("a.ply", part="interior", split_slips=way)[0]["files"] == record["files"]


def test_a_slip_is_noted_and_nothing_moves_unless_asked_for(take, undetected, tmp_path):
    xyz, normal = captured_runs.run(**RUN, slips=[(0.61, captured_runs.slip())])
    write_ply(tmp_path / "a.ply", "<", "f8", xyz, normal)
    noted, _ = take("a.ply", part="interior")  # by default
    moved, _ = take("a.ply", part="interior", split_slips="move")
    undetected()
    plain, _ = take("a.ply", part="interior")
    assert noted["files"] == plain["files"] != moved["files"]
    (slip,) = noted["result"]["tracking"]["slips"]
    assert not slip["moved"] and slip["T_segment_later"] == np.eye(4).tolist()
    assert moved["result"]["tracking"]["slips"][0]["moved"]
    assert any(note.startswith("a.ply seems to have lost its track after 61 %") for note in noted["notes"])
    assert any("was moved back by" in note for note in moved["notes"])

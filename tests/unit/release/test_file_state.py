"""Files that are missing, still being copied, or cut short for good."""

import os
import time

from nightbay.core.errors import Rejected
from nightbay.release import file_state

SHORT = Rejected("a.ply: its header promises 9 points, the file holds 3: it was cut short, copy or export it again.")


def test_a_file_that_grows_meanwhile_is_still_being_copied(tmp_path):
    path = tmp_path / "a.ply"
    path.write_bytes(b"1")
    before = file_state.of(path)
    assert file_state.growing(path, "a.ply", before) is None
    path.write_bytes(b"1" * 2_000_000)
    assert file_state.growing(path, "a.ply", before) == (
        "a.ply is still being copied (2.0 MB so far): check again when it is complete."
    )


def test_a_short_file_that_changed_just_now_may_still_be_copied(tmp_path):
    path = tmp_path / "a.ply"
    path.write_bytes(b"1")
    sentence = file_state.cut_short(path, "a.ply", file_state.of(path), SHORT)
    assert sentence is not None
    assert "may still be being copied: check again in a minute" in sentence
    assert str(SHORT) in sentence


def test_a_short_file_that_came_to_rest_is_cut_short(tmp_path):
    path = tmp_path / "a.ply"
    path.write_bytes(b"1")
    old = time.time() - 2 * file_state.AT_REST_S
    os.utime(path, (old, old))
    assert file_state.cut_short(path, "a.ply", file_state.of(path), SHORT) is None


def test_nothing_is_said_of_a_file_that_was_never_there(tmp_path):
    assert file_state.cut_short(tmp_path / "a.ply", "a.ply", None, SHORT) is None

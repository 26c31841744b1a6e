"""The user's command at the end of a night: never one out of the day, and its faults are sentences."""

import pytest

from nightbay.core.errors import Rejected
from nightbay.night import notification
from stand_ins import make_tool


def test_it_gets_the_outcome_and_the_board(tmp_path):
    tool = make_tool(tmp_path, "tell", f'printf "%s\\n" "$@" > "{tmp_path}/said"')
    assert notification.notify(str(tool), "complete", tmp_path / "a board", 10) is None
    assert (tmp_path / "said").read_text().splitlines() == ["complete", str(tmp_path / "a board")]


@pytest.mark.parametrize(
    ("script", "sentence"), [("exit 3", "failed with exit code 3"), ("exec sleep 60", "was ended after 1 s")]
)
def test_its_fault_is_a_sentence(tmp_path, script, sentence):
    tool = make_tool(tmp_path, "tell", script)
    assert sentence in notification.notify(str(tool), "failed", tmp_path, 1)


def test_a_program_that_can_t_be_run_is_a_sentence(tmp_path):
    tool = tmp_path / "tell"
    tool.write_text("#!/nonexistent\n")
    tool.chmod(0o755)
    assert "could not be run" in notification.notify(str(tool), "failed", tmp_path, 1)


def test_a_name_is_found_on_the_path_of_the_user(tmp_path, monkeypatch):
    tool = make_tool(tmp_path, "tell", "")
    monkeypatch.setenv("PATH", str(tmp_path))
    assert notification.command("tell", tmp_path / "day") == str(tool)


def test_a_program_that_is_none_is_refused(tmp_path):
    (tmp_path / "tell").write_text("no program")
    with pytest.raises(Rejected, match="make it executable"):
        notification.command(str(tmp_path / "tell"), tmp_path / "day")


def test_a_program_of_the_day_is_refused_also_by_a_link(tmp_path):
    day = tmp_path / "day"
    day.mkdir()
    tool = make_tool(day, "tell", "")
    link = tmp_path / "link"
    link.symlink_to(tool)
    for name in (tool, link):
        with pytest.raises(Rejected, match="lies in the day folder"):
            notification.command(str(name), day)

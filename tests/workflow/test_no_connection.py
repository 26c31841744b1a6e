"""A night needs no network and never tries to use one, not even for a file that names an address."""

import sys

import pytest

from nightbay.pipeline import stage
from workflow import resumed_day, watched


def test_a_night_asks_nothing_of_the_network(resumed):
    day, (done, asked, _) = resumed.day, resumed.watched
    assert done.returncode == 0, done.stdout + done.stderr
    assert (day / "results" / resumed_day.SOUND / "report" / resumed_day.SOUND / "report.html").is_file()
    started = (day.parent / "watched.txt").read_text()
    for stage_name in ("intake", "clean", "network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "report"):
        assert f".{stage_name}.py" in started  # the script's process was one of those that the hook was in
    assert asked == []


def test_a_file_that_names_an_address_is_refused(resumed):
    refused = stage.load(resumed.day / "results" / "asking" / "intake" / "exterior.left.json")
    assert "its XML section holds '<!DOCTYPE'" in refused.reasons[0]["sentence"]


def test_native_code_asks_nothing_of_the_network_and_the_night_does_without_one(resumed):
    done, _, unrouted = resumed.watched
    if not watched.alone():
        pytest.skip("this system lets a user have no network of his own (unshare --user --net), so the night had one")
    assert done.returncode == 0
    assert unrouted == 0


@pytest.mark.parametrize(
    "code",
    [
        f"import socket; socket.create_connection(('{resumed_day.ADDRESS}', 80), 0.1)",
        f"import socket; socket.socket(type=socket.SOCK_DGRAM).sendto(b'any', ('{resumed_day.ADDRESS}', 53)); 1 / 0",
    ],
)
def test_an_attempt_is_seen(code, tmp_path):
    done, asked, unrouted = watched.run(tmp_path, sys.executable, "-c", code)
    assert done.returncode == 1
    assert asked
    assert unrouted is None or unrouted > 0


def test_a_name_that_is_looked_up_is_seen(tmp_path):
    _, asked, _ = watched.run(tmp_path, sys.executable, "-c", "import socket; socket.gethostbyname('host.invalid')")
    assert asked and asked[0].startswith("socket.gethostbyname host.invalid")

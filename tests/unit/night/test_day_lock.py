"""One night a day, and a sentence on who has it."""

import os
import socket
import subprocess
import sys
import time

import pytest

from nightbay.core.errors import Rejected
from nightbay.night import day_lock
from nightbay.night.day_lock import Holder

# Takes the lock, leaves it to a child that lives SECONDS longer, and says when.
HOLDER = """
import os, sys, time
from pathlib import Path
from nightbay.night import day_lock
lock = day_lock.take(Path(sys.argv[1]), day_lock.this_process(Path("night.log"), "some time"))
if os.fork() == 0:
    print("taken", flush=True)
    time.sleep(float(sys.argv[2]))
"""


@pytest.fixture
def day(tmp_path):
    (tmp_path / ".nightbay").mkdir()
    return tmp_path


def me():
    return day_lock.this_process("night.log", "2026-03-04 21:00:00+01:00")


def test_a_second_night_hears_who_has_the_day_since_when_and_how_to_watch(day):
    lock = day_lock.take(day, Holder("anna", os.getpid(), socket.gethostname(), "2026-03-04 21:00:00+01:00", "a.log"))
    with pytest.raises(Rejected) as refused:
        day_lock.take(day, me())
    said = str(refused.value)
    assert f"anna started it at 2026-03-04 21:00:00+01:00 as process {os.getpid()} on {socket.gethostname()}" in said
    assert "tail -f a.log" in said and f"kill {os.getpid()}" in said
    os.close(lock)
    os.close(day_lock.take(day, me()))


def died(day, seconds):
    """A night whose own process has ended while another one of it has the lock for so many seconds."""
    command = [sys.executable, "-c", HOLDER, str(day), str(seconds)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": ":".join(sys.path)})
    assert process.stdout.readline() == b"taken\n"
    process.stdout.close()
    process.wait()


def test_the_rest_of_a_night_that_died_is_waited_for(day):
    died(day, 1.5)
    os.close(day_lock.take(day, me(), ending_s=30))


def test_a_rest_that_does_not_end_is_no_reason_to_wait_for_ever(day):
    died(day, 3)
    began = time.monotonic()
    with pytest.raises(Rejected, match="Another night run is still working"):
        day_lock.take(day, me(), ending_s=0.5)
    assert time.monotonic() - began < 3


def test_a_holder_that_can_t_be_read_is_said_so(day):
    lock = day_lock.take(day, me())
    os.truncate(day / day_lock.FILE, 0)
    with pytest.raises(Rejected, match="wait for it, or end it first"):
        day_lock.take(day, me(), ending_s=0)
    os.close(lock)


def test_a_link_in_place_of_the_lock_is_not_followed(day):
    other = day / "other"
    other.write_text("of somebody")
    (day / day_lock.FILE).symlink_to(other)
    with pytest.raises(Rejected, match="can't be written"):
        day_lock.take(day, me())
    assert other.read_text() == "of somebody"

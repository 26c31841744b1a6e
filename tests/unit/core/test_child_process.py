"""A function in a process of its own: what it returns, refuses and prints, and each way in which it may die."""

import errno

import pytest

from nightbay.core import child_process
from nightbay.core.child_process import Bounds, Died
from nightbay.core.errors import Rejected

AMPLE = Bounds(memory=2_000_000_000, output=1_000_000, cpu_s=60)
TIGHT = Bounds(memory=200_000_000, output=1_000_000, cpu_s=1)


@pytest.fixture
def run(tmp_path):
    """A function that runs a script as the function of a child process."""

    def run(script, bounds=AMPLE):
        path = tmp_path / "script.py"
        path.write_text(script)
        return child_process.call("runpy:run_path", {"path_name": str(path)}, bounds)

    return run


def test_plain_data_come_back():
    assert child_process.call("json:loads", {"s": '{"a": [1, null, "é"]}'}, AMPLE) == {"a": [1, None, "é"]}


def test_what_it_prints_goes_to_the_log_of_its_caller(run, capfd):
    with pytest.raises(Died):
        run("import os\nprint('to the log', flush=True)\nos.write(2, b'from below')\nos.abort()")
    printed = capfd.readouterr().out
    assert "to the log" in printed and "from below" in printed
    assert "Fatal Python error: Aborted" in printed  # where it was, for who looks into the fault


def test_of_a_long_log_only_the_end_is_kept(run, capfd):
    with pytest.raises(Died):
        run("import os\nprint('x' * 500_000, 'last', flush=True)\nos._exit(3)")
    printed = capfd.readouterr().out
    assert len(printed) == child_process.LOG_BYTES and printed.endswith("last\n")


def test_a_refusal_and_a_fault_of_the_disk_are_passed_on(run):
    with pytest.raises(Rejected, match=r"^a\.ply is damaged\.$"):
        run("from nightbay.core.errors import Rejected\nraise Rejected('a.ply is damaged.')")
    with pytest.raises(OSError, match="No space left") as caught:
        run("import errno, os\nraise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), 'xyz.part')")
    assert (caught.value.errno, caught.value.filename) == (errno.ENOSPC, "xyz.part")


@pytest.mark.parametrize(
    ("script", "cause", "detail"),
    [
        ("import os, signal\nos.kill(os.getpid(), signal.SIGSEGV)", "signal", "SIGSEGV"),
        ("import os, signal\nos.kill(os.getpid(), signal.SIGKILL)", "signal", "SIGKILL"),
        ("import os\nos._exit(7)", "signal", "exit code 7"),
        ("while True: pass", "time", "SIGXCPU"),
        ("import numpy\nnumpy.ones(10**9)", "memory", "GiB"),
        ("import os, sys\nsys.stderr.write('std::bad_alloc')\nsys.stderr.flush()\nos.abort()", "memory", "bad_alloc"),
        ("open(__file__ + '.big', 'wb').write(bytes(3_000_000))", "output", "File too large"),
        ("{}['x']", "fault", "KeyError: 'x'"),
    ],
)
def test_each_way_to_die(run, script, cause, detail):
    with pytest.raises(Died) as caught:
        run(script, TIGHT)
    assert caught.value.cause == cause and detail in caught.value.detail


def test_a_process_that_sleeps_is_ended(run, monkeypatch):
    monkeypatch.setattr(child_process, "WAITS", 2)
    with pytest.raises(Died) as caught:
        run("import time\ntime.sleep(1000)", TIGHT)
    assert (caught.value.cause, caught.value.detail) == ("time", "timeout")

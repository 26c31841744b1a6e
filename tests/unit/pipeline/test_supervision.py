"""Work in a process of its own: each way in which it may end is told from the others, and nothing of it goes on."""

import ctypes
import faulthandler
import os
import re
import signal
import subprocess
import sys
import time

import pytest

from nightbay.pipeline import process_tree, supervision
from nightbay.pipeline.supervision import Limits

MB = 1_000_000


def held_mb():
    """What this process, and so each that is made of it, holds already."""
    return process_tree.own_memory(process_tree.descendants(os.getpid())[:1]) / MB


def ended(work, tmp_path, limits=None):
    """How the work ended, and what it left in its log."""
    with open(tmp_path / "log", "w", encoding="utf-8") as log:
        end = supervision.run(work, limits or Limits(), log)
    return end, (tmp_path / "log").read_text()


def crash():
    ctypes.string_at(0)


def fill(megabytes, seconds=10):
    """Touch each page of so much memory, and hold it."""
    held = bytearray(megabytes * MB)
    held[::4096] = b"x" * len(held[::4096])
    time.sleep(seconds)


def in_another_process(megabytes):
    """Memory of a process that the work begins, which is no fork of it."""
    code = (
        f"import time; held = bytearray({megabytes} * 1000000); held[::4096] = b'x' * len(held[::4096]); time.sleep(10)"
    )
    subprocess.run([sys.executable, "-c", code], check=False)


def test_work_that_comes_to_its_end(tmp_path):
    end, _ = ended(lambda: (tmp_path / "done").write_text("yes"), tmp_path)
    assert (end.cause, end.detail) == ("done", "")
    assert (tmp_path / "done").read_text() == "yes"


def test_a_real_segmentation_fault_leaves_its_stack_in_the_log(tmp_path):
    end, log = ended(crash, tmp_path)
    assert (end.cause, end.detail) == ("crash", "SIGSEGV")
    assert "Segmentation fault" in log and "in crash" in log


@pytest.mark.parametrize(
    ("work", "cause", "detail"),
    [
        (lambda: {}["lost"], "exception", "KeyError: 'lost'"),
        (lambda: os.stat("/nowhere/left.ply"), "exception", "FileNotFoundError"),
        (lambda: sys.exit(3), "exit", "3"),
        (lambda: sys.exit("so"), "exit", "1"),
        (lambda: os._exit(5), "exit", "5"),
        (lambda: os._exit(0), "exit", "0"),  # no success: the work did not come to its end
        (lambda: os.abort(), "crash", "SIGABRT"),
        (lambda: os.kill(os.getpid(), signal.SIGKILL), "crash", "SIGKILL"),
    ],
)
def test_each_fault_has_its_cause(work, cause, detail, tmp_path):
    end, _ = ended(work, tmp_path)
    assert end.cause == cause and end.detail.startswith(detail)


def test_a_library_that_took_the_signal_does_not_take_the_stack(tmp_path):
    was_enabled = faulthandler.is_enabled()
    faulthandler.enable()
    taken = signal.signal(signal.SIGSEGV, signal.SIG_DFL)
    try:
        assert "in crash" in ended(crash, tmp_path)[1]
    finally:
        signal.signal(signal.SIGSEGV, taken or signal.SIG_DFL)
        faulthandler.disable()
        if was_enabled:
            faulthandler.enable()


def test_memory_beyond_the_limit_ends_the_work_and_is_measured(tmp_path):
    limit = held_mb() + 200
    end, log = ended(lambda: fill(400), tmp_path, Limits(memory_mb=limit))
    assert end.cause == "memory" and end.seconds < 5
    assert limit < end.peak_mb < limit + 250
    assert "in fill" in log  # where it stood


def test_memory_below_the_limit_is_measured_to_a_page(tmp_path):
    end, _ = ended(lambda: fill(300, 0.5), tmp_path, Limits(memory_mb=held_mb() + 400))
    assert end.cause == "done"
    assert abs(end.peak_mb - held_mb() - 300) < 20


def test_memory_of_processes_that_the_work_begins_counts(tmp_path):
    before = process_tree.descendants(os.getpid())
    held = held_mb()  # of which the work's process, which shares it with this one, may count for half
    end, _ = ended(lambda: in_another_process(int(held) + 500), tmp_path, Limits(memory_mb=held + 300))
    assert end.cause == "memory" and end.seconds < 5
    assert set(process_tree.descendants(os.getpid())) <= set(before)


def test_pages_of_a_file_do_not_count(tmp_path):
    import numpy as np

    path = tmp_path / "cloud"
    path.write_bytes(bytes(300 * MB))

    def read():
        assert np.memmap(path, np.uint8, "r")[::4096].sum() == 0
        time.sleep(0.5)

    end, _ = ended(read, tmp_path, Limits(memory_mb=held_mb() + 150))
    assert end.cause == "done"


def test_no_memory_at_all_is_no_bug_of_the_work(tmp_path):
    def reserve():
        raise MemoryError("Unable to allocate 9 TiB")

    end, _ = ended(reserve, tmp_path)
    assert (end.cause, end.detail) == ("memory", "Unable to allocate 9 TiB")


def test_a_hang_ends_and_the_log_says_where(tmp_path):
    def hang():
        time.sleep(60)

    end, log = ended(hang, tmp_path, Limits(time_s=0.4))
    assert end.cause == "time" and 0.4 < end.seconds < 3
    assert "in hang" in log


def test_a_hang_that_takes_no_signal_ends_too(tmp_path, monkeypatch):
    monkeypatch.setattr(supervision, "LAST_WORDS_S", 0.3)

    def deaf():
        import faulthandler

        faulthandler.disable()
        signal.signal(signal.SIGABRT, signal.SIG_IGN)
        time.sleep(60)

    end, _ = ended(deaf, tmp_path, Limits(time_s=0.4))
    assert end.cause == "time" and end.seconds < 3


def test_a_process_that_the_work_left_behind_is_ended(tmp_path):
    def leave():
        child = subprocess.Popen(["sleep", "60"])
        (tmp_path / "child").write_text(str(child.pid))
        time.sleep(2 * supervision.SEARCH_S)
        crash()

    assert ended(leave, tmp_path)[0].cause == "crash"
    time.sleep(0.2)
    left = int((tmp_path / "child").read_text())
    state = re.search(r"State:\s+(\w)", _status(left))
    assert state is None or state[1] == "Z"


def _status(number):
    try:
        with open(f"/proc/{number}/status", encoding="utf-8") as file:
            return file.read()
    except FileNotFoundError:
        return ""


def test_the_system_kills_the_work_before_all_others(tmp_path):
    def look():
        with open("/proc/self/oom_score_adj", encoding="utf-8") as file:
            (tmp_path / "score").write_text(file.read())

    ended(look, tmp_path)
    assert (tmp_path / "score").read_text().strip() == "1000"


def test_the_work_ends_with_the_process_that_watches_it(tmp_path):
    code = (
        "import os, time\nfrom nightbay.pipeline import supervision\n"
        f"def work():\n    open({str(tmp_path / 'work')!r}, 'w').write(str(os.getpid()))\n    time.sleep(60)\n"
        "supervision.run(work, supervision.Limits())\n"
    )
    watching = subprocess.Popen([sys.executable, "-c", code], env={**os.environ, "PYTHONPATH": "workflow/scripts"})
    path = tmp_path / "work"
    until = time.monotonic() + 20
    while not (path.exists() and path.read_text()) and time.monotonic() < until:
        time.sleep(0.05)
    watching.kill()
    watching.wait()
    time.sleep(0.3)
    state = re.search(r"State:\s+(\w)", _status(int(path.read_text())))
    assert state is None or state[1] == "Z"

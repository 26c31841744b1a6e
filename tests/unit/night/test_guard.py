"""Whatever ends a night, nothing of it goes on, and what follows its end is done. The night is a shell script here."""

import fcntl
import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

import killed_nights
from stand_ins import make_tool

# A process that goes on by itself in a session of its own, below a shell that waits.
BODY = """
case $NIGHTBAY_PHASE in
    ending) echo "ended by $NIGHTBAY_ENDED_BY" >"$0.ending"; exit ;;
esac
setsid sh -c 'sleep 300 & echo $! >"$0.sleeping"; wait' "$0" &
echo $! >"$0.shell"
echo "$TMPDIR" >"$0.temporary"
wait
"""


@pytest.fixture(autouse=True)
def heeded():
    """The tests themselves may run under nohup or behind a shell, which nights would inherit."""
    before = {number: signal.signal(number, signal.SIG_DFL) for number in (signal.SIGHUP, signal.SIGINT)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture
def night(tmp_path, monkeypatch):
    """A function that starts a night of a script below the guard: (day, script, process)."""
    monkeypatch.setenv("NIGHTBAY_SHARES", str(tmp_path / "shares"))
    monkeypatch.setenv("PYTHONPATH", str(killed_nights.ROOT / "workflow/scripts"))
    day = tmp_path / "day"
    (day / ".nightbay").mkdir(parents=True)
    started = []

    def start(script=BODY, *options):
        tool = make_tool(tmp_path, "night", script)
        command = [sys.executable, "-m", "nightbay.night.command", str(day), *options, "--", str(tool)]
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, process_group=0
        )  # fmt: skip
        started.append(process)
        return day, tool, process

    yield start
    for process in started:
        process.kill()
        process.wait()
        process.stdout.close()


def number_in(path):
    """The process number in a file, as soon as it is there."""
    until = time.monotonic() + 20
    while time.monotonic() < until:
        if path.exists() and path.read_text().strip():
            return int(path.read_text())
        time.sleep(0.02)
    raise AssertionError(f"{path} was not written")


def lives(number):
    try:
        return Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def gone(*numbers, seconds=15):
    until = time.monotonic() + seconds
    while any(map(lives, numbers)) and time.monotonic() < until:
        time.sleep(0.02)
    return not any(map(lives, numbers))


def keeper_of(process):
    return int(Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()[0])


@pytest.mark.parametrize("target", ["pid", "group"])
@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGHUP"])
def test_a_signal_ends_all_of_it(night, name, target):
    day, tool, process = night()
    sleeping = number_in(tool.with_suffix(".sleeping"))
    killed_nights.send(process, day, name, target)
    assert process.wait(10) == 128 + getattr(signal, name)
    assert not lives(sleeping)
    assert tool.with_suffix(".ending").read_text() == f"ended by signal {name}\n"
    assert not Path(tool.with_suffix(".temporary").read_text().strip()).exists()


@pytest.mark.parametrize("target", ["front", "group", "keeper", "body"])
def test_a_kill_ends_all_of_it(night, target):
    _, tool, process = night()
    sleeping = number_in(tool.with_suffix(".sleeping"))
    keeper = keeper_of(process)
    body = int(Path(f"/proc/{keeper}/task/{keeper}/children").read_text().split()[0])
    if target == "group":
        os.killpg(process.pid, signal.SIGKILL)
    else:
        os.kill({"front": process.pid, "keeper": keeper, "body": body}[target], signal.SIGKILL)
    assert gone(sleeping, body, keeper)
    assert process.wait(10) == (-9 if target in ("front", "group") else 1)
    assert tool.with_suffix(".ending").read_text().startswith("ended by the kill of ")


def test_a_process_whose_parent_was_killed_ends_while_the_night_goes_on(night):
    _, tool, process = night()
    sleeping, shell = (number_in(tool.with_suffix(ending)) for ending in (".sleeping", ".shell"))
    os.kill(shell, signal.SIGKILL)
    assert gone(sleeping)
    assert process.wait(10) == 0 and not tool.with_suffix(".ending").exists()


def test_an_ending_that_takes_too_long_is_cut_off_and_said_so(night):
    _, tool, process = night(BODY.replace('echo "ended', 'sleep 300; echo "ended'))
    number_in(tool.with_suffix(".sleeping"))
    began = time.monotonic()
    process.terminate()
    said = process.communicate(timeout=15)[0]
    assert process.returncode == 143 and time.monotonic() - began < 10
    assert "The day board could not be made in time" in said


SPARED = """
import subprocess
from nightbay.night import guard

guard.process_tree.end = lambda processes: None
guard.KILL_S = 0.2
child = subprocess.Popen(["sleep", "300"])
print(child.pid, flush=True)
try:
    guard._end_all()
finally:
    child.kill()
    child.wait()
"""


def test_a_process_that_can_t_be_ended_is_not_waited_for(monkeypatch):
    """As one that waits for a disk; here it is spared, below a process that has no other child."""
    monkeypatch.setenv("PYTHONPATH", str(killed_nights.ROOT / "workflow/scripts"))
    done = subprocess.run([sys.executable, "-c", SPARED], capture_output=True, text=True, check=True, timeout=30)
    assert f"Process {done.stdout.strip()} waits for a disk and can't be ended yet" in done.stderr


def test_nohup_holds(night, monkeypatch):
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        _, tool, process = night(BODY.replace("sleep 300", "sleep 3"))
    finally:
        signal.signal(signal.SIGHUP, before)
    number_in(tool.with_suffix(".sleeping"))
    process.send_signal(signal.SIGHUP)
    assert process.wait(20) == 0 and not tool.with_suffix(".ending").exists()


@pytest.mark.parametrize(
    ("script", "code", "outcome"),
    [("exit 0", 0, "complete"), ("exit 1", 1, "failed"), ("exit 2", 2, "not started"), ("kill -9 $$", 1, "ended")],
)
def test_the_notification_hears_how_it_ended_and_its_failure_changes_nothing(night, tmp_path, script, code, outcome):
    tell = make_tool(tmp_path, "tell", f'echo "$1|$2" >"{tmp_path}/told"; exit 7')
    day, _, process = night(f"[ $NIGHTBAY_PHASE = ending ] || {script}", "--notify", str(tell))
    said = process.communicate(timeout=20)[0]
    assert process.returncode == code
    assert (tmp_path / "told").read_text() == f"{outcome}|{day / 'results/board/board/index.html'}\n"
    assert "failed with exit code 7" in said


def second_night(tmp_path):
    """A night of another day, which finds the machine taken."""
    other = tmp_path / "other"
    (other / ".nightbay").mkdir(parents=True)
    command = [sys.executable, "-m", "nightbay.night.command", str(other), "--", "true"]
    return subprocess.Popen(command, stderr=subprocess.PIPE, text=True)


def test_a_night_waits_for_a_share_and_starts_when_it_is_free(night, tmp_path):
    _, tool, first = night()
    number_in(tool.with_suffix(".sleeping"))
    second = second_night(tmp_path)
    line = second.stderr.readline()
    assert f"night of {first.args[3]} (process {first.pid})" in line and "waits until enough is free" in line
    assert second.poll() is None
    first.terminate()
    assert second.wait(30) == 0
    second.stderr.close()


def test_a_night_that_waits_ends_at_once(night, tmp_path):
    _, tool, _ = night()
    number_in(tool.with_suffix(".sleeping"))
    second = second_night(tmp_path)
    second.stderr.readline()
    second.terminate()
    assert "run the same command to start it" in second.communicate(timeout=5)[1]
    assert second.returncode == 143


def test_a_second_start_ends_at_once_while_the_first_one_dies(night):
    """The lock is held by a process whose record names one that has ended."""
    day, _, first = night("exit")
    first.wait(10)
    holder = {"user": "anna", "pid": 2**22 + 1, "host": socket.gethostname(), "since": "now", "log": "a.log"}
    with open(day / ".nightbay/night.lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        json.dump(holder, lock)
        lock.flush()
        process = night("exit")[2]
        time.sleep(1)
        assert process.poll() is None
        process.terminate()
        assert process.wait(3) == 143


def test_a_service_user_without_a_home_gets_one_that_is_removed(night, monkeypatch, tmp_path):
    monkeypatch.setenv("HOME", "/nonexistent")
    _, tool, process = night('echo "$HOME" >"$0.home"; [ -w "$HOME" ]')
    assert process.wait(10) == 0
    home = Path(tool.with_suffix(".home").read_text().strip())
    assert home != Path("/nonexistent") and not home.exists()


def test_a_registry_that_can_t_be_used_is_said_and_the_night_goes_on(night, monkeypatch, tmp_path):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("NIGHTBAY_SHARES", str(tmp_path / "file"))
    _, tool, process = night('env | grep NIGHTBAY_CORES >"$0.cores"')
    said = process.communicate(timeout=10)[0]
    assert process.returncode == 0 and "goes on as if it were alone" in said
    assert tool.with_suffix(".cores").read_text() == f"NIGHTBAY_CORES={len(os.sched_getaffinity(0))}\n"


@pytest.mark.parametrize(("kind", "own"), [("here", True), ("cluster", False)])
def test_temporary_files_of_stages_elsewhere_do_not_go_to_a_folder_of_this_machine(
    night, monkeypatch, tmp_path, kind, own
):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    _, tool, process = night('echo "$TMPDIR" >"$0.temporary"', "--kind", kind)
    assert process.wait(10) == 0
    assert (tool.with_suffix(".temporary").read_text().strip() != str(tmp_path)) is own

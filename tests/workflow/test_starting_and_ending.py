"""A small night is ended at each of its moments, killed, run on a full disk and with other permissions."""

import contextlib
import os
import shutil
import signal
import stat
import subprocess
import time

import pytest

import killed_nights
from stand_ins import make_tool
from workflow import nights

# What the night's own process, or one below it, has in its arguments at a moment.
MOMENTS = {
    "plan": "-m\0nightbay.planning.targets\0",
    "stage": ".snakemake/scripts/",
    "board": "--forcerun\0board",
}
JOB = "morning-check"


@pytest.fixture(scope="module")
def raw(tmp_path_factory):
    """The smallest day."""
    return killed_nights.make_day(tmp_path_factory.mktemp("small"))


@contextlib.contextmanager
def umask(mask):
    """What is made meanwhile is made under this umask."""
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


@pytest.fixture(scope="module")
def private(raw, tmp_path_factory):
    """The day after a night that nothing ended, of a user who has no home and lets nobody else read his files."""
    day = killed_nights.fresh(raw, tmp_path_factory.mktemp("private") / "day")
    day.chmod(0o755)
    with umask(0o077):
        done = nights.run_night(day, "--cores", "1", env={**os.environ, "HOME": "/nonexistent"})
    assert done.returncode == 0, done.stdout + done.stderr
    return day


@pytest.fixture(scope="module")
def undisturbed(private):
    """The results of a night that nothing ended, by their hashes."""
    return killed_nights.results(private)


@pytest.fixture
def day(raw, tmp_path):
    return killed_nights.fresh(raw, tmp_path / "day")


def wait_for(mark, day, night):
    """Wait until a process of the day has ``mark`` in its arguments, separated by NUL."""
    until = time.monotonic() + 120
    while time.monotonic() < until:
        assert night.poll() is None, night.stdout.read()
        if killed_nights.with_argument(day, mark):
            return
        time.sleep(0.01)
    raise AssertionError(f"no process with {mark!r} came")


def board_renews(day):
    return "http-equiv" in (day / "results/board/board/index.html").read_text(encoding="utf-8")


def test_ended_at_any_moment_it_has_a_board_and_the_same_command_goes_on(day, undisturbed):
    """Each night but the first goes on where the one before was ended, and comes to its own moment."""
    ends = [("plan", "SIGTERM", "pid"), ("stage", "SIGINT", "group"), ("stage", "SIGKILL", "pid")]
    for moment, name, target in [*ends, ("board", "SIGHUP", "pid")]:
        night = killed_nights.start(day)
        wait_for(MOMENTS[moment], day, night)
        ended = killed_nights.end(night, day, name, target)
        assert ended.orphans == 0, name
        assert ended.code == (-9 if name == "SIGKILL" else 128 + getattr(signal, name))
        assert "finished stages are kept, run the same command to go on" in ended.said, name
        assert "Nothing to do: every" not in ended.said, name
        assert name == "SIGKILL" or ended.seconds < 10, name
        assert not board_renews(day), name
    again = nights.run_night(day, "--cores", "1")
    assert again.returncode == 0, again.stdout + again.stderr
    assert killed_nights.results(day) == undisturbed


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGKILL"])
def test_a_look_at_the_disk_or_a_dry_run_ends_too(day, tmp_path, monkeypatch, name):
    """Before anything runs, in a command of the system that takes long; a dry run in Snakemake."""
    folder = tmp_path / "bin"
    folder.mkdir()
    make_tool(folder, "du", f"exec -a '{day}/du' sleep 300")
    monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")
    for options, mark in (((), f"{day}/du"), (("--dry-run",), "--dry-run\0--logger")):
        night = killed_nights.start(day, *options)
        wait_for(mark, day, night)
        ended = killed_nights.end(night, day, name, "pid")
        assert ended.orphans == 0 and (name == "SIGKILL" or ended.seconds < 10)
        assert ended.code < 0 if name == "SIGKILL" else ended.code > 128


@pytest.mark.parametrize("target", ["pid", "group"])
@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGHUP"])
def test_the_set_up_of_the_environment_ends_too(day, tmp_path, name, target):
    house = nights.copy_house(tmp_path / "house")
    (house / "envs/setup.sh").write_text(f"bash -c 'exec -a {day}/set-up sleep 300'; echo never\n")
    night = killed_nights.start(day, house=house)
    wait_for(f"{day}/set-up", day, night)
    ended = killed_nights.end(night, day, name, target)
    assert (ended.code, ended.orphans) == (143, 0) and ended.seconds < 10
    assert "run the same command to go on" in ended.said


def test_a_set_up_that_refuses_ends_the_call(day, tmp_path):
    house = nights.copy_house(tmp_path / "house")
    (house / "envs/setup.sh").write_text("echo 'no Python' >&2; exit 2\n")
    done = nights.run_night(day, house=house)
    assert done.returncode == 2 and done.stderr == "no Python\n"


@pytest.fixture(scope="module")
def shared(raw, tmp_path_factory):
    """A day whose folder a group may write to, for three nights under a umask that shuts the group out."""
    day = killed_nights.fresh(raw, tmp_path_factory.mktemp("shared") / "day")
    day.chmod(0o2770)
    return day


def killed_with_its_guard(day):
    """Snakemake ends its stages and itself; what makes the board ends after it."""
    night = killed_nights.start(day)
    wait_for(MOMENTS["stage"], day, night)
    stages = killed_nights.with_argument(day, MOMENTS["stage"])
    killed_nights.send(night, day, "SIGKILL", "guard")
    time.sleep(0.5)
    assert stages and not set(stages) & set(killed_nights.processes(day))
    assert killed_nights.with_argument(day, "-m\0snakemake\0") == []
    night.communicate()
    assert killed_nights.left(day) == [] and not board_renews(day)


def killed_in_its_snakemake(day):
    """Nothing goes on, and the night says why."""
    night = killed_nights.start(day)
    wait_for(MOMENTS["stage"], day, night)
    for number in killed_nights.with_argument(day, "-m\0snakemake\0"):
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
    said = night.communicate()[0]
    assert night.returncode == 1 and "Snakemake was ended by signal 9" in said
    assert killed_nights.left(day) == [] and not board_renews(day)


@pytest.mark.parametrize("killed", [killed_with_its_guard, killed_in_its_snakemake], ids=["guard", "snakemake"])
def test_killed_with_its_guard_or_in_its_snakemake_it_ends_and_has_a_board(shared, killed):
    with umask(0o077):
        killed(shared)


def modes(day):
    """Folders and files that a night made, each with its mode."""
    made = [path for name in ("results", "logs", ".nightbay", ".snakemake") for path in (day / name).rglob("*")]
    return {path: stat.S_IMODE(path.lstat().st_mode) for path in made if not path.is_symlink()}


def test_the_umask_holds_in_a_day_of_one_user_who_has_no_home(private):
    # Snakemake's own records are rw for the group whatever the umask; the folder that they lie in is not the group's.
    made = modes(private)
    opened = {path for path, mode in made.items() if mode & 0o077 and ".snakemake" not in path.parts}
    assert made and opened == set()
    assert stat.S_IMODE((private / ".snakemake").stat().st_mode) & 0o077 == 0


def test_a_group_that_may_write_to_the_day_may_go_on_with_it(shared, undisturbed):
    """With what a sound night leaves, and with what nights leave that were killed."""
    with umask(0o077):
        done = nights.run_night(shared, "--cores", "1")
    assert done.returncode == 0, done.stdout + done.stderr
    assert killed_nights.results(shared) == undisturbed
    # A killed Snakemake leaves its copies of scripts, which no other one reads.
    found = {path: mode for path, mode in modes(shared).items() if path.parent != shared / ".snakemake/scripts"}
    folders = {path: mode for path, mode in found.items() if path.is_dir()}
    assert {path for path, mode in folders.items() if mode & 0o2070 != 0o2070} == set()
    assert {path for path, mode in found.items() if mode & 0o060 != 0o060} == set()
    assert {path for path, mode in found.items() if mode & 0o007 and ".snakemake" not in path.parts} == set()


def test_a_program_of_the_day_is_no_notification(day):
    tool = make_tool(day, "tell", "")
    done = nights.run_night(day, "--notify", str(tool))
    assert done.returncode == 2 and "lies in the day folder" in done.stderr


@pytest.fixture
def small_disk(tmp_path):
    """A function that mounts a disk of so many kB, or makes it as large: its folder."""
    folder = tmp_path / "disk"
    folder.mkdir()

    def mount(kilobytes, *options):
        command = ["mount", "-t", "tmpfs", "-o", ",".join([*options, f"size={kilobytes}k"]), "none", str(folder)]
        if subprocess.run(command, check=False, capture_output=True).returncode:
            pytest.skip("this user may not mount a small disk (tmpfs)")
        return folder

    yield mount
    subprocess.run(["umount", str(folder)], check=False, capture_output=True)


def test_a_full_disk_is_said_with_what_is_needed_and_the_same_command_finishes(raw, undisturbed, small_disk):
    """A disk that is full from the beginning, then one that gets full in the middle, then one with room."""
    size = sum(-(-path.stat().st_size // 4096) * 4 for path in raw.rglob("*") if path.is_file()) + 100
    disk = small_disk(size + 300)
    shutil.copytree(raw, disk / "day")
    (disk / "day/.nightbay").mkdir()  # a full disk still takes a folder, but not where it has no room for its name
    (disk / "day/logs/night").mkdir(parents=True)
    with open(disk / "filler", "wb", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(bytes(4096))
    for _ in range(2):
        done = nights.run_night(disk / "day", "--cores", "1")
        assert done.returncode == 1, done.stdout + done.stderr
        said = done.stderr.splitlines()[-1]
        assert (
            said.startswith(f"The disk of {disk / 'day'} is full: free some space (") and " kB are free, up to " in said
        )
        assert "and run the same command" in said and "0.0 GB" not in done.stderr
        assert "Nothing to do: every" not in done.stdout
        (disk / "filler").unlink(missing_ok=True)
    assert list((disk / "day/logs").glob(f"{JOB}/*/*.log"))  # the second one came to stages
    small_disk(size + 100_000, "remount")
    again = nights.run_night(disk / "day", "--cores", "1")
    assert again.returncode == 0, again.stdout + again.stderr
    assert killed_nights.results(disk / "day") == undisturbed


def test_the_examples_for_systemd_are_sound(tmp_path):
    if not shutil.which("systemd-analyze"):
        pytest.skip("systemd-analyze is not there to check the examples (in Debian's package systemd)")
    folder = nights.ROOT / "workflow" / "systemd"
    examples = sorted(map(str, folder.iterdir()))
    assert len(examples) == 2
    done = subprocess.run(["systemd-analyze", "verify", *examples], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    wrong = tmp_path / "nightbay.service"
    wrong.write_text((folder / "nightbay.service").read_text().replace("KillMode=mixed", "KillMode=some"))
    done = subprocess.run(["systemd-analyze", "verify", str(wrong)], capture_output=True, text=True, check=False)
    assert "KillMode" in done.stderr or "kill mode" in done.stderr

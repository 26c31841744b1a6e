"""Setting up the environment: what it refuses, in one sentence, and what it leaves alone.

An environment that is built here holds one small module only, which a stand-in for pip makes of the lock's text.
"""

import os
import re
import shutil
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import pytest

from stand_ins import make_tool

ENVS = Path(__file__).parents[3] / "envs"


# What runs in place of `python -m pip install ... -r LOCK`.
PIP = """
import sys, sysconfig
from pathlib import Path

lock = Path(sys.argv[-1]).read_text()
if "unknown" in lock:
    sys.exit("ERROR: No matching distribution found for unknown")
Path(sysconfig.get_path("purelib"), "tiny.py").write_text(f"version = {lock!r}")
"""


class SetUp:
    """A copy of envs/setup.sh with a small lock, and ``tools`` before everything on its PATH."""

    def __init__(self, folder):
        self.envs, self.tools = folder / "envs", folder / "tools"
        for made in (self.envs, self.tools):
            made.mkdir(parents=True)
        shutil.copy(ENVS / "setup.sh", self.envs)
        self.libraries("")
        self.lock("1")
        (self.envs / "pip.py").write_text(PIP)
        self.python3()

    def lock(self, text):
        (self.envs / "requirements.lock").write_text(text)

    def libraries(self, script):
        """What stands in for the look after system libraries."""
        (self.envs / "system_libraries.py").write_text(script)

    def python3(self, name="python3", answers=":"):
        """A base Python ``name`` in ``tools`` whose environments have the stand-in for pip; ``answers`` comes first."""
        script = f"""{answers}
            case "$*" in
                "-m venv "*)
                    '{sys._base_executable}' -m venv --without-pip "${{@:3}}" &&
                        for site in "${{@: -1}}"/lib/python*/site-packages; do cp '{self.envs}/pip.py' "$site"; done ;;
                *) exec '{sys._base_executable}' "$@" ;;
            esac"""
        return make_tool(self.tools, name, script)

    def another_python(self, name="python3"):
        """A Python ``name`` in ``tools`` that says it is another one."""
        return self.python3(name, """case "$*" in *SOABI*) echo cpython-other /other; exit ;; esac""")

    def start(self, path=None, **variables):
        kept = {name: value for name, value in os.environ.items() if name not in ("NIGHTBAY_PYTHON", "TMPDIR")}
        return subprocess.Popen(
            [shutil.which("bash"), self.envs / "setup.sh"],
            env={**kept, "PATH": path or f"{self.tools}:{os.environ['PATH']}", **variables},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def __call__(self, path=None, **variables):
        started = self.start(path, **variables)
        out, err = started.communicate()
        return subprocess.CompletedProcess(started.args, started.returncode, out, err)

    def ready(self):
        """The environment's Python: it is there, without a word on the way."""
        done = self()
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        return done.stdout.strip()

    def environments(self):
        return sorted(self.envs.glob(".venvs/[!.]*"))


def version(python):
    """Which version of the small package an environment's ``python`` has."""
    done = subprocess.run(
        [python, "-c", "import tiny; print(tiny.version)"], capture_output=True, text=True, check=True
    )
    return done.stdout.strip()


@pytest.fixture
def set_up(tmp_path):
    return SetUp(tmp_path)


@pytest.fixture(scope="module")
def built_once(tmp_path_factory):
    """A set-up whose environment is built, for tests that change nothing in it but what stands before it on PATH."""
    set_up = SetUp(tmp_path_factory.mktemp("built"))
    done = set_up()
    assert done.returncode == 0, done.stderr
    set_up.python = done.stdout.strip()
    return set_up


@pytest.fixture
def built(built_once):
    yield built_once
    for tool in built_once.tools.iterdir():
        tool.unlink()
    built_once.python3()


def test_a_full_disk_is_named_before_anything_is_fetched(set_up):
    make_tool(set_up.tools, "df", "echo header; echo /dev/disk 9000000 8000000 2000000 90% /")
    result = set_up()
    assert result.returncode == 2
    assert re.fullmatch(
        rf"{set_up.envs}/\.venvs/\S+ needs 2500 MB on its disk and 2048 MB are free: free some and start again\.\n",
        result.stderr,
    )
    assert not set_up.environments()


def test_a_named_python_that_is_none_is_refused(set_up):
    result = set_up(NIGHTBAY_PYTHON="/nowhere/python")
    assert result.returncode == 2
    assert result.stderr == (
        "NIGHTBAY_PYTHON is /nowhere/python, which is not a Python of 3.11 or newer with venv: name another one.\n"
    )


def bare_path(set_up):
    """A PATH with what setup.sh calls and no Python."""
    (set_up.tools / "python3").unlink()
    for tool in ("dirname", "bash", "cksum", "cut", "cat"):
        (set_up.tools / tool).symlink_to(shutil.which(tool))
    return str(set_up.tools)


def test_no_python_on_path_is_named(set_up):
    result = set_up(path=bare_path(set_up))
    assert result.returncode == 2
    assert result.stderr == (
        "No Python of 3.11 or newer with the venv module is on PATH: install one, or name it in NIGHTBAY_PYTHON.\n"
    )


@pytest.mark.parametrize("kind", ["missing", "a file", "not from the root"])
def test_a_folder_for_temporary_files_that_is_none_is_named(set_up, tmp_path, kind):
    (tmp_path / "file").touch()
    folder = {"missing": str(tmp_path / "none"), "a file": str(tmp_path / "file"), "not from the root": "tmp"}[kind]
    result = set_up(TMPDIR=folder)
    assert result.returncode == 2
    assert result.stderr == (
        f"Temporary files can't be written to {folder}: "
        "set TMPDIR to the full path of a folder that you can write to.\n"
    )
    assert not (tmp_path / "none").exists()


def test_a_system_older_than_the_wheels_is_named(set_up):
    set_up.python3(answers="""case "$*" in *confstr*) echo 2.31; exit ;; esac""")
    result = set_up()
    assert result.returncode == 2
    assert result.stderr == (
        "This system has glibc 2.31 and the packages need 2.35 or newer: "
        "use a newer system (Debian 12 or Ubuntu 22.04 will do).\n"
    )


@pytest.mark.skipif(sys.platform != "linux" or os.uname().machine != "x86_64", reason="the wheels of x86-64 Linux")
def test_the_glibc_asked_for_is_that_of_the_wheels():
    needed = []
    for distribution in metadata.distributions():
        tags = re.findall(r"^Tag: .*manylinux_2_(\d+)_x86_64$", distribution.read_text("WHEEL") or "", re.MULTILINE)
        if tags:
            needed.append(min(map(int, tags)))  # a wheel with several tags takes the oldest
    assert f"\nglibc=2.{max(needed)} " in (ENVS / "setup.sh").read_text()


def test_a_ready_environment_is_found_again(built):
    assert version(built.python) == "1"
    assert built.ready() == built.python


def test_another_python_first_on_path_takes_the_ready_environment(built):
    built.another_python()
    assert built.ready() == built.python
    assert len(built.environments()) == 1


def test_no_python_on_path_takes_the_ready_environment(built):
    result = built(path=bare_path(built))
    assert (result.returncode, result.stdout.strip(), result.stderr) == (0, built.python, "")


def test_a_ready_environment_is_used_where_nothing_may_be_written(built):
    built.another_python()
    for tool in ("mkdir", "rm", "mv", "flock"):
        make_tool(built.tools, tool, f"echo {tool} was called >&2; exit 1")
    folders = [built.envs, built.envs / ".venvs"]
    before = [folder.stat().st_mtime_ns for folder in folders]
    for folder in folders:
        folder.chmod(0o555)
    try:
        assert built.ready() == built.python
    finally:
        for folder in folders:
            folder.chmod(0o755)
    assert [folder.stat().st_mtime_ns for folder in folders] == before


def test_a_checkout_that_may_not_be_written_to_and_has_none_is_named(set_up):
    make_tool(set_up.tools, "mkdir", "echo mkdir: Permission denied >&2; exit 1")
    result = set_up()
    assert result.returncode == 2
    assert result.stderr == (
        f"{set_up.envs} holds no environment that is ready, and you may not write to it: "
        "let its owner run envs/setup.sh, or use a copy of your own.\n"
    )


def test_an_environment_whose_python_a_user_may_not_run_is_named(set_up):
    python = Path(set_up().stdout.strip())
    python.unlink()
    python.symlink_to("/root-only/python3")
    make_tool(set_up.tools, "mkdir", "echo mkdir: Permission denied >&2; exit 1")
    result = set_up()
    assert result.returncode == 2
    assert result.stderr == (
        f"{python.parents[1]} was set up with the Python of {Path(sys._base_executable).parent}, which you may not run "
        "or which is gone: let its owner name one that every user may run, NIGHTBAY_PYTHON=/usr/bin/python3 bash "
        "envs/setup.sh, or use a copy of your own.\n"
    )


def test_a_named_python_gets_an_environment_beside(set_up):
    old = set_up().stdout.strip()
    result = set_up(NIGHTBAY_PYTHON=str(set_up.another_python("python-other")))
    assert result.returncode == 0, result.stderr
    new = result.stdout.strip()
    assert new != old
    assert version(old) == version(new) == "1"
    assert f"Kept beside it, 1.6 GB: {Path(old).parents[1]} (rm -r it if no night runs from it)\n" in result.stderr
    assert set_up.ready() == old


def test_another_lock_gets_an_environment_beside(set_up):
    old = set_up().stdout.strip()
    set_up.lock("2")
    new = set_up().stdout.strip()
    assert (version(old), version(new)) == ("1", "2")
    set_up.lock("1")
    assert set_up.ready() == old


def test_a_failed_build_leaves_the_ready_one_and_no_rest(set_up):
    old = set_up().stdout.strip()
    set_up.lock("unknown")
    result = set_up()
    assert result.returncode == 2
    assert result.stderr.splitlines()[-2:] == [
        "ERROR: No matching distribution found for unknown",
        "envs/requirements.lock could not be installed, for the reason above: see to it (network, disk) and start "
        "again; nothing that was ready has changed.",
    ]
    assert [str(folder) for folder in set_up.environments()] == [str(Path(old).parents[1])]
    set_up.lock("1")
    assert set_up.ready() == old


def test_half_an_environment_is_built_anew(set_up):
    first = set_up().stdout.strip()
    (Path(first).parents[1] / "ready").unlink()
    (Path(first).parents[1] / "rest").touch()
    result = set_up()
    assert result.stdout.strip() == first
    assert not (Path(first).parents[1] / "rest").exists()
    assert set_up.ready() == first


def test_an_environment_whose_python_is_gone_is_built_anew(set_up):
    first = set_up().stdout.strip()
    Path(first).unlink()
    Path(first).symlink_to("/nowhere/python")
    result = set_up()
    assert (result.returncode, result.stdout.strip()) == (0, first)
    assert version(first) == "1"


def test_what_is_installed_waits_for_lacking_libraries(set_up):
    set_up.libraries("import sys; sys.exit('libX lacks.')")
    result = set_up()
    assert result.returncode == 2
    assert result.stderr.splitlines()[-1] == "libX lacks."
    set_up.libraries("")
    make_tool(set_up.tools, "df", "echo header; echo /dev/disk 9 9 0 100% /")  # nothing is installed again
    assert version(set_up.ready()) == "1"


def test_what_is_installed_by_a_python_that_is_gone_is_built_anew(set_up):
    set_up.libraries("import sys; sys.exit('libX lacks.')")
    set_up()
    python = set_up.environments()[0] / "bin/python"
    python.unlink()
    python.symlink_to("/nowhere/python")
    set_up.libraries("")
    result = set_up()
    assert (result.returncode, result.stdout.strip()) == (0, str(python))
    assert version(python) == "1"


def test_two_set_ups_at_once_build_once(set_up):
    set_up.libraries("from pathlib import Path; Path(__file__).with_name('built').open('a').write('once ')")
    started = [set_up.start() for _ in range(2)]
    ends = [process.communicate() for process in started]
    assert [process.returncode for process in started] == [0, 0], ends
    assert ends[0][0] == ends[1][0]
    assert (set_up.envs / "built").read_text() == "once "


def test_a_path_with_spaces_is_reached_by_a_link_without(tmp_path):
    set_up = SetUp(tmp_path / "a house with spaces")
    (tmp_path / "links").mkdir()
    result = set_up(TMPDIR=str(tmp_path / "links"))
    assert result.returncode == 0, result.stderr
    python = Path(result.stdout.strip())
    assert " " not in str(python)
    assert version(python) == "1"
    link = python.parents[1]
    before = link.lstat().st_mtime_ns
    assert set_up(TMPDIR=str(tmp_path / "links")).stdout.strip() == str(python)
    assert link.lstat().st_mtime_ns == before  # not laid anew under a night that runs through it

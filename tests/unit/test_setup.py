"""Setting up the environment: what it refuses, in one sentence."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ENVS = Path(__file__).parents[2] / "envs"


@pytest.fixture
def set_up(tmp_path):
    """Runs a copy of envs/setup.sh with ``tools`` before everything on PATH, and further variables."""
    envs = tmp_path / "envs"
    envs.mkdir()
    for name in ("setup.sh", "requirements.lock"):
        shutil.copy(ENVS / name, envs)
    tools = tmp_path / "tools"
    tools.mkdir()

    def run(path=f"{tools}:{os.environ['PATH']}", **variables):
        return subprocess.run(
            [shutil.which("bash"), envs / "setup.sh"],
            env={**os.environ, "PATH": path, **variables},
            capture_output=True,
            text=True,
        )

    run.tools, run.venv = tools, envs / ".venv"
    return run


def test_a_full_disk_is_named_before_anything_is_fetched(set_up):
    df = set_up.tools / "df"
    df.write_text("#!/bin/sh\necho header\necho /dev/disk 9000000 8000000 2000000 90% /\n")
    df.chmod(0o755)
    result = set_up()
    assert result.returncode == 2
    assert result.stderr == (
        f"{set_up.venv} needs 2500 MB on its disk and 2048 MB are free: free some and start again.\n"
    )
    assert not set_up.venv.exists()


def test_a_named_python_that_is_none_is_refused(set_up):
    result = set_up(NIGHTBAY_PYTHON="/nowhere/python")
    assert result.returncode == 2
    assert result.stderr == (
        "NIGHTBAY_PYTHON is /nowhere/python, which is not a Python of 3.11 or newer with venv: name another one.\n"
    )


def test_no_python_on_path_is_named(set_up):
    for tool in ("dirname", "bash"):
        (set_up.tools / tool).symlink_to(shutil.which(tool))
    result = set_up(path=str(set_up.tools), NIGHTBAY_PYTHON="")
    assert result.returncode == 2
    assert result.stderr == (
        "No Python of 3.11 or newer with the venv module is on PATH: install one, or name it in NIGHTBAY_PYTHON.\n"
    )

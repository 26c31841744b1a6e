"""A night by a user who may not write to the project: he owns the day and nothing else."""

import os
import shutil
import sys
import tempfile
from pathlib import Path

import pytest

import killed_nights
import other_user
from workflow import nights


@pytest.fixture(scope="module")
def place():
    """A folder that every user may enter; pytest's own are closed to others. It holds the project, not to be written
    to, and a raw day."""
    if why := other_user.why_not():
        pytest.skip(why)
    with tempfile.TemporaryDirectory(prefix="nightbay-other-user-") as folder:
        folder = Path(folder)
        folder.chmod(0o755)
        house = nights.copy_house(folder / "house")
        for compiled in house.rglob("__pycache__"):
            shutil.rmtree(compiled)
        (house / "envs/.venvs").symlink_to(Path(sys.executable).parents[2].resolve())
        killed_nights.make_day(folder)
        shutil.copytree(folder / "small", folder / "sound")
        done = nights.run_night(folder / "sound", "--cores", "1")
        assert done.returncode == 0, done.stdout + done.stderr
        for path in (folder, *folder.rglob("*")):
            if not path.is_symlink():
                path.chmod(path.stat().st_mode | (0o055 if path.is_dir() else 0o044))
        yield folder


def owned(path):
    """A folder with all in it, given to the other user."""
    for each in (path, *path.rglob("*")):
        os.chown(each, other_user.NUMBER, other_user.NUMBER)
    return path


@pytest.mark.parametrize(("umask", "cache"), [(0o077, False), (0o022, True)], ids=["077", "022 with a cache folder"])
def test_a_night_of_a_user_without_name_home_and_rights_has_the_same_bytes(place, umask, cache):
    day = owned(killed_nights.fresh(place / "small", place / "day"))
    own = place / "own"
    own.mkdir(exist_ok=True)
    owned(own)
    before = nights.digests(place / "house")
    left = set(Path(tempfile.gettempdir()).iterdir())
    told = {name: value for name, value in os.environ.items() if name.startswith(("OPENBLAS_", "OMP_"))}
    environment = {**told, "PATH": os.environ["PATH"], "HOME": "/nonexistent", "NIGHTBAY_SHARES": str(own)}
    if cache:
        environment["XDG_CACHE_HOME"] = str(own / "cache")
    command = ["bash", "-c", f'umask {umask:03o} && exec "$@"', "-", "bash", str(place / "house/workflow/night.sh")]
    done = other_user.run(*command, str(day), "--cores", "1", "--memory", "2", env=environment, cwd="/")
    assert done.returncode == 0, done.stdout + done.stderr
    assert killed_nights.results(day) == killed_nights.results(place / "sound")
    assert nights.digests(place / "house") == before
    # What the user may leave is in his own folders, and what is slower for want of one is said.
    of_user = {path for path in Path(tempfile.gettempdir()).iterdir() if path.stat().st_uid == other_user.NUMBER}
    assert of_user <= left
    assert ("every night takes a minute or more to compile it again" in done.stderr) is not cache
    assert any((own / "cache").rglob("*.nbi")) is cache

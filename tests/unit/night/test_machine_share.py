"""Several nights on one machine take no more of it together than it has."""

import fcntl
import os
import stat
import subprocess
import sys

import pytest

from nightbay.core.errors import Rejected
from nightbay.night import machine_share
from nightbay.night.machine_share import Registration, Share

WHOLE = Share(8, 32)
FREE = (None, None)


def own(user="anna"):
    return Registration(user, os.getpid(), "/data/day", 0, 0)


def test_a_night_alone_takes_all(tmp_path):
    share, descriptor, others = machine_share.take(tmp_path, WHOLE, own(), FREE)
    assert share == WHOLE and others == []
    os.close(descriptor)


def test_the_second_takes_what_is_free_and_the_third_waits_until_one_ends(tmp_path):
    first, one, _ = machine_share.take(tmp_path, WHOLE, own("anna"), (3, 12))
    second, two, others = machine_share.take(tmp_path, WHOLE, own("bert"), FREE)
    assert (first, second) == (Share(3, 12), Share(5, 20))
    assert [(other.user, other.cores, other.memory_gb) for other in others] == [("anna", 3, 12)]
    third, nothing, others = machine_share.take(tmp_path, WHOLE, own("carl"), FREE)
    assert third is None and nothing == -1 and {other.user for other in others} == {"anna", "bert"}
    assert "waits until enough is free" in machine_share.sentence(WHOLE, third, others)
    os.close(one)
    third, three, _ = machine_share.take(tmp_path, WHOLE, own("carl"), FREE)
    assert third == Share(3, 12)
    os.close(two)
    os.close(three)


def test_too_little_memory_is_waited_for(tmp_path):
    _, one, _ = machine_share.take(tmp_path, WHOLE, own(), (1, 25))
    assert machine_share.take(tmp_path, WHOLE, own(), FREE)[0] is None
    os.close(one)


def test_what_a_user_asks_for_stays_his_and_is_said_to_be_more_than_is_free(tmp_path):
    _, one, _ = machine_share.take(tmp_path, WHOLE, own(), FREE)
    share, two, others = machine_share.take(tmp_path, WHOLE, own("bert"), (2, 4))
    assert share == Share(2, 4)
    said = machine_share.sentence(WHOLE, share, others)
    assert "anna's night of /data/day" in said and "as asked for, which is more than is free" in said
    os.close(one)
    os.close(two)


def test_more_than_the_machine_has_is_said_without_another_night_too():
    assert machine_share.sentence(WHOLE, WHOLE, []) == ""
    said = machine_share.sentence(WHOLE, Share(2, 99), [])
    assert said == (
        "This machine has 8 processors and 32 GB for nights. This night takes 2 processors and 99 GB, as asked for, "
        "which is more than is free."
    )


def test_the_share_of_a_killed_night_is_free(tmp_path):
    code = (
        "import sys, os, signal; from pathlib import Path; from nightbay.night import machine_share as m\n"
        "m.take(Path(sys.argv[1]), m.Share(8, 32), m.Registration('x', 1, 'd', 0, 0), (None, None))\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    environment = {**os.environ, "PYTHONPATH": ":".join(sys.path)}
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False, env=environment)
    assert done.returncode == -9 and len(list(tmp_path.iterdir())) == 1
    share, descriptor, others = machine_share.take(tmp_path, WHOLE, own(), FREE)
    assert share == WHOLE and others == [] and len(list(tmp_path.iterdir())) == 1
    os.close(descriptor)


def test_a_folder_that_stays_locked_is_waited_for_and_said(tmp_path):
    descriptor, pauses = os.open(tmp_path, os.O_RDONLY), []
    fcntl.flock(descriptor, fcntl.LOCK_EX)
    with pytest.raises(TimeoutError, match="has been locked by another process"):
        machine_share.take(tmp_path, WHOLE, own(), FREE, pauses.append)
    assert sum(pauses) == pytest.approx(machine_share.MOMENT_S)
    os.close(descriptor)


def test_nights_of_two_users_know_of_each_other(tmp_path, monkeypatch):
    if os.geteuid():
        pytest.skip("only root can be two users")
    for place in (tmp_path, *tmp_path.parents[:-2]):  # below the folder of all temporary files
        place.chmod(0o755)
    monkeypatch.setenv(machine_share.VARIABLE, str(tmp_path / "shares"))
    place = machine_share.folder()
    _, one, _ = machine_share.take(place, WHOLE, own(), (3, 12))
    child = os.fork()
    if child == 0:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)
        share, _, others = machine_share.take(machine_share.folder(), WHOLE, own("bert"), FREE)
        os._exit(0 if share == Share(5, 20) and [other.user for other in others] == ["anna"] else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    share, two, others = machine_share.take(place, WHOLE, own("carl"), FREE)
    assert share == Share(5, 20) and len(others) == 1
    os.close(one)
    os.close(two)


def test_others_can_read_a_registration_whatever_the_umask(tmp_path):
    before = os.umask(0o077)
    try:
        _, descriptor, _ = machine_share.take(tmp_path, WHOLE, own(), FREE)
    finally:
        os.umask(before)
    (file,) = tmp_path.iterdir()
    assert stat.S_IMODE(file.stat().st_mode) == 0o644
    os.close(descriptor)


def test_foreign_files_in_the_folder_count_as_nothing(tmp_path):
    (tmp_path / "night-link.json").symlink_to("/etc/passwd")
    os.mkfifo(tmp_path / "night-pipe.json")
    (tmp_path / "night-text.json").write_text("{")
    share, descriptor, others = machine_share.take(tmp_path, WHOLE, own(), FREE)
    assert share == WHOLE and others == []
    os.close(descriptor)


def test_the_folder_is_made_for_all_users(tmp_path, monkeypatch):
    monkeypatch.setenv(machine_share.VARIABLE, str(tmp_path / "shares"))
    assert stat.S_IMODE(machine_share.folder().stat().st_mode) == 0o1777


def test_a_folder_that_can_t_be_used_is_named_with_what_to_do(tmp_path, monkeypatch):
    (tmp_path / "shares").write_text("in the way")
    monkeypatch.setenv(machine_share.VARIABLE, str(tmp_path / "shares"))
    with pytest.raises(Rejected, match=r"can't be used .*chmod 1777"):
        machine_share.folder()


def test_this_machine_has_something():
    found = machine_share.machine()
    assert found.cores == len(os.sched_getaffinity(0)) and found.memory_gb >= 1

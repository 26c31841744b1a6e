"""Limits of control groups, as files of both versions state them (cgroups(7), cgroup-v1 and -v2 of the kernel)."""

import pytest

from nightbay.night import control_groups, machine_share
from nightbay.night.control_groups import Limits

UNLIMITED_1 = "9223372036854771712"  # how version 1 says that memory has no limit


@pytest.fixture
def found(tmp_path):
    """Calls with the list of a process's groups and the files of the hierarchies; the limits."""

    def read(groups, files):
        (tmp_path / "cgroup").write_text(groups)
        for name, text in files.items():
            path = tmp_path / "mount" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"{text}\n")
        return control_groups.limits(tmp_path / "mount", tmp_path / "cgroup")

    return read


def test_without_a_limit_there_is_none(found):
    assert found("0::/user.slice\n", {"user.slice/memory.max": "max", "user.slice/cpu.max": "max 100000"}) == Limits(
        None, None
    )
    assert control_groups.limits() is not None  # of this process: whatever they are, they can be read


def test_a_group_above_limits_those_below(found):
    files = {
        "a.slice/memory.max": "8000000000",
        "a.slice/b.service/memory.max": "max",
        "a.slice/b.service/cpu.max": "150000 100000",
        "a.slice/cpu.max": "max 100000",
        "c.slice/memory.max": "5",
    }
    assert found("0::/a.slice/b.service\n", files) == Limits(8_000_000_000, 1.5)


def test_version_1_has_a_hierarchy_for_each_controller(found):
    groups = "4:memory:/jobs/7\n2:cpu,cpuacct:/jobs/7\n1:name=systemd:/\n0::/\n"
    files = {
        "memory/memory.limit_in_bytes": UNLIMITED_1,
        "memory/jobs/7/memory.limit_in_bytes": "4000000000",
        "cpu,cpuacct/jobs/7/cpu.cfs_quota_us": "300000",
        "cpu,cpuacct/jobs/7/cpu.cfs_period_us": "100000",
        "cpu,cpuacct/cpu.cfs_quota_us": "-1",
        "cpu,cpuacct/cpu.cfs_period_us": "100000",
    }
    assert found(groups, files) == Limits(4_000_000_000, 3.0)


def test_inside_a_container_the_top_has_its_limits(found):
    """The names of groups are those of the host there, and only the container's own is mounted."""
    assert found("0::/docker/5f2c\n", {"memory.max": "2000000000"}) == Limits(2_000_000_000, None)


def test_where_groups_are_not_known_nothing_limits(tmp_path):
    assert control_groups.limits(tmp_path, tmp_path / "none") == Limits(None, None)


def test_a_night_takes_no_more_than_its_groups_leave(monkeypatch):
    monkeypatch.setattr(machine_share.os, "sched_getaffinity", lambda process: set(range(8)))
    whole = machine_share.machine(Limits(None, None))
    assert whole.cores == 8 and whole.memory_gb >= 1
    assert machine_share.machine(Limits(2_000_000_000, 2.5)) == machine_share.Share(2, 1)
    assert machine_share.machine(Limits(100, 0.3)) == machine_share.Share(1, 1)
    assert machine_share.machine(Limits(int(UNLIMITED_1), None)) == whole

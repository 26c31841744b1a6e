"""A stage of one job crashes or needs too much memory, in a real night: the other job comes to the same bytes.

The bench `faults crashes` plants more faults.
"""

import shutil

import pytest

import killed_nights
import memory_group
import planted_faults
from workflow import nights

VICTIM, NEIGHBOUR = "larch-loadbay", "pebble-compact"


@pytest.fixture(scope="module")
def sound(finished, tmp_path_factory):
    """The two jobs of the finished day, with their results and a board."""
    day = tmp_path_factory.mktemp("crashes") / "day"
    for job in (VICTIM, NEIGHBOUR):
        shutil.copytree(finished[0] / job, day / job)
        shutil.copytree(finished[0] / "results" / job, day / "results" / job)
    for made in ("results/board", ".snakemake"):  # by whose records the changed stage is known to be changed
        shutil.copytree(finished[0] / made, day / made)
    return day


@pytest.mark.parametrize("fault", ["segmentation fault", "memory"])
def test_a_fault_costs_its_own_job_only_and_the_board_says_why(sound, fault):
    folder = sound.parent / "faulty"  # one for all faults: compiled loops are known by the place of their source
    shutil.rmtree(folder, ignore_errors=True)
    outcome = planted_faults.outcome(sound, fault, folder, VICTIM, (NEIGHBOUR,))
    assert (outcome.neighbours, outcome.stated, outcome.kept, outcome.tried) == (1.0, True, True, True), outcome.said


@pytest.fixture
def group_of():
    """:func:`memory_group.of`, where this user can make a group."""
    try:
        with memory_group.of(100):
            pass
    except OSError as error:
        pytest.skip(f"this user can't make a control group with a limit of memory ({error})")
    return memory_group.of


@pytest.mark.parametrize("fault", ["memory of a group", "memory of a group once"])
def test_a_stage_that_the_kernel_kills_for_memory_ends_alone(sound, fault, tmp_path, group_of):
    """Neither the night nor Snakemake nor another stage; the second attempt has the bytes of a night without a kill."""
    outcome = planted_faults.outcome(sound, fault, tmp_path, VICTIM, (NEIGHBOUR,))
    assert (outcome.neighbours, outcome.stated, outcome.kept, outcome.tried) == (1.0, True, True, True), outcome.said
    if outcome.said.startswith("complete"):
        results = f"results/{VICTIM}"
        assert nights.digests(tmp_path / "day" / results) == nights.digests(sound / results)


def test_a_night_takes_no_more_memory_than_its_control_group_has(tmp_path, group_of):
    day = killed_nights.make_day(tmp_path)
    with group_of(3000) as enter:
        done = nights.run_night(day, preexec_fn=enter)
        assert done.returncode == 0, done.stdout + done.stderr
        more = nights.run_night(day, "--memory", "5", preexec_fn=enter)
    (first, second) = sorted((day / "logs/night").glob("*.log"))
    assert "--resources mem_mb=2000" in first.read_text() and "--resources mem_mb=5000" in second.read_text()
    assert "2 GB for nights. This night takes" in more.stderr and "5 GB, as asked for, which is more" in more.stderr

"""A stage of one job crashes or needs too much memory, in a real night: the other job comes to the same bytes.

The bench `faults crashes` plants more faults.
"""

import shutil

import pytest

import planted_faults

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

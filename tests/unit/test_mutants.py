"""Seeded mutations of exports, lists, sheets and days: refused or accepted, never a crash, a hang or a full memory.

The bench `faults mutants` runs thousands more.
"""

import os
import random
import signal

import pytest

import mutant_outcomes
import mutants
from nightbay.core.errors import Rejected

SEEDS = range(2)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def check(samples, seeds, read, folder):
    """Run mutants; every outcome but those that are allowed is shown."""
    found = list(mutant_outcomes.outcomes(samples, seeds, read, folder))
    assert len(found) == len(samples) * len(seeds)
    assert [outcome for outcome in found if outcome.end not in ("accepted", "refused")] == []
    assert [outcome for outcome in found if outcome.noticeable and outcome.end == "accepted"] == []
    return found


def test_exports(folder):
    found = check(mutants.exports(folder), SEEDS, mutant_outcomes.read_export, folder)
    assert {outcome.end for outcome in found} == {"accepted", "refused"}
    assert any(outcome.noticeable for outcome in found)


def test_target_lists(folder):
    found = check(mutants.target_lists(), range(20), mutant_outcomes.read_targets, folder)
    assert {outcome.end for outcome in found} == {"accepted", "refused"}


def test_job_sheets(folder):
    sheet = mutants.Sample("job.yaml", mutants.SHEET.encode())
    assert check([sheet], range(20), mutant_outcomes.read_sheet, folder)


def test_days_of_any_files(folder):
    found = check([mutants.Sample("tree", b"any")], range(20), mutant_outcomes.read_tree, folder)
    assert {outcome.end for outcome in found} == {"accepted", "refused"}


def test_a_day_whose_board_lacks_a_job_or_is_not_made_is_lost(folder, monkeypatch):
    whole = mutant_outcomes.board_plan.board_plan

    def without_jobs(plan, day):
        return {**whole(plan, day), "jobs": [], "refused": {}}

    def ends():
        found = mutant_outcomes.outcomes([mutants.Sample("tree", b"any")], range(12), mutant_outcomes.read_tree, folder)
        return [outcome.end for outcome in found]

    monkeypatch.setattr(mutant_outcomes.board_plan, "board_plan", without_jobs)
    assert 0 < ends().count("lost") < 12  # some of these days have no job
    monkeypatch.setattr(mutant_outcomes.board, "make", lambda *_: None)
    assert ends() == ["lost"] * 12


def test_sound_files_are_accepted(folder):
    sheet = mutants.Sample("job.yaml", mutants.SHEET.encode())
    for samples, read in (
        (mutants.target_lists(), mutant_outcomes.read_targets),
        ([sheet], mutant_outcomes.read_sheet),
        (mutants.exports(folder), mutant_outcomes.read_export),
    ):
        for sample in samples:
            read(mutants.Mutant(sample.name, sample.content, False), folder)


def test_a_mutant_is_that_of_its_seed():
    sample = mutants.target_lists()[0]
    made = [mutants.mutant(sample, seed).content for seed in range(30)]
    assert made == [mutants.mutant(sample, seed).content for seed in range(30)]
    assert len(set(made)) > 20


@pytest.mark.parametrize(
    ("fault", "end"),
    [
        (lambda: {}["x"], "crash"),
        (lambda: os.kill(os.getpid(), signal.SIGKILL), "crash"),
        (lambda: _refuse("a.xyz is\nnot shown."), "crash"),
        (lambda: _refuse("a.xyz is refused."), "refused"),
        (lambda: bytearray(2**62), "blowup"),
        (lambda: None, "accepted"),
    ],
)
def test_each_fault_of_a_reader_is_counted(folder, fault, end):
    def read(mutant, folder):
        fault()

    sample = mutants.Sample("a.xyz", b"1 2 3\n")
    assert [outcome.end for outcome in mutant_outcomes.outcomes([sample], range(2), read, folder)] == [end] * 2


def _refuse(sentence):
    mutant_outcomes.check_sentence(sentence, "a.xyz")
    raise Rejected(sentence)


def test_every_mutation_changes_something():
    sample = mutants.target_lists()[0].content
    for mutation in mutants.MUTATIONS:
        changed = [mutation(sample, random.Random(seed)) != sample for seed in range(20)]
        assert sum(changed) > 15, mutation.__name__

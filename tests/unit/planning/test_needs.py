"""Needs of the stages by size, and the order of a night: urgent jobs first, then the longest chain."""

import pytest

from nightbay.core.paths import SCRIPTS
from nightbay.pipeline.stages import STAGES
from nightbay.planning import day as day_plan
from nightbay.planning import needs, parameters, yaml_file
from nightbay.planning.needs import Size

SHEET = "vehicle_class: van\nunits: mm\n"
DEFAULTS = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")


@pytest.fixture
def plan(tmp_path):
    """Plans a day of jobs {name: (megabytes of each of two segments, job sheet)}."""

    def make(**jobs):
        for name, (megabytes, sheet) in jobs.items():
            (tmp_path / name / "raw").mkdir(parents=True)
            (tmp_path / name / "job.yaml").write_text(sheet)
            for number, segment in enumerate(("left", "right")):
                with open(tmp_path / name / "raw" / f"{segment}.ply", "wb") as file:
                    file.truncate(megabytes * 1_000_000 + number)
        found = day_plan.plan(tmp_path, DEFAULTS)
        assert not found.refused
        return found.jobs

    return make


def test_every_stage_has_its_need():
    assert set(needs.NEEDS) == set(STAGES)


@pytest.mark.parametrize("stage", STAGES)
def test_a_larger_vehicle_never_needs_less(stage):
    small, large = needs.memory_mb(stage, Size(10, 10)), needs.memory_mb(stage, Size(1000, 100))
    assert needs.LEAST_MB <= small <= large
    assert needs.LEAST_MIN <= needs.runtime_min(stage, 10) <= needs.runtime_min(stage, 100_000)


def test_another_attempt_has_all_memory_of_the_night_so_that_it_runs_alone():
    first = needs.memory_mb("fuse", Size(100, 20), most_mb=16_000)
    assert first < 16_000 == needs.memory_mb("fuse", Size(100, 20), attempt=2, most_mb=16_000)
    assert needs.memory_mb("fuse", Size(100, 20), attempt=2) == needs.MORE * first  # on a cluster
    assert needs.memory_mb("fuse", Size(1e6, 1e6), most_mb=16_000) == 16_000


def test_sizes_of_a_segment_a_part_and_a_job(plan):
    (job,) = plan(van=(2, SHEET)).values()
    assert needs.size(job, "exterior", "left") == Size(2.0, 2.0)
    assert needs.size(job, "exterior") == needs.size(job) == Size(4.000001, 2.000001)


def test_the_mesh_of_a_comparison_needs_memory_too():
    assert needs.memory_mb("measure", Size(50, 50, 100)) > needs.memory_mb("measure", Size(50, 50))


def test_the_longest_chain_begins_first_and_its_first_steps_before_its_last(plan):
    jobs = plan(small=(1, SHEET), large=(50, SHEET))
    large, small = (needs.priority(jobs[name], "intake", "exterior", "left") for name in ("large", "small"))
    assert large > small
    order = [needs.priority(jobs["large"], stage, "exterior") for stage in ("network", "refine", "frame", "fuse")]
    assert order == sorted(order, reverse=True)
    assert needs.priority(jobs["large"], "report") == round(needs._seconds("report", jobs["large"].raw_mb()))


def test_an_urgent_job_comes_before_all_others_whatever_its_size(plan):
    jobs = plan(small=(1, SHEET + "urgent: true\n"), large=(5000, SHEET + "urgent: false\n"))
    assert needs.priority(jobs["small"], "report") > needs.priority(jobs["large"], "intake", "exterior", "left")


def test_urgency_changes_nothing_that_a_stage_gets(plan):
    jobs = plan(plain=(1, SHEET), urgent=(1, SHEET + "urgent: true\n"))
    for stage in STAGES:
        if STAGES[stage].runs_for(jobs["plain"].parts):
            whole = STAGES[stage].unit == "job"
            of = {} if whole else {"part": "exterior", "segment": "left"}
            sheets = [str(jobs[name].sheet(stage, **of)).replace(name, "") for name in ("plain", "urgent")]
            assert sheets[0] == sheets[1]


@pytest.mark.parametrize(("cores", "parts", "each"), [(2, 1, 2), (2, 5, 1), (8, 2, 4), (4, 0, 4), (None, 3, 2)])
def test_processors_of_one_stage_while_others_wait_for_them(cores, parts, each):
    assert needs.processors(cores, parts) == each


@pytest.mark.parametrize("stage", STAGES)
def test_the_rule_of_each_stage_asks_for_its_own_needs_and_for_one_more_attempt(stage):
    rule = (SCRIPTS.parent / "rules" / f"{stage}.smk").read_text(encoding="utf-8")
    for line in (f'priority: priority_of("{stage}")', "retries: RETRIES", f'**needs_of("{stage}")'):
        assert rule.count(line) == 1

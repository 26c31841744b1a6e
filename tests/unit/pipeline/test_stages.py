"""The table of stages: what each reads, and what runs after it."""

import pytest

from nightbay.pipeline import stages
from nightbay.pipeline.settings import settings
from nightbay.planning import validation

SEGMENTS = {"exterior": ["left", "right"], "interior": ["bay"]}
LEFT = {"job": "van", "part": "exterior", "segment": "left"}


def test_a_stage_of_a_segment_reads_that_segment_only():
    assert stages.inputs("clean", "intake", LEFT, SEGMENTS) == "results/van/intake/exterior.left"


def test_a_stage_of_a_part_reads_all_its_segments_and_its_part():
    part = {"job": "van", "part": "exterior"}
    assert stages.inputs("refine", "clean", part, SEGMENTS) == [
        "results/van/clean/exterior.left",
        "results/van/clean/exterior.right",
    ]
    assert stages.inputs("refine", "network", part, SEGMENTS) == "results/van/network/exterior"


def test_the_report_reads_everything_of_its_job():
    job = {"job": "van"}
    assert stages.inputs("report", "network", job, SEGMENTS) == [
        "results/van/network/exterior",
        "results/van/network/interior",
    ]
    assert stages.inputs("report", "clean", job, SEGMENTS) == [
        "results/van/clean/exterior.left",
        "results/van/clean/exterior.right",
        "results/van/clean/interior.bay",
    ]
    assert stages.place("report", job) == "results/van/report/van"


def test_the_join_reads_both_parts_and_runs_for_jobs_that_have_them():
    job = {"job": "van"}
    assert stages.inputs("join", "fill", job, SEGMENTS) == ["results/van/fill/exterior", "results/van/fill/interior"]
    assert stages.inputs("report", "join", job, SEGMENTS) == ["results/van/join/van"]
    assert stages.inputs("report", "join", job, {"exterior": ["left"]}) == []
    assert not stages.STAGES["join"].runs_for(["interior"])


def test_what_runs_after_a_stage():
    assert stages.downstream({"report"}) == ["report"]
    assert stages.downstream({"fill"}) == ["fill", "reduce", "measure", "deliver", "join", "report"]
    assert stages.downstream({"intake"}) == list(stages.STAGES)


@pytest.mark.parametrize("stage", stages.STAGES.values(), ids=lambda stage: stage.name)
def test_a_stage_comes_after_what_it_reads_and_declares_keys_of_scan(stage):
    names = list(stages.STAGES)
    assert all(names.index(upstream) < names.index(stage.name) for upstream in stage.upstream)
    assert set(stage.scan) <= set(validation.schema("parameters/scan")["properties"])


def test_every_key_of_scan_is_declared_by_a_stage():
    declared = {key for stage in stages.STAGES.values() for key in stage.scan}
    assert declared == set(validation.schema("parameters/scan")["properties"])


def test_a_stage_that_reads_a_key_that_it_does_not_declare_fails():
    with pytest.raises(AttributeError, match="standoff_mm"):
        _ = settings({"scan": {"noise_mm": 0.1}}).scan.standoff_mm

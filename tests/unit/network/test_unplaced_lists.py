"""Target lists that do not suffice: refused by default, set aside where the job sheet says leave_out."""

import numpy as np
import pytest

import networks
from network_sheets import NOISE, day, run, sheet
from nightbay.core.errors import Rejected, Unplaced
from nightbay.network import network


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def short(rng, name="few"):
    """A list of eight targets that no other list has."""
    strange = networks.body(np.random.default_rng(99), 8)
    listed, *_ = networks.record(strange, np.arange(8), rng, name=name, **NOISE)
    return listed


def test_a_list_of_other_targets_is_refused_or_set_aside(folder):
    _, survey, segments, _ = day(3)
    rng = np.random.default_rng(4)
    lists = [*segments, short(rng)]
    with pytest.raises(Unplaced) as raised:
        run(sheet(folder, survey, lists))
    assert list(raised.value.reasons) == ["few"]
    result = run(sheet(folder, survey, lists, unplaced="leave_out"))
    assert result["set_aside"] == raised.value.reasons
    assert result["without_targets"] == []
    without = run(sheet(folder, survey, segments))
    assert {**result, "set_aside": {}} == without


def test_a_survey_of_another_vehicle_is_never_left_out(folder):
    _, _, segments, _ = day(5, count=24)
    _, survey, _, _ = day(6)
    with pytest.raises(Rejected, match="control survey") as raised:
        run(sheet(folder, survey, segments, unplaced="leave_out"))
    assert not isinstance(raised.value, Unplaced)


def test_without_a_list_that_suffices_there_is_no_network(folder):
    _, survey, _, _ = day(7)
    result = run(sheet(folder, survey, [short(np.random.default_rng(8))], unplaced="leave_out"))
    assert (result["mode"], result["poses"]) == ("none", None)
    assert result["mode_reason"] == "no list of targets could be used"
    assert list(result["set_aside"]) == ["few"]


def test_a_list_that_does_not_lie_on_its_cloud_is_set_aside(folder, monkeypatch):
    _, survey, segments, _ = day(9)
    found = {"s1": "s1.csv does not belong to s1.ply."}

    def faults(lists, surfaces, noise_mm, least):
        return {name: why for name, why in found.items() if name in {target_list.name for target_list in lists}}

    monkeypatch.setattr(network.list_surfaces, "faults", faults)
    result = run(sheet(folder, survey, segments, unplaced="leave_out"))
    assert result["set_aside"] == found
    assert sorted(result["poses"]) == ["s0", "s2", "s3"]

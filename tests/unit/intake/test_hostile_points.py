"""Points that no vehicle has, and readers that die: the segment is refused, and the log says what happened."""

import itertools

import numpy as np
import pytest

from nightbay.readers import bounded

CORNERS = np.array(list(itertools.product((0, 2000), repeat=3)), float)


@pytest.fixture
def sentence(take):
    """A function that returns the sentence that intake refuses points with, which are written as text."""

    def run(xyz, **options):
        np.savetxt("a.xyz", xyz, "%.3f")
        record, _ = take("a.xyz", **options)
        assert record["status"] == "rejected"
        (reason,) = record["reasons"]
        return reason["sentence"]

    return run


def spots(places, noise_mm, count=6000):
    rng = np.random.default_rng(5)
    return np.asarray(places, float)[rng.integers(0, len(places), count)] + rng.normal(0, noise_mm, (count, 3))


@pytest.mark.parametrize("noise_mm", [0, 0.05])
@pytest.mark.parametrize("count", [2, 3, 8])
def test_all_points_in_a_few_spots(sentence, count, noise_mm):
    why = "so they show no surface" if noise_mm else "come in steps of 2e+03 mm; at most 2 mm are allowed"
    assert why in sentence(spots(CORNERS[:count], noise_mm))


@pytest.mark.parametrize("far_mm", [1e6, 1e11])
def test_a_few_points_far_away(sentence, far_mm):
    rng = np.random.default_rng(6)
    xyz = np.column_stack([rng.uniform(-2000, 2000, (6000, 2)), rng.normal(0, 100, 6000)])
    xyz[:3] *= far_mm / 1000
    assert "mm from the middle of the others" in sentence(xyz)


def test_half_of_the_points_far_away(sentence):
    rng = np.random.default_rng(6)
    xyz = np.column_stack([rng.uniform(-2000, 2000, (6000, 2)), rng.normal(0, 100, 6000)])
    xyz[::2] *= 1e8
    assert "no unit would make it fit" in sentence(xyz)


def test_a_reader_that_dies_refuses_its_segment_and_leaves_its_trace(take, monkeypatch, capfd):
    np.savetxt("a.xyz", spots(CORNERS, 100), "%.3f")
    monkeypatch.setattr(bounded, "MEMORY", 30_000_000)
    record, _ = take("a.xyz")
    assert record["status"] == "rejected"
    assert "a.xyz needs more than 30 MB of memory to be read" in record["reasons"][0]["sentence"]
    assert "emory" in capfd.readouterr().out

"""The arithmetic of the bench's closed loops, with poses that are known in place of those that the stage finds."""

import numpy as np
import pytest

import pair_loop
import pair_registration
import pair_scans
from nightbay.core import rigid

SHIFT_MM = 0.5


def segments():
    """Eight points on a circle stand for the segments."""
    rng = np.random.default_rng(2)
    for k, name in enumerate("abcdefgh"):
        true = 1000 * np.array([[np.cos(k), np.sin(k), 0.0]])
        T = rigid.pose(np.eye(3), rng.uniform(-100, 100, 3))
        yield pair_scans.Scan(name, true, true, None, true, true, np.zeros(1, bool), T, None)


def off_by(shift):
    """A stage whose pose of each segment is off by so many shifts along Z from that of the first."""

    def together(scans, noise_mm, inside):
        first = rigid.invert(scans[0].T_control_segment)
        poses = {
            scan.name: (rigid.pose(None, (0, 0, shift * (scan is not scans[0]))) @ first @ scan.T_control_segment, None)
            for scan in scans
        }
        return pair_registration.Outcome("accepted", poses, "", 1.0, "", None)

    return together


def test_errors_of_a_chain_add_up_and_those_of_the_joint_fit_do_not(monkeypatch):
    monkeypatch.setattr(pair_loop, "scans", lambda seed, number: (list(segments()), 0.1))
    monkeypatch.setattr(pair_registration, "together", off_by(SHIFT_MM))
    loop = pair_loop.measure((1, 0))
    assert loop.joint_mm == pytest.approx(SHIFT_MM)  # each segment once
    assert loop.chain_mm == pytest.approx(SHIFT_MM * np.sqrt(np.mean(np.arange(1, 8) ** 2)))  # the k-th k times
    # seven shifts forth; the last pair is (a, h), so that its shift is taken back
    assert loop.closure_mm == pytest.approx(6 * SHIFT_MM)
    assert loop.seconds == 9.0


def test_a_refused_pair_leaves_no_chain(monkeypatch):
    refused = pair_registration.Outcome("refused", {}, "too little overlap", 1.0, "", None)
    monkeypatch.setattr(pair_loop, "scans", lambda seed, number: (list(segments()), 0.1))
    monkeypatch.setattr(
        pair_registration,
        "together",
        lambda scans, *rest: refused if len(scans) == 2 else off_by(SHIFT_MM)(scans, *rest),
    )
    loop = pair_loop.measure((1, 0))
    assert (loop.chain_mm, loop.closure_mm, loop.reason) == (None, None, "too little overlap")
    assert loop.joint_mm == pytest.approx(SHIFT_MM)

"""The arithmetic of the bench's closed loops, with poses that are known in place of those that the stage finds."""

import numpy as np
import pytest

import pair_loop
import pair_registration
import pair_scans
from nightbay.core import rigid

START_MM, ALONE_MM, JOINT_MM = 0.5, 0.3, 0.1
COVARIANCE = np.diag([1e-4**2] * 3 + [0.1**2] * 3)
# Along these the stage placed the segments, from a on both ways round.
LINKS = {"b": "ab", "c": "bc", "d": "cd", "e": "de", "h": "ah", "g": "gh", "f": "fg"}
STEPS = np.array([1, 2, 3, 4, 1, 2, 3])  # links to each of them


def segments():
    """Eight points on a circle stand for the segments."""
    rng = np.random.default_rng(2)
    for k, name in enumerate("abcdefgh"):
        true = 1000 * np.array([[np.cos(k), np.sin(k), 0.0]])
        T = rigid.pose(np.eye(3), rng.uniform(-100, 100, 3))
        yield pair_scans.Scan(name, true, true, None, true, true, np.zeros(1, bool), T, None)


TRUE = {scan.name: scan.T_control_segment for scan in segments()}


def relative(a, b, shift_mm):
    return rigid.pose(None, (0, 0, shift_mm)) @ rigid.invert(TRUE[a]) @ TRUE[b]


def result(joined=()):
    """What the stage leaves of pairs whose second segment is off by a shift along Z; ``joined``: by sets."""
    records = [
        {
            "segments": [*pair],
            "sets": [["a", "b"], [pair[1]]] if pair in joined else [[pair[0]], [pair[1]]],
            "alternatives": [
                {"T_a_b": relative(*pair, START_MM if name == pair[1] else -START_MM).tolist()},
                {"T_a_b": np.eye(4).tolist()},
            ],
        }
        for name, pair in LINKS.items()
    ]
    # what the pair itself found is not what placed the segment
    alone = [record | {"sets": [], "alternatives": [{"T_a_b": np.eye(4).tolist()}]} for record in records]
    by_surfaces = [{"segment": name, "pair": [*pair]} for name, pair in LINKS.items()]
    chosen = [record for record in alone if "".join(record["segments"]) in joined]
    return {"coarse_registration": [*chosen, *records], "by_surfaces": by_surfaces}


def stage(monkeypatch, off_mm, joined=()):
    """The stage puts each segment so far off the truth along Z, and the fit of a pair alone less than it started."""

    def together(scans, noise_mm, inside):
        poses = {scan.name: (relative("a", scan.name, off_mm * (scan.name != "a")), COVARIANCE) for scan in scans}
        return pair_registration.Outcome("accepted", poses, "", 1.0, "", result(joined))

    def alone(scans, noise_mm, links):
        shift = rigid.pose(None, (0, 0, ALONE_MM - START_MM))
        return {
            name: (pair, shift @ T if name == pair[1] else rigid.invert(shift) @ T) for name, (pair, T) in links.items()
        }

    monkeypatch.setattr(pair_loop, "scans", lambda seed, number: (list(segments()), 0.1))
    monkeypatch.setattr(pair_registration, "together", together)
    monkeypatch.setattr(pair_loop, "fitted_alone", alone)


@pytest.mark.parametrize("joined", [[], ["cd", "gh"]])
def test_errors_along_the_pairs_add_up_and_those_of_the_joint_fit_do_not(monkeypatch, joined):
    stage(monkeypatch, JOINT_MM, joined)
    loop = pair_loop.measure((1, 0))
    many = np.sqrt(np.mean(STEPS**2))
    assert loop.joint_mm == pytest.approx(JOINT_MM)  # each segment once
    assert (loop.start_mm, loop.chain_mm) == (pytest.approx(START_MM * many), pytest.approx(ALONE_MM * many))
    assert (loop.state, loop.wrong, loop.joined) == ("accepted", False, len(joined))


@pytest.mark.parametrize("off_mm, wrong", [(0.39, False), (0.61, True)])  # 4 deviations, and 6 for six coordinates
def test_a_loop_that_states_less_than_it_is_off_is_wrong(monkeypatch, off_mm, wrong):
    stage(monkeypatch, off_mm)
    assert pair_loop.measure((1, 0)).wrong == wrong


def test_a_refused_loop_has_no_figures(monkeypatch):
    refused = pair_registration.Outcome("refused", {}, "too little overlap", 1.0, "", None)
    monkeypatch.setattr(pair_loop, "scans", lambda seed, number: (list(segments()), 0.1))
    monkeypatch.setattr(pair_registration, "together", lambda *_: refused)
    loop = pair_loop.measure((1, 0))
    assert (loop.state, loop.reason) == ("refused", "too little overlap")
    assert (loop.joint_mm, loop.start_mm, loop.chain_mm, loop.wrong) == (None, None, None, False)

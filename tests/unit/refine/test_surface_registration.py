"""Every sentence with which segments without targets are refused."""

from dataclasses import replace

import numpy as np
import pytest

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core.errors import Unplaced
from nightbay.pipeline.settings import settings
from nightbay.refine import coarse_fit, coarse_match, overlap, surface_registration
from nightbay.refine.part import Part, Sizes

VALUES = {
    "correspondences": 2000,
    "patch_mm": 200.0,
    "drift_length_mm": 1500.0,
    "untargeted_drift_mm_per_m": 0.3,
    "coarse_mm": 30.0,
    "overlap_least": 0.15,
    "ambiguity": 2.0,
}
OWN = settings({"refine": VALUES}).refine
SD_MOST_MM = 2.0
NAMES = ["left", "right"]


def thinned(cells=1000):
    return coarse_match.ThinnedSegment(
        np.random.default_rng(1).uniform(0, 500, (cells, 3)), np.tile([0, 0, 1.0], (cells, 1)), 30.0
    )


def doubt_of(fits, monkeypatch):
    monkeypatch.setattr(coarse_match, "candidate_poses", lambda a, b: [])
    monkeypatch.setattr(coarse_fit, "distinct_fits", lambda a, b, poses: fits)
    found = surface_registration.search_pair(*NAMES, thinned(), thinned(), OWN)
    return found.fit, found.doubt


def test_too_little_agrees(monkeypatch):
    fit, doubt = doubt_of([coarse_fit.Fit(np.eye(4), 180, 0)], monkeypatch)
    assert fit is None
    assert doubt == (
        "segments left and right share no targets and their surfaces agree over 9% of the smaller one at best, 15% are "
        "needed; scan more overlap or put targets into it"
    )


def test_two_ways_to_fit(monkeypatch):
    other = np.eye(4)
    other[0, 3] = 350.0
    first, second = coarse_fit.Fit(np.eye(4), 1000, 4), coarse_fit.Fit(other, 1500, 20)
    fit, doubt = doubt_of([first, second], monkeypatch)
    assert fit is None
    assert doubt == (
        "segments left and right share no targets and fit each other in two ways, 350 mm and 0° apart; put targets or "
        "something unmistakable into the overlap"
    )
    fit, doubt = doubt_of([first, coarse_fit.Fit(other, 1500, 100)], monkeypatch)
    assert fit is first and not doubt


@pytest.fixture
def plates(tmp_path):
    """Two plates that lie on each other, in one frame: their pairs and the part; the right one has fewer points."""

    def make(spread_mm):
        rng = np.random.default_rng(2)
        clouds = []
        for name in NAMES:
            points = rng.uniform(0, 800, (30_000 if name == "left" else 29_000, 3))
            # patches of 100 mm stand up or down by the spread, in each plate for itself
            step = np.floor(points[:, :2] / 100).astype(int)
            points[:, 2] = rng.normal(0, spread_mm, (8, 8))[step[:, 0], step[:, 1]] + rng.normal(0, 0.05, len(points))
            normals = np.tile([0.0, 0.0, 1.0], (len(points), 1))
            part = overlap_scenes.write_segment(tmp_path / name, name, points, normals, np.eye(4))
            clouds.append(CloudFile(part.folder))
        poses = [np.eye(4), np.eye(4)]
        pairs = overlap.pairs(clouds, poses, overlap.Search(10.0, 20.0, 2000))
        segments = [PosedSegment(name, cloud, np.eye(4)) for name, cloud in zip(NAMES, clouds, strict=True)]
        return pairs, Part(segments, np.array([False, False]), Sizes(5.0, 10.0, 30.0))

    return make


def test_surfaces_that_do_not_lie_on_each_other(plates):
    pairs, part = plates(3.0)
    with pytest.raises(
        Unplaced, match=r"^surfaces of segments left and right differ by \d\.\d\d mm .* 2\.00 mm"
    ) as raised:
        surface_registration.check_distances(part, pairs, part.start, SD_MOST_MM)
    assert list(raised.value.reasons) == ["right"]  # the one with fewer points
    held = replace(part, has_targets=np.array([True, True]))
    surface_registration.check_distances(held, pairs, part.start, SD_MOST_MM)


def test_partners_that_run_out(plates, tmp_path, monkeypatch):
    plates(0.0)
    clouds = {name: CloudFile(tmp_path / name) for name in NAMES}
    monkeypatch.setattr(surface_registration, "connect", lambda *_: ([np.eye(4), np.eye(4)], []))
    monkeypatch.setattr(overlap, "pairs", lambda *_: [])
    with pytest.raises(Unplaced, match=r"^segment right has no targets and too little overlap: fewer than 50 corr"):
        surface_registration.start_poses(clouds, {"left": np.eye(4)}, Sizes(5.0, 10.0, 30.0), OWN)

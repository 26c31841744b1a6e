"""The joint fit of segments without targets: where it refuses them."""

from dataclasses import replace

import numpy as np
import pytest

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core.errors import Unplaced
from nightbay.pipeline.settings import settings
from nightbay.refine import overlap, surface_registration
from nightbay.refine.part import Part, Sizes

VALUES = {
    "correspondences": 2000,
    "drift_length_mm": 1500.0,
    "untargeted_drift_mm_per_m": 0.3,
}
OWN = settings({"refine": VALUES}).refine
SIZES = Sizes(
    spacing_mm=5.0, disc_radius_mm=10.0, patch_mm=200.0, cell_mm=30.0, clear_mm=100.0, registration_sd_most_mm=2.0
)
NAMES = ["left", "right"]


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
        return pairs, Part(segments, np.array([False, False]), SIZES)

    return make


def test_surfaces_that_do_not_lie_on_each_other(plates):
    pairs, part = plates(3.0)
    with pytest.raises(
        Unplaced, match=r"^surfaces of segments left and right differ by \d\.\d\d mm .* 2\.00 mm"
    ) as raised:
        surface_registration.check_distances(part, pairs, part.start)
    assert list(raised.value.reasons) == ["right"]  # the one with fewer points
    held = replace(part, has_targets=np.array([True, True]))
    surface_registration.check_distances(held, pairs, part.start)


def test_partners_that_run_out(plates, tmp_path, monkeypatch):
    plates(0.0)
    clouds = {name: CloudFile(tmp_path / name) for name in NAMES}
    monkeypatch.setattr(overlap, "pairs", lambda *_: [])
    with pytest.raises(Unplaced, match=r"^segment right has no targets and too little overlap: fewer than 50 corr"):
        surface_registration.fit_together(clouds, [np.eye(4)] * 2, {"left": np.eye(4)}, SIZES, OWN, [])

"""Pairs of segments that surfaces can't tie: the pair is refused, and the part only where nothing else ties it."""

import numpy as np
import pytest
import yaml

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.pipeline.settings import settings
from nightbay.refine import (
    coarse_fit,
    coarse_match,
    fine_fit,
    loose_directions,
    overlap,
    overlap_adjustment,
    overlap_patches,
    pair_search,
    segment_sets,
    surface_registration,
)
from nightbay.refine.part import Sizes
from searched_segments import Cells

VALUES = yaml.safe_load(overlap_scenes.CONFIG.read_text(encoding="utf-8"))["refine"] | {"correspondences": 2000}
OWN = settings({"refine": VALUES}).refine


def thinned():
    xyz_mm = np.random.default_rng(1).uniform(0, 500, (1000, 3))
    return coarse_match.ThinnedSegment(xyz_mm, np.tile([0.0, 0.0, 1.0], (1000, 1)), 30.0)


def agreement(edges, count):
    agree = np.zeros((count, count), np.float32)
    for a, b in edges:
        agree[a, b] = agree[b, a] = 1.0
    return agree


STAR = agreement([(0, 1), *((end, leaf) for end in (0, 1) for leaf in (2, 3, 4))], 5)


@pytest.mark.parametrize(
    "agree",
    [
        STAR,  # the best seed has one member: of its neighbours, one has three others in common with it
        agreement([(0, 1), (0, 2), (1, 2)], 3),  # two members
        np.zeros((4, 4), np.float32),  # none
    ],
    ids=["one", "two", "none"],
)
def test_sets_too_small_for_a_pose_give_none(agree, monkeypatch):
    rows = np.arange(len(agree))
    monkeypatch.setattr(coarse_match, "features", lambda one: None)
    monkeypatch.setattr(coarse_match, "_matches", lambda *_: (rows, rows))
    monkeypatch.setattr(coarse_match, "_agreement", lambda *_: agree)
    assert coarse_match.candidate_poses(thinned(), thinned()) == []


def test_a_hopeless_pair_does_not_stop_the_others(monkeypatch):
    segments = {name: Cells(thinned()) for name in "abc"}
    shift = rigid.pose(translation_mm=[100.0, 0.0, 0.0])

    def fits(a, b, poses, gates, *_):
        hopeless = {id(a), id(b)} == {id(segments[name].thinned(30.0)) for name in "ac"}
        return [] if hopeless else [coarse_fit.Fit(shift, 1000, 1000, 0)]

    monkeypatch.setattr(pair_search, "SearchedSegment", lambda cloud, sure: cloud)
    monkeypatch.setattr(coarse_match, "candidate_poses", lambda a, b: [])
    monkeypatch.setattr(coarse_match, "own_motions", lambda body: [])
    monkeypatch.setattr(pair_search, "_recounted", lambda a, b, poses, settings: poses)
    monkeypatch.setattr(coarse_fit, "distinct_fits", fits)
    monkeypatch.setattr(fine_fit, "closest", lambda a, b, fit: fine_fit.FineFit(fit, 30.0, 1.0, 0.0))
    monkeypatch.setattr(segment_sets, "contradicted", lambda *_: {})  # stand-ins have no surface to contradict
    searches = pair_search.Searches()
    poses = surface_registration.connect(segments, {"a": np.eye(4)}, OWN, searches)
    assert [pose[0, 3] for pose in poses] == [0.0, 100.0, 200.0]
    assert [len(record.alternatives) for record in searches.records] == [1, 0, 1]
    assert "agree over 0%" in searches.found["a", "c"].doubt


def write(folder, name, points, normals):
    return CloudFile(overlap_scenes.write_segment(folder / name, name, points, normals, np.eye(4)).folder)


def degenerate(kind, rng):
    """Points (n, 3) and normals of a segment that has no shape to register by."""
    up = [0.0, 0.0, 1.0]
    if kind == "one point":
        return np.zeros((1, 3)), np.array([up])
    if kind == "line":
        return np.column_stack([np.linspace(0, 1000, 4000), np.zeros((4000, 2))]), np.tile(up, (4000, 1))
    if kind == "plane":
        return rng.uniform(0, 800, (20_000, 3)) * [1, 1, 0], np.tile(up, (20_000, 1))
    points = np.repeat(rng.uniform(0, 800, (2000, 3)) * [1, 1, 0], 2, axis=0)  # both sides of a thin sheet
    return points, np.tile([up, [0.0, 0.0, -1.0]], (2000, 1))


@pytest.mark.parametrize("kind", ["one point", "line", "plane", "thin sheet"])
def test_a_segment_without_shape_is_refused_in_a_sentence(tmp_path, kind):
    rng = np.random.default_rng(1)
    whole = write(tmp_path, "whole", *overlap_scenes.egg(30_000, rng))
    odd = write(tmp_path, "odd", *degenerate(kind, rng))
    for known in ("odd", "whole"):
        with pytest.raises(Rejected, match="^segments odd and whole share no targets and their surfaces agree over 0%"):
            surface_registration.connect({"odd": odd, "whole": whole}, {known: np.eye(4)}, OWN, pair_search.Searches())
    assert overlap.pairs([odd, whole], [np.eye(4)] * 2, overlap.Search(10.0, 20.0, 2000)) == []


def lonely(apart_mm, count=60):
    """A pair whose correspondences lie so far apart that each is alone in its patch."""
    at = np.column_stack([np.arange(count) * apart_mm, np.zeros((count, 2))])
    up = np.tile([0.0, 0.0, 1.0], (count, 1))
    discs = overlap.Correspondences(at, at + [0, 0, 0.1], up, up, np.full(count, 0.05), np.ones(count, bool), 0.1)
    return overlap.Pair(0, 1, discs)


def test_correspondences_of_which_none_has_a_neighbour_leave_the_poses_to_the_targets():
    pairs, poses = [lonely(500.0)], [np.eye(4), np.eye(4)]
    drift = overlap_patches.DriftModel(np.array([0.3, 0.3]), 1500.0, 400.0, np.zeros((2, 3)))
    patches = overlap_patches.gather(pairs, poses, drift, poses)
    assert len(patches.pair) == 0
    free, nothing = np.array([False, True]), overlap_adjustment.NormalEquations.none(2)
    settled = overlap_adjustment.robust_poses(pairs, poses, drift, nothing, free, 10.0)
    assert np.array_equal(settled, poses)
    equations = overlap_adjustment.overlap_equations(patches, 2)
    loose = loose_directions.motions(equations, nothing, free)
    assert loose.shape == (2, 6, 6)
    assert loose_directions.rigid_sets(["a", "b"], loose) == [["a"], ["b"]]


def test_a_segment_without_shape_that_targets_hold_stops_no_other(tmp_path):
    rng = np.random.default_rng(2)
    points, normals = overlap_scenes.egg(60_000, rng)
    half = rng.random(len(points)) < 0.5
    clouds = {
        "a": write(tmp_path, "a", points[half], normals[half]),
        "b": write(tmp_path, "b", points[~half], normals[~half]),
        "sheet": write(tmp_path, "sheet", *degenerate("thin sheet", rng)),
    }
    known = {"a": np.eye(4), "sheet": np.eye(4)}
    searches = pair_search.Searches()
    start = surface_registration.connect(clouds, known, OWN, searches)
    sizes = Sizes(
        spacing_mm=20.0, disc_radius_mm=40.0, patch_mm=400.0, cell_mm=80.0, clear_mm=300.0, registration_sd_most_mm=20.0
    )
    poses = surface_registration.fit_together(clouds, start, known, sizes, OWN, [])
    assert searches.used == {"b": ("a", "b")}
    assert np.isfinite(poses).all()
    assert np.linalg.norm(poses[1][:3, 3]) < 10.0  # an eighth of a cell: where the other half of the points lies

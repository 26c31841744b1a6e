"""Loose directions: which segment slides on which, along or about what, in words of the part."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import overlap_scenes
from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import rigid
from nightbay.core.errors import Unplaced
from nightbay.pipeline import typed
from nightbay.refine import loose_directions, overlap, overlap_adjustment, overlap_patches
from nightbay.refine.overlap_adjustment import NormalEquations
from nightbay.refine.part import Part, Sizes
from nightbay.refine.result import LooseOverlap

ALONG_X = (1.0, 0.0, 0.0)
SIZES = Sizes(
    spacing_mm=5.0, disc_radius_mm=12.0, patch_mm=200.0, cell_mm=30.0, clear_mm=300.0, registration_sd_most_mm=2.0
)


def plate(count, rng, low, high):
    points = np.column_stack([rng.uniform(low, high, count), rng.uniform(0, 800, count), np.zeros(count)])
    return points, np.tile([0.0, 0.0, 1.0], (count, 1))


def gutter(count, rng, low, high, bent=60.0):
    """An extrusion along X: a half pipe, with waves over its section unless ``bent`` is 0. Points and normals."""
    x, turn = rng.uniform(low, high, count), rng.uniform(0, 1.2 * np.pi, count)
    outward = np.column_stack([np.zeros(count), np.cos(turn), np.sin(turn)])
    around = np.column_stack([np.zeros(count), -np.sin(turn), np.cos(turn)])
    radius, slope = 500 + bent * np.sin(3 * turn), 3 * bent * np.cos(3 * turn)
    normal = radius[:, None] * outward - slope[:, None] * around
    points = radius[:, None] * outward
    points[:, 0] = x
    return points, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def bumpy(count, rng, low, high):
    """The gutter with waves along X too, which hold it."""
    points, normals = gutter(count, rng, low, high)
    wave = 2 * np.pi / 300
    tilted = normals - (15 * wave * np.cos(points[:, 0] * wave))[:, None] * np.array(ALONG_X)
    points = points + normals * (15 * np.sin(points[:, 0] * wave))[:, None]
    return points, tilted / np.linalg.norm(tilted, axis=1, keepdims=True)


@pytest.fixture
def scene(tmp_path):
    """A part without targets from {name: (points, normals)}, in one frame, with what a fit by its overlaps uses.

    X of the scene is Y in the raw files.
    """
    T_scene_raw = rigid.pose(Rotation.from_euler("z", -90, degrees=True).as_matrix())

    def make(surfaces):
        segments = []
        for name, (points, normals) in surfaces.items():
            noise = np.random.default_rng(len(points)).normal(0, 0.05, (len(points), 1))
            measured = points + noise * normals
            folder = overlap_scenes.write_segment(tmp_path / name, name, measured, normals, T_scene_raw).folder
            held = None if segments else np.zeros((6, 6))  # the first holds the frame
            segments.append(PosedSegment(name, CloudFile(folder), T_scene_raw, held))
        part = Part(segments, np.zeros(len(segments), bool), SIZES)
        pairs = overlap.pairs(part.clouds, part.start, overlap.Search(12.0, 20.0, 3000))
        drift = overlap_patches.DriftModel(np.full(len(segments), 0.3), 1500.0, 200.0, part.centroids_mm)
        patches = overlap_patches.gather(pairs, part.start, drift, part.start)
        overlaps = overlap_adjustment.overlap_equations(patches, len(segments))
        evidence = SimpleNamespace(patches=patches, overlaps=overlaps, targets=NormalEquations.none(len(segments)))
        return part, pairs, evidence

    return make


def loose(part, pairs, evidence):
    with pytest.raises(Unplaced) as raised:
        loose_directions.find(part, pairs, evidence, NormalEquations.none(len(part.names)), part.free)
    found = [typed.read(LooseOverlap, record) for record in raised.value.evidence["loose"]]
    return raised.value, found


def test_a_plate_shifts_both_ways_and_turns(scene):
    rng = np.random.default_rng(1)
    surfaces = {"floor": plate(30_000, rng, 0, 1500), "mat": plate(20_000, rng, 500, 1700)}
    error, (found,) = loose(*scene(surfaces))
    assert (found.segments, found.relative_to) == (["mat"], ["floor"])
    assert [direction.kind for direction in found.directions] == ["shift", "shift", "turn"]
    assert abs(found.directions[2].axis[2]) > 0.999
    assert error.reasons["mat"] == (
        "segment mat has no targets, and its overlap with floor is too featureless to fix it: loose are a shift along "
        "the long axis of mat (Y of its raw file), a shift along the middle axis of mat (X of its raw file) and a turn "
        "about the short axis of mat (Z of its raw file) (3 of 6 directions); put targets or something uneven into the "
        "overlap, or give three point pairs of both segments in the job sheet (point_pairs)"
    )


def test_an_extrusion_shifts_along_its_axis_only(scene):
    rng = np.random.default_rng(2)
    error, (found,) = loose(*scene({"a": gutter(40_000, rng, 0, 1700), "b": gutter(30_000, rng, 900, 2600)}))
    (direction,) = found.directions
    assert direction.kind == "shift" and direction.words == "a shift along the long axis of b (Y of its raw file)"
    assert abs(direction.axis @ ALONG_X) > np.cos(np.radians(1.0))
    assert "(1 of 6 directions)" in str(error)


def test_a_pipe_shifts_along_its_axis_and_turns_about_it(scene):
    rng = np.random.default_rng(3)
    surfaces = {"a": gutter(40_000, rng, 0, 1700, 0.0), "b": gutter(30_000, rng, 900, 2600, 0.0)}
    _, (found,) = loose(*scene(surfaces))
    shift, turn = found.directions
    assert (shift.kind, turn.kind) == ("shift", "turn")
    for direction in found.directions:
        assert abs(direction.axis @ ALONG_X) > np.cos(np.radians(1.0))
    # a patch is 200 mm wide, and its normal is known to a hundredth of that: the pipe's axis to a few mm
    assert np.linalg.norm(turn.at_mm[1:]) < 10.0


def test_the_segment_that_slides_is_named_and_not_its_neighbour(scene):
    rng = np.random.default_rng(4)
    # c slides on b, and a and b hold each other
    surfaces = {
        "a": bumpy(30_000, rng, 0, 1200),
        "b": tuple(
            np.concatenate(both)
            for both in zip(bumpy(24_000, rng, 200, 1200), gutter(20_000, rng, 1200, 2200), strict=True)
        ),
        "c": gutter(30_000, rng, 1250, 2800),
    }
    error, (found,) = loose(*scene(surfaces))
    assert list(error.reasons) == ["c"]
    assert found.relative_to == ["a", "b"]
    assert [direction.kind for direction in found.directions] == ["shift"]


def test_the_larger_set_stays_where_the_first_segment_slides(scene):
    rng = np.random.default_rng(5)
    # a, which holds the frame, slides on b, and b and c hold each other: b and c are no looser than a
    surfaces = {
        "a": gutter(30_000, rng, 0, 1200),
        "b": tuple(
            np.concatenate(both)
            for both in zip(gutter(24_000, rng, 200, 1200), bumpy(20_000, rng, 1200, 2200), strict=True)
        ),
        "c": bumpy(30_000, rng, 1250, 2800),
    }
    error, (found,) = loose(*scene(surfaces))
    assert list(error.reasons) == ["a"]
    assert (found.segments, found.relative_to) == (["a"], ["b", "c"])


def test_what_is_held_is_not_loose(scene):
    rng = np.random.default_rng(6)
    part, pairs, evidence = scene({"a": bumpy(40_000, rng, 0, 1700), "b": bumpy(30_000, rng, 900, 2600)})
    assert loose_directions.find(part, pairs, evidence, NormalEquations.none(2), part.free) == []
    part, pairs, evidence = scene({"a": plate(30_000, rng, 0, 1500), "b": plate(20_000, rng, 500, 1700)})
    held = NormalEquations(np.eye(12) * 1e6, np.zeros(12))  # as targets do
    evidence.targets = held
    assert loose_directions.find(part, pairs, evidence, held, part.free) == []


def test_a_chain_of_small_differences_is_no_rigid_set():
    motions = np.zeros((30, 6, 1))
    motions[:, 3, 0] = np.linspace(0, 1, 30)  # neighbours differ by a thirtieth
    sets = loose_directions.rigid_sets([f"s{at:02}" for at in range(30)], motions)
    assert len(sets) > 1

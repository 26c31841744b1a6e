"""Fuse: one open surface from oriented points, with numbers of our own choosing."""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from fuse_scenes import SETTINGS, fans, one, run, settings, sheet, sphere, upstream
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.fuse import fuse, tile_plan, tile_stitching
from nightbay.meshes import surface


def edges(whole):
    """Directed edges of all faces, (3 m, 2), and how many faces meet at each undirected edge."""
    directed = np.concatenate([whole.faces[:, pair] for pair in ([0, 1], [1, 2], [2, 0])])
    _, meeting = np.unique(np.sort(directed, axis=1), axis=0, return_counts=True)
    return directed, meeting


def assert_manifold(whole):
    directed, meeting = edges(whole)
    assert meeting.max() <= 2
    assert len(np.unique(directed, axis=0)) == len(directed), "two faces run through an edge in the same direction"
    assert fans(whole.faces, len(whole.vertices_mm)).max() == 1
    assert np.linalg.norm(surface.face_normals(whole), axis=1).min() > 0


def test_two_tetrahedra_that_touch_in_a_vertex_are_not_manifold():
    """Every edge has two faces, and only the fans at the common vertex show it."""
    first = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    second = np.where(first == 0, 0, first + 3)
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    vertices = np.concatenate([corners, -corners[1:]]).astype(np.float32)
    assert_manifold(surface.Surface(vertices[:4], first.astype(np.int32)))
    with pytest.raises(AssertionError):
        assert_manifold(surface.Surface(vertices, np.concatenate([first, second]).astype(np.int32)))


def test_a_sphere_is_closed_and_as_smooth_as_its_points_allow(tmp_path):
    rng = np.random.default_rng(1)
    points, normals = sphere(rng, 60_000, 60.0, 0.1)
    T = rigid.pose(Rotation.from_rotvec([0.3, -0.5, 1.1]).as_matrix(), [400, 20, -90])
    numbers, whole = run(
        tmp_path, {"a": (points[::2], normals[::2], T, {}), "b": (points[1::2], normals[1::2], np.eye(4), {})}
    )
    assert_manifold(whole)
    assert edges(whole)[1].min() == 2
    off = np.linalg.norm(whole.vertices_mm - np.array([11.0, -7.0, 30.0]), axis=1) - 60.0
    expected = np.sqrt(np.mean(0.1**2 / whole.vertex["count"]))
    # vertices share points: about one value in 10 is free, so the estimate of rms carries some 3 %
    assert np.sqrt(np.mean(off**2)) == pytest.approx(expected, rel=0.1)
    # the mean is the mean of 60 000 points, plus the vertices' random share of them
    assert abs(off.mean()) < 4 * 0.1 / np.sqrt(60_000) + 0.001
    assert np.median(whole.vertex["spread_mm"]) == pytest.approx(0.1, rel=0.05)
    outward = np.einsum(
        "ij,ij->i",
        surface.face_normals(whole),
        whole.vertices_mm[whole.faces].mean(axis=1) - np.array([11.0, -7.0, 30.0]),
    )
    assert outward.min() > 0
    assert numbers["area_mm2"] == pytest.approx(4 * np.pi * 60**2, rel=2e-3)
    assert numbers["noise_median_mm"] == pytest.approx(0.1 / np.sqrt(numbers["count_median"]), rel=0.1)


def test_both_sides_of_a_3_mm_panel_stay_two_sheets(tmp_path):
    rng = np.random.default_rng(2)
    tilt = (20, 35, 10)
    R = Rotation.from_euler("xyz", tilt, degrees=True).as_matrix()
    front = sheet(rng, 60, 60, 4, centre=R @ [0, 0, 1.5], tilt=tilt, noise=0.05)
    back = sheet(rng, 60, 60, 4, noise=0.05)
    back = ((back[0] * [1, -1, -1] + [0, 0, -1.5]) @ R.T, (back[1] * [1, 1, -1]) @ R.T)
    points, normals = (np.concatenate(pair) for pair in zip(front, back, strict=True))
    _, whole = run(tmp_path, one(points, normals), settings(resolution_mm=1.0, noise_mm=0.05))
    assert_manifold(whole)
    local = whole.vertices_mm.astype(float) @ R
    inner = np.abs(local[:, :2]).max(axis=1) < 28
    assert np.abs(np.abs(local[inner, 2]) - 1.5).max() < 6 * 0.05 / np.sqrt(whole.vertex["count"][inner].min())
    faces = whole.faces[inner[whole.faces].all(axis=1)]
    side = np.sign(local[faces, 2])
    assert (side == side[:, :1]).all(), "a face joins the two sides"
    area = np.linalg.norm(surface.face_normals(surface.Surface(whole.vertices_mm, faces)), axis=1) / 2
    for sign in (-1, 1):
        # the square of 56 mm less one row of faces at the rim
        assert 54**2 < area[side[:, 0] == sign].sum() < 56**2 * 1.01


def two_copies(folder, apart_mm):
    """The surface of a square of 60 mm, and of a copy of its middle above that faces the same way, as a stray piece
    above a roof does; and how far each vertex lies from the nearer of both."""
    rng = np.random.default_rng(21)
    below = sheet(rng, 60, 60, 1, noise=0.05)
    above = sheet(rng, 30, 30, 1, centre=(0, 0, apart_mm), noise=0.05)
    points, normals = (np.concatenate(pair) for pair in zip(below, above, strict=True))
    _, whole = run(folder, one(points, normals), settings(noise_mm=0.05))
    assert_manifold(whole)
    height = whole.vertices_mm[:, 2]
    return whole, np.minimum(np.abs(height), np.abs(height - apart_mm))


@pytest.mark.parametrize("apart_mm", [6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0])
def test_nothing_lies_between_two_copies_of_a_surface(tmp_path, apart_mm):
    """From three grid units on, where both are seen apart: in the middle the field changes its sign too."""
    whole, off = two_copies(tmp_path, apart_mm)
    assert off.max() < 6 * 0.05
    assert surface.face_normals(whole)[:, 2].min() > 0


@pytest.mark.parametrize("apart_mm", [2.0, 3.0, 4.0, 5.0])
def test_copies_too_near_to_be_told_apart_scatter(tmp_path, apart_mm):
    whole, off = two_copies(tmp_path, apart_mm)
    # in the middle between equally many points of both, the scatter is half their distance
    assert (off < 2 * whole.vertex["spread_mm"] + 6 * 0.05).all()


@pytest.mark.parametrize("noise", [0.0, 0.1])
@pytest.mark.parametrize("sign", [1, -1], ids=["convex", "concave"])
def test_a_crease_stays_sharp(tmp_path, sign, noise):
    rng = np.random.default_rng(3)
    n = 12_000
    u, v = rng.uniform(0, 40, n), rng.uniform(-40, 40, n)
    off = rng.normal(0, noise, (2, n)) if noise else np.zeros((2, n))
    points = np.concatenate([np.column_stack([-u, v, off[0]]), np.column_stack([off[1], v, -u])])
    normals = np.repeat([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0]], n, axis=0) * sign
    R = Rotation.from_euler("xyz", (10, 25, 40), degrees=True).as_matrix()
    _, whole = run(tmp_path, one(points @ R.T, normals @ R.T))
    assert_manifold(whole)
    line = np.column_stack([np.zeros(300), np.linspace(-35, 35, 300), np.zeros(300)])
    local = whole.vertices_mm.astype(float) @ R
    near = np.abs(local[whole.faces][:, :, [0, 2]]).max(axis=(1, 2)) < 8
    band = trimesh.Trimesh(local, whole.faces[near], process=False)
    apart = trimesh.proximity.closest_point_naive(band, line)[1]
    # rounding would cut off 0.4 mm on average and 0.7 at worst: half a cell's diagonal under a chamfer. What is left is
    # the noise of two planes of 20 points each, and corners of cells that the crease only grazes.
    assert np.sqrt(np.mean(apart**2)) < 0.02 * 2.0 + np.hypot(noise, noise) / np.sqrt(20)
    assert apart.max() < 0.1 * 2.0


def test_a_bend_is_neither_sharpened_nor_shifted(tmp_path):
    rng = np.random.default_rng(14)
    radius, n = 6.0, 20_000
    angle, along = rng.uniform(0, 2 * np.pi, n), rng.uniform(-40, 40, n)
    normals = np.column_stack([np.cos(angle), np.zeros(n), np.sin(angle)])
    R = Rotation.from_euler("xyz", (35, 10, 20), degrees=True).as_matrix()
    _, whole = run(
        tmp_path, one((normals * radius + np.column_stack([0 * angle, along, 0 * angle])) @ R.T, normals @ R.T)
    )
    local = whole.vertices_mm.astype(float) @ R
    off = np.hypot(local[:, 0], local[:, 2]) - radius
    inner = np.abs(local[:, 1]) < 36
    # the tangent planes alone would lie radius**2 / 8 of the average, 3**2 / (8 * 6) = 0.19 mm, outside on average
    assert abs(off[inner].mean()) < 0.01
    assert np.abs(off[inner]).max() < 0.1


def test_a_window_stays_open(tmp_path):
    rng = np.random.default_rng(4)
    points, normals = sheet(rng, 120, 120, 0.5, tilt=(15, 8, 0), noise=0.1)
    R = Rotation.from_euler("xyz", (15, 8, 0), degrees=True).as_matrix()
    flat = points @ R
    seen = np.abs(flat[:, :2]).max(axis=1) > 20
    numbers, whole = run(tmp_path, one(points[seen], normals[seen]))
    local = whole.vertices_mm.astype(float) @ R
    assert np.abs(local[:, :2]).max(axis=1).min() > 20 - numbers["reach_mm"]
    # on average the rim is found to half a grid edge
    assert (118**2 - 42**2) < numbers["area_mm2"] < (122**2 - 38**2)


def test_tiles_leave_no_seam(tmp_path, monkeypatch):
    rng = np.random.default_rng(5)
    segments = one(*sphere(rng, 20_000, 40.0, 0.1))
    _, large = run(tmp_path / "large", segments)
    monkeypatch.setattr(tile_plan, "TILE_CELLS", 16)
    numbers, small = run(tmp_path / "small", segments)
    assert numbers["tiles"] > 50
    assert_manifold(small)
    assert edges(small)[1].min() == 2

    def sorted_rows(values):
        return values[np.lexsort(values.T)]

    # the same vertices, to the bit of the stored float32
    assert np.array_equal(sorted_rows(small.vertices_mm), sorted_rows(large.vertices_mm))
    triples = [sorted_rows(one.vertices_mm[one.faces].mean(axis=1)) for one in (small, large)]
    assert np.allclose(*triples, atol=1e-4)


def test_same_bytes_for_any_threads_and_any_order_of_segments(tmp_path):
    rng = np.random.default_rng(6)
    points, normals = sphere(rng, 30_000, 50.0, 0.1)
    T = rigid.pose(Rotation.from_rotvec([0.1, 0.2, 0.3]).as_matrix(), [1, 2, 3])
    parts = {name: (points[k::3], normals[k::3], T if k else np.eye(4), {}) for k, name in enumerate("abc")}
    run(tmp_path / "one", parts, threads=1)
    run(tmp_path / "two", {name: parts[name] for name in "cab"}, threads=2)
    first, second = ((tmp_path / name / "out" / "surface.ply").read_bytes() for name in ("one", "two"))
    assert first == second


def test_tiles_may_be_worked_in_any_order_and_by_any_process(tmp_path):
    """Each needs the plan and the clouds' files alone, and says nothing of when and where it was made."""
    points, normals = sphere(np.random.default_rng(6), 30_000, 50.0, 0.1)
    sources = fuse.read_sources(upstream(tmp_path, one(points, normals)), tmp_path / "sources")
    plan = tile_plan.plan_tiles(sources, tile_plan.Parameters.of(SETTINGS))
    numbers = range(len(plan.tiles))
    assert len(numbers) > 4
    tile = partial(fuse.tile, sources, plan, None)
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        ways = {"there": zip(numbers, map(tile, numbers), strict=True)}
        ways["back"] = zip(numbers[::-1], map(tile, numbers[::-1]), strict=True)
        ways["spread"] = zip(numbers, pool.map(tile, numbers), strict=True)
        for name, worked in ways.items():
            patches = tile_stitching.Patches(tmp_path / name, plan.tiles)
            patches.folder.mkdir()
            for number, (patch, vertex) in worked:
                patches.save(number, patch, vertex)
            tile_stitching.stitch(patches, fuse.ATTRIBUTES, 0.002)
    joined = ("xyz_mm", "faces", *fuse.ATTRIBUTES)
    there, *others = ([(tmp_path / way / column).read_bytes() for column in joined] for way in ways)
    assert others == [there, there]


def test_a_noisy_pass_yields_to_a_good_one(tmp_path):
    rng = np.random.default_rng(7)
    good = sheet(rng, 60, 60, 1.5, noise=0.05)
    bad = sheet(rng, 60, 60, 1.5, noise=0.5)
    _, both = run(
        tmp_path / "both",
        {"a": (*good, np.eye(4), {}), "b": (*bad, np.eye(4), {})},
        settings(noise_mm=0.05),
    )
    _, alone = run(tmp_path / "alone", one(*good), settings(noise_mm=0.05))

    def rms(whole):
        inner = np.abs(whole.vertices_mm[:, :2]).max(axis=1) < 26
        return np.sqrt(np.mean(whole.vertices_mm[inner, 2].astype(float) ** 2))

    # equal weights would give 3.5 times; the prior of the stated noise costs 7 %, and each rms has 100 free values: 7 %
    assert rms(both) < (1.07 + 3 * 0.07) * rms(alone)


def test_undecided_points_weigh_less_and_lower_the_confidence(tmp_path):
    rng = np.random.default_rng(8)
    points, normals = sheet(rng, 60, 60, 2, noise=0.05)
    shifted = points.copy()
    shifted[:, 2] += 0.4
    flag = np.zeros(len(points), np.uint8)
    plain = {"flag": flag}
    doubt = {"flag": flag + 1}
    _, clear = run(tmp_path / "clear", one(points, normals, **plain))
    _, vague = run(tmp_path / "vague", one(points, normals, **doubt))
    assert np.median(vague.vertex["confidence"]) == pytest.approx(np.median(clear.vertex["confidence"]) / 2, rel=0.01)
    assert np.array_equal(vague.vertices_mm, clear.vertices_mm)
    _, mixed = run(
        tmp_path / "mixed", {"a": (points, normals, np.eye(4), plain), "b": (shifted, normals, np.eye(4), doubt)}
    )
    inner = np.abs(mixed.vertices_mm[:, :2]).max(axis=1) < 26
    # the weighted mean of 0 and 0.4 at 1 and 0.25 is 0.08
    assert np.mean(mixed.vertices_mm[inner, 2]) <= 0.085


def test_colours_are_averaged_and_their_absence_is_reported(tmp_path):
    rng = np.random.default_rng(9)
    left = sheet(rng, 40, 40, 1, centre=(-20, 0, 0))
    right = sheet(rng, 40, 40, 1, centre=(20, 0, 0))
    colour = np.tile(np.array([200, 100, 50], np.uint8), (len(left[0]), 1))
    numbers, whole = run(tmp_path, {"a": (*left, np.eye(4), {"colour": colour}), "b": (*right, np.eye(4), {})})
    painted = np.column_stack([whole.vertex[name] for name in ("red", "green", "blue")])
    assert (painted[whole.vertices_mm[:, 0] < -5] == [200, 100, 50]).all()
    assert (painted[whole.vertices_mm[:, 0] > 5] == 128).all()
    assert 0.4 < numbers["coloured"] < 0.6
    numbers, whole = run(tmp_path / "none", one(*right))
    assert numbers["coloured"] is None
    assert "red" not in whole.vertex


def test_specks_are_dropped_and_counted(tmp_path):
    rng = np.random.default_rng(10)
    panel = sheet(rng, 60, 60, 1)
    speck = sheet(rng, 5, 5, 4, centre=(0, 0, 50))
    rod = sheet(rng, 6, 40, 1, centre=(0, 0, -50))
    points, normals = (np.concatenate(three) for three in zip(panel, speck, rod, strict=True))
    numbers, whole = run(tmp_path, one(points, normals))
    assert numbers["specks"] == 1
    assert 0 < numbers["specks_area_mm2"] < 36
    assert whole.vertices_mm[:, 2].max() < 10
    assert whole.vertices_mm[:, 2].min() < -40


def test_an_empty_segment_changes_nothing(tmp_path):
    rng = np.random.default_rng(11)
    points, normals = sheet(rng, 40, 40, 1)
    nothing = (np.empty((0, 3)), np.empty((0, 3)), np.eye(4), {})
    run(tmp_path / "with", {"a": nothing, "b": (points, normals, np.eye(4), {})})
    run(tmp_path / "without", {"b": (points, normals, np.eye(4), {})})
    first, second = ((tmp_path / name / "out" / "surface.ply").read_bytes() for name in ("with", "without"))
    assert first == second


def test_the_surface_stands_in_the_vehicle_frame(tmp_path):
    rng = np.random.default_rng(12)
    T = rigid.pose(Rotation.from_rotvec([0, 0, 0.5]).as_matrix(), [1000, -200, 500])
    _, whole = run(tmp_path, one(*sphere(rng, 10_000, 30.0, 0.0, centre=(0, 0, 0))), T_vehicle_control=T)
    assert whole.vertices_mm.mean(axis=0) == pytest.approx([1000, -200, 500], abs=0.2)


def test_wide_spacing_is_said(tmp_path):
    rng = np.random.default_rng(13)
    numbers, _ = run(tmp_path, one(*sheet(rng, 200, 200, 0.1)))
    assert "detail finer than the points is not in the model" in numbers["notes"][0]


@pytest.mark.parametrize(
    ("segments", "words"),
    [
        ({"a": (np.empty((0, 3)), np.empty((0, 3)), np.eye(4), {})}, "no segment of the part has a point left"),
        (
            one(np.array([[0.0, 0, 0], [90, 0, 0]]), np.array([[0.0, 0, 1]] * 2)),
            "define no surface at 2.0 mm: they",
        ),
        (one(*sheet(np.random.default_rng(0), 4, 4, 4)), "larger than scan.smallest_mm 6.0"),
        (one(np.array([[0.0, 0, 0], [9e4, 9e4, 9e4]]), np.array([[0.0, 0, 1]] * 2)), "90.0 x 90.0 x 90.0 m, too far"),
    ],
    ids=["empty", "lone points", "specks only", "too far"],
)
def test_what_cannot_be_fused_is_said(tmp_path, segments, words):
    with pytest.raises(Rejected, match=words):
        run(tmp_path, segments)

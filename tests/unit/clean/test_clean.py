"""The stage clean on small synthetic segments of which every point's nature is known."""

import json
import shutil

import jsonschema
import numpy as np
import plyfile
import pytest
from scipy.spatial.transform import Rotation

from nightbay.clean import clean
from nightbay.clean.result import Reason
from nightbay.clouds import cloud
from nightbay.core.errors import Rejected
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stage import SCHEMAS, Upstream

SETTINGS = settings(
    {
        "scan": {"noise_mm": 0.05, "smallest_mm": 6.0},
        "clean": {"apart_mm": 100, "panel_mm": 2.0, "fewest_points": 1000},
    }
)
SPACING_MM = 2.0
NOISE_MM = 0.05


def patch(rng, origin, along, across, spacing_mm=SPACING_MM, noise_mm=NOISE_MM):
    """Points and normals of a rectangle from a corner along two edges; its normal is along x across."""
    origin, along, across = (np.asarray(one, float) for one in (origin, along, across))
    normal = np.cross(along, across)
    count = int(np.linalg.norm(normal) / spacing_mm**2)
    normal /= np.linalg.norm(normal)
    uv = rng.random((count, 2))
    points = origin + uv[:, :1] * along + uv[:, 1:] * across + rng.normal(0, noise_mm, (count, 1)) * normal
    return points, np.tile(normal, (count, 1))


def rod(rng, foot, length_mm, diameter_mm, spacing_mm=SPACING_MM):
    """Points and normals of an upright round rod."""
    count = int(length_mm * np.pi * diameter_mm / spacing_mm**2)
    angle, height = rng.uniform(0, 2 * np.pi, count), rng.uniform(0, length_mm, count)
    normal = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
    radius = diameter_mm / 2 + rng.normal(0, NOISE_MM, (count, 1))
    return np.asarray(foot) + radius * normal + np.column_stack([0 * height, 0 * height, height]), normal


def vehicle(rng):
    """A box without a bottom, 500 x 300 x 250 mm, that stands 100 mm over the ground; an antenna; a thin panel."""
    return {
        "left": patch(rng, (0, 0, 100), (500, 0, 0), (0, 0, 250)),
        "front": patch(rng, (0, 300, 100), (0, -300, 0), (0, 0, 250)),
        "rear": patch(rng, (500, 0, 100), (0, 300, 0), (0, 0, 250)),
        "roof": patch(rng, (0, 0, 350), (500, 0, 0), (0, 300, 0)),
        "antenna": rod(rng, (400, 150, 350), 120, 6.0),
        "panel front": patch(rng, (100, 100, 350), (0, 100, 0), (0, 0, 80)),
        "panel rear": patch(rng, (103, 200, 350), (0, -100, 0), (0, 0, 80)),
    }


def ground_round(rng):
    """Ground that shows in a frame round the vehicle."""
    points, normals = patch(rng, (-150, -150, 0), (800, 0, 0), (0, 600, 0))
    under = np.all((points[:, :2] > (0, 0)) & (points[:, :2] < (500, 300)), axis=1)
    return points[~under], normals[~under]


def outlier_points(rng, count=300):
    """Points 3 to 60 mm off the left and the roof, on either side, normals as of the surface."""
    off = rng.uniform(3, 60, count) * rng.choice([-1, 1], count)
    at = rng.uniform((20, 20), (480, 230), (count, 2))
    points = np.column_stack([at[:, 0], off, 100 + at[:, 1]])
    return points, np.tile([0.0, -1.0, 0.0], (count, 1))


def clump(rng, centre, count=60, radius_mm=6.0):
    normals = rng.normal(0, 0.3, (count, 3)) + [0, -1, 0]
    return centre + rng.normal(0, radius_mm / 2, (count, 3)), normals / np.linalg.norm(normals, axis=1)[:, None]


def run(tmp_path, pieces, *, part="exterior", pose=None, name="run"):
    """Clean a segment made of named pieces; returns the result, each piece's reasons, and the folder."""
    names = list(pieces)
    xyz = np.concatenate([pieces[one][0] for one in names])
    normal = np.concatenate([pieces[one][1] for one in names])
    turn, shift = (np.eye(3), np.zeros(3)) if pose is None else pose
    xyz, normal = xyz @ turn.T + shift, normal @ turn.T
    origin = np.round(xyz.mean(axis=0))
    # the colour carries each point's number, so that it is found again after sorting
    number = np.arange(len(xyz))
    colour = np.column_stack([number >> 16, number >> 8 & 255, number & 255]).astype(np.uint8)
    folder = tmp_path / name
    shutil.rmtree(folder, ignore_errors=True)
    block = cloud.Cloud((xyz - origin).astype(np.float32), normal.astype(np.float32), colour)
    source = cloud.write(folder / "intake", [block], origin, 500.0)
    facts = {"normals": "measured", "normals_certainty": None}
    upstream = {"intake": Upstream("intake", "job", part, "left", "ok", [], [], facts, folder / "intake")}
    (folder / "clean").mkdir()
    result = clean.clean(upstream, {"part": part}, SETTINGS, folder / "clean", 1)
    schema = json.loads((SCHEMAS / "clean.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate({key: value for key, value in result.items() if key != "notes"}, schema)

    kept = cloud.CloudFile(folder / "clean")
    kept_colour = kept.block(0, len(kept)).colour.astype(np.int64)
    reason = np.full(len(xyz), 255, np.uint8)
    reason[(kept_colour[:, 0] << 16) + (kept_colour[:, 1] << 8) + kept_colour[:, 2]] = clean.KEPT
    removed = plyfile.PlyData.read(folder / "clean" / "removed.ply")["vertex"].data
    gone = source.block(0, len(source))
    row = {tuple(one): at for at, one in enumerate(gone.xyz_mm)}
    gone_colour = gone.colour.astype(np.int64)
    for one in removed:
        r, g, b = gone_colour[row[(one["x"], one["y"], one["z"])]]
        reason[(r << 16) + (g << 8) + b] = one["reason"]
    ends = np.cumsum([len(pieces[one][0]) for one in names])
    return result, dict(zip(names, np.split(reason, ends[:-1]), strict=True)), folder / "clean"


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(7)
    return {
        **vehicle(rng),
        "ground": ground_round(rng),
        "outliers": outlier_points(rng),
        "clump": clump(rng, (250, -150, 200)),
        "wall": patch(rng, (0, 600, 0), (400, 0, 0), (0, 0, 300)),
    }


@pytest.fixture(scope="module")
def cleaned(scene, tmp_path_factory):
    turn = Rotation.from_euler("xyz", (70, -40, 25), degrees=True).as_matrix()
    pose = turn, np.array([2000.0, -900.0, 4000.0])
    return *run(tmp_path_factory.mktemp("clean"), scene, pose=pose), pose


def kept_share(reasons):
    return np.mean(reasons == clean.KEPT)


def test_every_point_is_kept_or_stands_beside_with_a_reason(cleaned, scene):
    result, reasons, _, _ = cleaned
    every = np.concatenate(list(reasons.values()))
    assert not np.any(every == 255)
    assert result["kept"] == np.sum(every == clean.KEPT)
    assert result["removed"] == {reason.word: np.sum(every == reason) for reason in Reason}
    assert result["reasons"] == {
        **{"1": "outlier", "2": "cluster", "3": "ground", "4": "surroundings", "5": "grazing", "6": "ghost"},
        "7": "duplicate layer",
    }


def test_what_is_no_surface_of_the_vehicle_goes(cleaned):
    _, reasons, _, _ = cleaned
    assert kept_share(reasons["outliers"]) <= 0.01
    assert kept_share(reasons["clump"]) == 0
    assert kept_share(reasons["ground"]) <= 0.001  # of a normal distribution 0.3 % lie beyond 3 sigma, and float free
    assert np.mean(reasons["ground"] == Reason.GROUND) > 0.98
    assert np.mean(reasons["wall"] == Reason.SURROUNDINGS) > 0.95
    assert kept_share(reasons["wall"]) <= 0.001


@pytest.mark.parametrize("piece", ["left", "front", "rear", "roof", "antenna", "panel front", "panel rear"])
def test_surfaces_and_thin_things_stay(cleaned, piece):
    _, reasons, _, _ = cleaned
    assert kept_share(reasons[piece]) >= 0.995


def test_a_clump_that_stands_close_to_a_panel_goes(tmp_path):
    """Cells that touch reach over up to 12 mm: a clump at 8 mm from the panel hangs together with it, in which next to
    nothing agrees."""
    rng = np.random.default_rng(9)
    clumps = {f"clump {x}": clump(rng, (x, -26, 200), count=400, radius_mm=12.0) for x in (100, 250, 400)}
    _, reasons, _ = run(tmp_path, vehicle(rng) | clumps)
    for name in clumps:
        assert np.mean(reasons[name] != clean.KEPT) >= 0.99
    assert np.mean(reasons["left"] == clean.KEPT) >= 0.995


@pytest.mark.parametrize("seed", [1, 4])
def test_a_thinly_seen_stretch_ties_the_tip_of_an_antenna_to_its_foot(seed, tmp_path):
    """80 mm have a point every 10 mm: too few to be judged by the points within three spacings, but on a surface."""
    rng = np.random.default_rng(seed)
    pieces = vehicle(rng) | {
        "antenna": rod(rng, (400, 150, 350), 50, 6.0),
        "stretch": rod(rng, (400, 150, 400), 80, 6.0, spacing_mm=10.0),
        "tip": rod(rng, (400, 150, 480), 12, 6.0),
    }
    _, reasons, _ = run(tmp_path, pieces)
    assert kept_share(reasons["tip"]) >= 0.995


def test_the_ground_is_given_in_the_segment_frame(cleaned):
    result, reasons, _, (turn, shift) = cleaned
    normal = np.array(result["ground"]["normal"])
    # the ground is 1 m wide, its plane's direction good to far below noise / width
    assert np.degrees(np.arccos(normal @ turn[:, 2])) < 0.01
    assert result["ground"]["offset_mm"] == pytest.approx(turn[:, 2] @ shift, abs=0.02 + 5000 * 2e-4)
    assert result["ground"]["sd_mm"] == pytest.approx(NOISE_MM, rel=0.1)
    assert result["ground"]["points"] == result["removed"]["ground"]


def image(rng):
    """The mirror image of a slanted board, sampled less thickly, 90 to 130 mm behind the left side."""
    return patch(rng, (150, 90, 150), (180, 0, 0), (0, 40, 140), spacing_mm=1.4 * SPACING_MM)


def test_a_mirror_image_behind_a_closed_panel_goes(tmp_path):
    rng = np.random.default_rng(11)
    result, reasons, _ = run(tmp_path, {**vehicle(rng), "ground": ground_round(rng), "image": image(rng)})
    assert np.mean(reasons["image"] == Reason.GHOST) >= 0.99
    assert result["removed"]["ghost"] == np.sum(reasons["image"] == Reason.GHOST)


def test_what_shows_through_a_window_stays(tmp_path):
    rng = np.random.default_rng(12)
    pieces = {**vehicle(rng), "ground": ground_round(rng), "image": image(rng)}
    points, normals = pieces["left"]
    window = np.all(np.abs(points[:, [0, 2]] - (250, 250)) < (60, 40), axis=1)
    pieces["left"] = points[~window], normals[~window]
    _, reasons, _ = run(tmp_path, pieces)
    assert kept_share(reasons["image"]) >= 0.99


def test_a_second_copy_goes_or_is_flagged_and_is_noted(tmp_path):
    rng = np.random.default_rng(13)
    pieces = vehicle(rng)
    copy = {"copy": patch(rng, (200, 100, 351), (120, 0, 0), (0, 120, 0))}
    result, reasons, folder = run(tmp_path, {**pieces, **copy})
    assert np.mean(reasons["copy"] == Reason.DUPLICATE_LAYER) >= 0.9
    assert kept_share(reasons["roof"]) >= 0.995
    assert "flag" not in cloud.CloudFile(folder).attributes
    assert "two copies of the surface" in result["notes"][0] and "in 1 area, 1.0 mm apart" in result["notes"][0]

    whole = {"copy": patch(rng, (0, 0, 351), (500, 0, 0), (0, 300, 0))}
    result, reasons, folder = run(tmp_path, {**pieces, **whole})
    flagged = cloud.CloudFile(folder)
    flag = flagged.block(0, len(flagged)).flag
    assert result["duplicate_layers"][0]["kept"] == "both"
    assert result["undecided"] == np.count_nonzero(flag & clean.UNDECIDED)
    assert result["undecided"] >= 0.9 * 2 * len(whole["copy"][0])


def test_an_interior_keeps_its_floor(scene, tmp_path):
    result, reasons, _ = run(tmp_path, {name: scene[name] for name in ("left", "roof", "ground")}, part="interior")
    assert result["ground"] is None
    assert kept_share(reasons["ground"]) >= 0.995


def test_a_vehicle_without_ground_loses_no_panel(tmp_path):
    result, reasons, _ = run(tmp_path, vehicle(np.random.default_rng(8)))
    assert result["ground"] is None
    assert min(kept_share(reasons[name]) for name in reasons) >= 0.995


def test_a_second_run_gives_the_same_bytes(scene, tmp_path):
    _, _, one = run(tmp_path, scene, name="one")
    _, _, two = run(tmp_path, scene, name="two")
    for file in ("cloud.ply", "tiles.npy", "removed.ply"):
        assert (one / file).read_bytes() == (two / file).read_bytes()


def test_too_few_points_are_refused_before_and_after(tmp_path):
    rng = np.random.default_rng(9)
    few = patch(rng, (0, 0, 0), (20, 0, 0), (0, 20, 0))
    with pytest.raises(
        Rejected, match=r"segment left: it has 100 points, at least 1000 are needed .*; export it again"
    ):
        run(tmp_path, {"few": few})
    normals = rng.normal(0, 1, (2000, 3))
    dust = rng.uniform(0, 300, (2000, 3)), normals / np.linalg.norm(normals, axis=1)[:, None]
    with pytest.raises(
        Rejected, match=r"segment left: \d+ of 2000 points are left after cleaning.*noise_mm \(0.05 mm\)"
    ):
        run(tmp_path, {"dust": dust})

"""The stage on what others leave of a shed: files, frames, the report's section, and refusals."""

import csv
import subprocess
from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy.spatial.transform import Rotation

import overlap_scenes
import sheds
from nightbay.clean.result import CleanResult
from nightbay.core import rigid
from nightbay.core.language import stage_sentence
from nightbay.frame.result import FrameResult, Heading, ZeroPlane
from nightbay.join import join
from nightbay.join.result import JoinResult
from nightbay.measure.result import MeasureResult
from nightbay.meshes import surface
from nightbay.network.result import NetworkResult, Scale
from nightbay.pipeline import stage, typed
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stage import Upstream
from nightbay.refine.result import RefinedPose, RefineResult
from nightbay.report import joined
from typed_results import made

CONFIG = yaml.safe_load((Path(__file__).parents[3] / "config" / "config.yaml").read_text(encoding="utf-8"))
SETTINGS = {
    "scan": {key: CONFIG["scan"][key] for key in ("noise_mm", "target_noise_mm", "target_drift_mm_per_m")},
    "join": CONFIG["join"],
}
SHEET = {
    "by": None,
    "combined": True,
    "point_pairs_mm": [],
    "targets": {"exterior": {"a": None}, "interior": {"b": None}},
}
FOUND = made(ZeroPlane, found_by="body")
KEPT = made(ZeroPlane, found_by="kept")


def mesh(some):
    """Faces of a shed as a surface: two triangles each."""
    vertices, faces = [], []
    for axis, sign, at, spans in some:
        corners = np.empty((4, 3))
        corners[:, axis] = at
        others = [other for other in range(3) if other != axis]
        corners[:, others] = [(spans[0][i], spans[1][j]) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))]
        turned = (axis == 1) == (sign > 0)  # the other axes of Y are X and Z, a left-handed pair
        faces += [
            [4 * len(vertices) + corner for corner in (order[::-1] if turned else order)]
            for order in ((0, 1, 2), (0, 2, 3))
        ]
        vertices.append(corners)
    filled = np.zeros(len(faces), np.uint8)
    return surface.Surface(
        np.concatenate(vertices).astype(np.float32), np.array(faces, np.int32), {}, {"filled": filled}
    )


def upstream(folder, seed=1, wider_inside=0.0, framed=True):
    """What the stages leave of a shed's outside and inside, and the true pose between the control frames."""
    rng = np.random.default_rng([seed, 71])
    scans = sheds.parts(seed, wider_inside)
    own, other = sheds.faces(), sheds.faces(wider_inside)
    models = mesh(own["outside"] + own["both"]), mesh(other["inside"] + other["both"])
    T_shed_inner = rigid.pose(
        Rotation.from_euler("z", 0.2, degrees=True).as_matrix(), (900.0, 3.0, sheds.LOW + sheds.WALL)
    )
    frames = {"exterior": np.eye(4), "interior": T_shed_inner}
    left = {name: [] for name in ("clean", "network", "refine", "frame", "fill", "measure")}
    T_control = {}
    for part, segment, scan, model in zip(frames, "ab", scans, models, strict=True):
        T_shed_control = overlap_scenes.random_pose(rng)
        T_control[part] = T_shed_control
        T_vehicle_control = rigid.invert(frames[part]) @ T_shed_control
        place = folder / part
        points = rigid.transform(rigid.invert(T_shed_control), scan[0])
        normals = rigid.rotate(rigid.invert(T_shed_control), scan[1])
        (place / "fill").mkdir(parents=True)
        overlap_scenes.write_segment(place / "clean", segment, points, normals, np.eye(4))
        vertices = rigid.transform(rigid.invert(frames[part]), model.vertices_mm).astype(np.float32)
        surface.write_ply(place / "fill" / "surface.ply", surface.Surface(vertices, model.faces, {}, model.face))
        pose = made(RefinedPose, T_control_segment=np.eye(4), covariance=np.zeros((6, 6)), pose_from="frame")
        results = {
            "clean": made(CleanResult, kept=len(points), spacing_mm=20.0),
            "network": made(NetworkResult, mode="none"),
            "refine": made(RefineResult, scale=made(Scale, factor=1.0), poses={segment: pose}),
            "frame": made(
                FrameResult, T_vehicle_control=T_vehicle_control, axes="design_grid", state="vehicle",
                zero_planes=dict.fromkeys("xyz", FOUND if framed else KEPT), heading=Heading("shape", True),
            ),
            "measure": made(MeasureResult),
        }  # fmt: skip
        for name, result in results.items():
            where = place / name
            left[name].append(
                Upstream(
                    name, "shed", part, segment if name == "clean" else None, "ok", [], [], typed.write(result), where
                )
            )
        left["fill"].append(Upstream("fill", "shed", part, None, "ok", [], [], {}, place / "fill"))
    return left, rigid.invert(T_control["exterior"]) @ T_control["interior"]


def run(folder, left, sheet=SHEET):
    return stage.execute(
        join.join, stage="join", wildcards={"job": "shed"}, upstream=left, sheet=sheet, settings=SETTINGS,
        folder=folder / "join" / "shed", threads=1,
    )  # fmt: skip


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shed")
    left, T_true = upstream(folder)
    (folder / "join").mkdir()
    return folder, left, T_true, run(folder, left)


def test_the_pose_is_found_between_the_control_frames(done):
    _, _, T_true, record = done
    assert record["status"] == "ok", record["reasons"]
    result = typed.read(JoinResult, record["result"])
    off = result.T_exterior_interior @ rigid.invert(T_true)
    turn = Rotation.from_matrix(off[:3, :3]).as_rotvec()
    error = np.concatenate([turn, off[:3, 3]])  # of the small motion about the control frame's origin
    assert error @ np.linalg.solve(result.covariance, error) < 22.5  # chi-squared of six, 0.1 %
    assert result.found_by == "surfaces" and [each.by for each in result.tried] == ["targets"]


def test_the_wall_is_as_thick_as_it_is(done):
    folder, _, _, record = done
    walls = {wall["wall"]: wall for wall in record["result"]["thickness"]}
    for side in ("left", "right", "roof", "front"):
        assert walls[side]["median_mm"] == pytest.approx(sheds.WALL, abs=walls[side]["uncertainty_mm"])
        assert 0 < walls[side]["uncertainty_mm"] < 5
    with open(folder / "join/shed/thickness.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    bare = [float(row["thickness_mm"]) for row in rows if float(row["normal_y"]) < -0.9]
    assert np.median(bare) == pytest.approx(sheds.WALL, abs=1.0)


def test_load_sizes_are_stated_or_their_absence_is(done):
    folder, _, _, record = done
    assert record["result"]["load"]["not_stated"][0].startswith("No load size can be stated: the interior has no sizes")
    assert (folder / "join/shed/load-sizes.csv").read_text(encoding="utf-8").startswith("what,side,opening,value_mm")
    assert "load-sizes.csv" in (folder / "join/shed/SHA256SUMS").read_text(encoding="utf-8")


def test_both_models_lie_in_the_frame_of_the_outside(done):
    folder, left, _, record = done
    made_files = {file["file"]: file for file in record["result"]["deliverables"]}
    assert set(made_files) == {"interior-in-vehicle-frame.ply", "combined.ply"}
    inner = surface.read_ply(folder / "join/shed/interior-in-vehicle-frame.ply")
    assert inner.vertices_mm.min(axis=0) == pytest.approx([sheds.WALL, -sheds.HALF + sheds.WALL, 350], abs=1.0)
    both = surface.read_ply(folder / "join/shed/combined.ply")
    outer = surface.read_ply(left["fill"][0].folder / "surface.ply")
    assert len(both.faces) == len(outer.faces) + len(inner.faces)
    assert np.array_equal(both.face["interior"], np.repeat([0, 1], [len(outer.faces), len(inner.faces)]))
    assert np.array_equal(both.vertices_mm[both.faces[-1]], inner.vertices_mm[inner.faces[-1]])
    assert (
        subprocess.run(["sha256sum", "-c", "--quiet", "SHA256SUMS"], cwd=folder / "join/shed", check=False).returncode
        == 0
    )


def test_the_page_draws_the_sections_with_their_thickness(done):
    folder, _, _, record = done
    kept = {key: record[key] for key in ("stage", "job", "part", "segment", "status", "reasons", "notes", "result")}
    shown = joined.joined_of(
        {"join": [Upstream(**kept, folder=folder / "join/shed")]}, settings({"report": {"text_share": 0.02}}).report
    )
    assert [name[:4] for name in shown.drawings] == ["X = ", "Y = ", "Z = "]
    for drawing in shown.drawings.values():
        assert drawing.count("<path") > 4 and "wall 5" in drawing
    assert not shown.warnings


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"wider_inside": 30.0}, "Interior and exterior are not joined"),
        ({"framed": False}, "by surfaces: the shapes are searched along the floor and the plane of symmetry"),
    ],
)
def test_what_can_not_be_joined_is_refused_in_one_sentence(tmp_path, options, sentence):
    left, _ = upstream(tmp_path, **options)
    (tmp_path / "join").mkdir()
    record = run(tmp_path, left)
    assert record["status"] == "rejected"
    (reason,) = record["reasons"]
    assert sentence in reason["sentence"] and "join.point_pairs_mm" in reason["sentence"]
    assert reason["sentence"].count(". ") == 0 and reason["sentence"].endswith(".")
    assert record["files"] == {}
    kept = {key: record[key] for key in ("stage", "job", "part", "segment", "status", "reasons", "notes", "result")}
    shown = joined.joined_of({"join": [Upstream(**kept, folder=tmp_path)]}, None)
    assert shown.warnings == [stage_sentence(reason["sentence"])]

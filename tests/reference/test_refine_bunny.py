"""Registration by surfaces alone on a real shape, against known poses and against Open3D's registration.

The shape is the bunny that the pymeshlab wheel carries (sample_meshes/bunny.obj), scaled to a metre, in two views.
"""

from pathlib import Path

import numpy as np
import pymeshlab
import pytest
import yaml

import overlap_scenes
from nightbay.core import rigid
from nightbay.core.native import open3d
from nightbay.pipeline.settings import settings
from nightbay.refine import refine

DEFAULTS = yaml.safe_load(overlap_scenes.CONFIG.read_text(encoding="utf-8"))["refine"]
NOISE_MM = 0.1
SETTINGS = {
    "scan": {
        "noise_mm": NOISE_MM,
        "standoff_mm": 600.0,
        "smallest_mm": 6.0,
        "target_noise_mm": 0.05,
        "target_drift_mm_per_m": 0.03,
    },
    "refine": DEFAULTS
    | {
        "correspondences": 20000,
        "patch_mm": 100.0,
        "drift_length_mm": 300.0,
        "untargeted_drift_mm_per_m": 0.1,
        "disc_radius_mm": 3.0,
        "registration_sd_most_mm": 3.0,
        "sheet_distance_mm": 3.0,
        "folds": 5,
        "confidence": 0.975,
        "coarse_mm": 25.0,
        "overlap_least": 0.15,
        "ambiguity": 2.0,
        "contradiction_most": 0.03,
    },
}


@pytest.fixture(scope="module")
def views(tmp_path_factory):
    """Two overlapping views of the bunny in frames of their own: cleaned segments, true poses, points, normals."""
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(Path(pymeshlab.__file__).parent / "tests" / "sample_meshes" / "bunny.obj"))
    mesh = meshes.current_mesh()
    vertices, faces = mesh.vertex_matrix(), mesh.face_matrix()
    vertices = (vertices - vertices.mean(axis=0)) * (1000 / np.ptp(vertices, axis=0).max())
    folder = tmp_path_factory.mktemp("bunny")
    rng = np.random.default_rng(31)
    found = {}
    for name, view in (("a", (0.8, 0.0, 0.6)), ("b", (-0.5, 0.0, 0.87))):
        corners = vertices[faces]
        area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        size = np.linalg.norm(area, axis=1)
        chosen = rng.choice(len(faces), 150_000, p=size / size.sum())
        share = rng.dirichlet([1, 1, 1], len(chosen))
        points, normals = np.einsum("nk,nkj->nj", share, corners[chosen]), area[chosen] / size[chosen, None]
        seen = normals @ np.array(view) > 0.1
        points, normals = points[seen], normals[seen]
        points = points + normals * rng.normal(0, NOISE_MM, (len(points), 1))
        T = overlap_scenes.random_pose(rng)
        found[name] = (overlap_scenes.write_segment(folder / name, name, points, normals, T), T, points, normals)
    return found


@pytest.fixture(scope="module")
def registered(views, tmp_path_factory):
    cleaned = [views[name][0] for name in ("a", "b")]
    upstream = {"clean": cleaned, "network": overlap_scenes.no_targets()}
    sheet = {"unplaced": "refuse", "point_pairs": []}
    return refine.refine(upstream, sheet, settings(SETTINGS), tmp_path_factory.mktemp("refine"), 1)


def difference(T, other, place_mm):
    motion = T @ rigid.invert(other)
    return np.linalg.norm(rigid.transform(motion, place_mm[None])[0] - place_mm), rigid.angle_deg(motion)


def test_known_pose_is_found_without_a_start(views, registered):
    true = rigid.invert(views["a"][1]) @ views["b"][1]
    middle = rigid.transform(rigid.invert(views["a"][1]), views["b"][2].mean(axis=0)[None])[0]
    off_mm, off_deg = difference(np.array(registered["poses"]["b"]["T_control_segment"]), true, middle)
    # 5000 discs and more of some 20 points with 0.1 mm noise hold each direction to far less than a hundredth of a mm
    assert registered["discrepancies"][0]["after"]["count"] > 2000
    assert off_mm < 0.02
    assert off_deg < 0.005


def test_open3d_agrees(views, registered):
    """Open3D 0.20's point-to-plane registration from near the true pose, with its own normals and correspondences."""
    o3d = open3d()
    clouds = []
    for name in ("a", "b"):
        _, T, points, normals = views[name]
        cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(rigid.transform(rigid.invert(T), points)))
        cloud.normals = o3d.utility.Vector3dVector(rigid.rotate(rigid.invert(T), normals))
        clouds.append(cloud)
    true = rigid.invert(views["a"][1]) @ views["b"][1]
    theirs = o3d.pipelines.registration.registration_icp(
        clouds[1],
        clouds[0],
        6.0,
        true,
        o3d.pipelines.registration.TransformationEstimationPointToPlane(),
        o3d.pipelines.registration.ICPConvergenceCriteria(max_iteration=60),
    )
    assert theirs.fitness > 0.2
    middle = rigid.transform(rigid.invert(views["a"][1]), views["b"][2].mean(axis=0)[None])[0]
    ours = np.array(registered["poses"]["b"]["T_control_segment"])
    between_mm, between_deg = difference(ours, np.asarray(theirs.transformation), middle)
    # Open3D takes the nearest point with its face's normal, ours the planes of discs: across the edges of facets, some
    # 10 mm long and some degrees apart, a normal is off by a few per cent of the way to the nearest point, 1 to 2 mm
    assert between_mm < 0.1
    assert between_deg < 0.02
    their_error = difference(np.asarray(theirs.transformation), true, middle)[0]
    assert difference(ours, true, middle)[0] <= their_error + 0.01

"""Against a reference: what changed is found, and a reference that can't be right is refused with the reason."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

import part_results
from nightbay.comparison.changes import Options
from nightbay.core import hashing
from nightbay.measure import measured_shape, reference
from nightbay.meshes import surface, vertices

OPTIONS = Options(patch_mm=60.0, level=0.05, least_mm2=1000.0, least_mm=0.3)
DENT_AT = np.array([300.0, 470.0, 90.0])


def body():
    """A hull of about 1.4 m without symmetry: a box with a lump on it, all of it rounded."""
    ball = trimesh.creation.icosphere(subdivisions=6, radius=1.0)
    x, y, z = ball.vertices.T
    lump = 0.25 * np.exp(-((x - 0.5) ** 2 + (y - 0.6) ** 2 + (z - 0.4) ** 2) / 0.15)
    size = 1.0 / (np.abs(ball.vertices) ** 4).sum(axis=1) ** 0.25
    return trimesh.Trimesh(
        ball.vertices * (size * (1 + lump))[:, None] * [700.0, 430.0, 300.0], ball.faces, process=False
    )


def dented(mesh, depth_mm=1.2):
    near = mesh.vertices[np.argmin(np.linalg.norm(mesh.vertices - DENT_AT, axis=1))]
    away = np.linalg.norm(mesh.vertices - near, axis=1)
    depth = np.where(away < 110.0, depth_mm * (1 + np.cos(np.pi * away / 110.0)) / 2, 0.0)
    return trimesh.Trimesh(mesh.vertices - depth[:, None] * mesh.vertex_normals, mesh.faces, process=False), near


def shape_of(mesh, frame_sd_mm=0.0):
    model = surface.Surface(mesh.vertices.astype(np.float32), np.asarray(mesh.faces, np.int32))
    frame = part_results.frame(mesh.vertices.min(axis=0), mesh.vertices.max(axis=0), found_by=("wheels",) * 3)
    for plane in frame.zero_planes.values():
        object.__setattr__(plane, "sd_mm", frame_sd_mm)
    return measured_shape.of(
        SimpleNamespace(
            surface=model,
            areas=vertices.areas(model),
            frame=frame,
            poses={"all": part_results.pose()},
            scan=SimpleNamespace(noise_mm=0.05, target_drift_mm_per_m=0.03),
            options=SimpleNamespace(comparison_spacing_mm=15.0),
        ),
        [],
    )


def compare(tmp_path, monkeypatch, mesh, measured=None, file="reference.ply", shape=None, **entry):
    monkeypatch.chdir(tmp_path)
    mesh.export(file)
    raw = {"file": file, "sha256": hashing.sha256(tmp_path / file), "bytes": (tmp_path / file).stat().st_size}
    entry = {"units": "mm", "kind": "cad", "align": "best", "unreadable": None, **raw, **entry}
    shape = shape_of(measured or body()) if shape is None else shape
    numbers, found = reference.compare(shape, entry, 25.0, OPTIONS)
    assert (found is None) == (numbers.state == "refused")
    return numbers


@pytest.mark.parametrize("file", ["reference.ply", "reference.stl", "reference.obj"])
def test_the_same_surface_does_not_deviate(tmp_path, monkeypatch, file):
    numbers = compare(tmp_path, monkeypatch, body(), file=file)
    assert (numbers.state, numbers.elsewhere, numbers.turned_over) == ("compared", False, False)
    assert numbers.abs_95_mm < 0.01  # of single precision, and of text with few digits
    assert numbers.fit_share > 0.95
    assert numbers.areas == []


def test_a_dent_is_found_and_listed(tmp_path, monkeypatch):
    measured, at = dented(body())
    numbers = compare(tmp_path, monkeypatch, body(), measured)
    (area,) = numbers.areas
    # the largest patch, 60 mm wide, of a bell of 220 mm: by its mean, not by its deepest point
    assert -1.2 < area.largest_mm < -0.8
    assert np.linalg.norm(area.at_mm - at) < 60.0
    reference.write_csv(tmp_path / "areas.csv", numbers.areas)
    head, row = (tmp_path / "areas.csv").read_text().splitlines()
    assert head.split(",")[:3] == ["number", "area_cm2", "mean_mm"]
    assert float(row.split(",")[3]) == pytest.approx(area.largest_mm, abs=0.005)


def test_what_changed_does_not_pull_the_registration(tmp_path, monkeypatch):
    base = body()
    side = (base.vertices[:, 1] > 250.0) & (base.vertices[:, 0] > 0)
    moved = base.vertices + np.outer(side, [0.0, 3.0, 0.0])
    numbers = compare(tmp_path, monkeypatch, base, trimesh.Trimesh(moved, base.faces, process=False))
    assert numbers.median_mm == pytest.approx(0.0, abs=0.05)
    assert numbers.areas[0].largest_mm == pytest.approx(3.0, abs=0.3)


def test_another_coordinate_system_is_found_and_said(tmp_path, monkeypatch):
    mesh = body()
    R = Rotation.from_euler("xyz", [90.0, 0.0, 180.0], degrees=True).as_matrix()
    near = Rotation.from_rotvec([0.03, -0.02, 0.04]).as_matrix()
    placed = trimesh.Trimesh(mesh.vertices @ (near @ R).T + [5000.0, -800.0, 200.0], mesh.faces, process=False)
    numbers = compare(tmp_path, monkeypatch, placed)
    assert (numbers.state, numbers.elsewhere) == ("compared", True)
    assert numbers.abs_95_mm < 0.05
    assert numbers.areas == []


@pytest.mark.parametrize(
    ("units", "scale", "meant"), [("mm", 0.1, "cm"), ("mm", 1 / 25.4, "inch"), ("inch", 1.0, "mm")]
)
def test_a_wrong_unit_is_refused_with_the_right_one(tmp_path, monkeypatch, units, scale, meant):
    mesh = body()
    mesh.apply_scale(scale)
    numbers = compare(tmp_path, monkeypatch, mesh, units=units)
    assert numbers.state == "refused"
    assert f"exported in {meant}" in numbers.reason


def test_units_of_the_sheet_are_used(tmp_path, monkeypatch):
    mesh = body()
    mesh.apply_scale(1 / 25.4)
    assert compare(tmp_path, monkeypatch, mesh, units="inch").abs_95_mm < 0.01


def test_another_vehicle_is_refused(tmp_path, monkeypatch):
    numbers = compare(tmp_path, monkeypatch, trimesh.creation.cylinder(radius=330.0, height=1400.0))
    assert numbers.state == "refused"
    assert "another vehicle" in numbers.reason
    small = body()
    small.apply_scale(0.2)
    assert "not of the same vehicle" in compare(tmp_path, monkeypatch, small).reason


def test_a_mirrored_reference_is_refused(tmp_path, monkeypatch):
    mesh = body()
    mirrored = trimesh.Trimesh(mesh.vertices * [1.0, -1.0, 1.0], mesh.faces[:, ::-1], process=False)
    numbers = compare(tmp_path, monkeypatch, mirrored)
    assert numbers.state == "refused"
    assert "mirrored" in numbers.reason or "another vehicle" in numbers.reason


def test_faces_that_are_inside_out_are_turned_and_said(tmp_path, monkeypatch):
    mesh = body()
    measured, _ = dented(body())
    numbers = compare(
        tmp_path, monkeypatch, trimesh.Trimesh(mesh.vertices, mesh.faces[:, ::-1], process=False), measured
    )
    assert numbers.turned_over
    assert numbers.areas[0].largest_mm < 0.0


def test_as_placed_shows_where_it_stands_and_how_sure_the_frame_is(tmp_path, monkeypatch):
    mesh = body()
    mesh.apply_translation([0.0, 0.0, -0.8])
    numbers = compare(tmp_path, monkeypatch, mesh, align="as_placed")
    assert numbers.fit_share is None
    assert max(area.largest_mm for area in numbers.areas) == pytest.approx(0.8, abs=0.1)
    unsure = compare(tmp_path, monkeypatch, mesh, shape=shape_of(body(), frame_sd_mm=1.0), align="as_placed")
    assert unsure.areas == []
    mesh.apply_translation([0.0, 0.0, -300.0])
    assert "where it is placed" in compare(tmp_path, monkeypatch, mesh, align="as_placed").reason


def test_what_can_not_be_judged_is_refused(tmp_path, monkeypatch):
    kept = shape_of(body(), frame_sd_mm=None)
    assert "kept as scanned" in compare(tmp_path, monkeypatch, body(), shape=kept, align="as_placed").reason
    assert compare(tmp_path, monkeypatch, body(), shape=kept).state == "compared"
    mesh = body()
    mesh.vertices += 40.0 * mesh.vertex_normals
    assert "further than 25 mm" in compare(tmp_path, monkeypatch, mesh, align="as_placed").reason


def test_regions_hold_the_pose(tmp_path, monkeypatch):
    """The front two thirds moved up: the surface that agrees best is theirs, the region's is the rear's."""
    base = body()
    front = base.vertices[:, 0] < 200.0
    measured = trimesh.Trimesh(base.vertices + np.outer(front, [0.0, 0.0, 2.0]), base.faces, process=False)
    region = {"name": "rear", "low_mm": [230.0, -600.0, -600.0], "high_mm": [900.0, 600.0, 600.0]}
    numbers = compare(tmp_path, monkeypatch, base, measured, align="regions", regions=[region])
    assert max(area.largest_mm for area in numbers.areas) == pytest.approx(2.0, abs=0.2)
    assert all(area.at_mm[0] < 230.0 for area in numbers.areas)
    nowhere = {"name": "sky", "low_mm": [0.0, 0.0, 9000.0], "high_mm": [1.0, 1.0, 9001.0]}
    assert "no measured surface" in compare(tmp_path, monkeypatch, base, align="regions", regions=[nowhere]).reason


def test_an_earlier_scan_is_as_uncertain_as_this(tmp_path, monkeypatch):
    shape = shape_of(body())
    cad = compare(tmp_path, monkeypatch, body(), shape=shape)
    scan = compare(tmp_path, monkeypatch, body(), shape=shape, kind="earlier scan")
    stated = compare(tmp_path, monkeypatch, body(), shape=shape, kind="earlier scan", uncertainty_mm=1.0)
    assert (cad.uncertainty_assumed, scan.uncertainty_assumed, stated.uncertainty_assumed) == (False, True, False)
    assert cad.uncertainty_median_mm < scan.uncertainty_median_mm < stated.uncertainty_median_mm
    assert stated.uncertainty_median_mm == pytest.approx(np.hypot(1.0, cad.uncertainty_median_mm), rel=0.01)


def test_files_that_are_no_mesh_are_refused(tmp_path, monkeypatch):
    shape = shape_of(body())
    cloud = trimesh.PointCloud(body().vertices)
    assert "points and no faces" in compare(tmp_path, monkeypatch, cloud, shape=shape).reason
    missing = "reference.ply does not exist: put it there or correct the job sheet."
    assert compare(tmp_path, monkeypatch, body(), shape=shape, unreadable=missing).reason == missing
    assert "changed after" in compare(tmp_path, monkeypatch, body(), shape=shape, sha256="0" * 64).reason

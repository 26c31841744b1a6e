"""Fuse against laws and programs outside the project."""

from pathlib import Path

import numpy as np
import pymeshlab
import pytest
from scipy.spatial.transform import Rotation

import ahmed
import fuse_scenes as scenes
import simulate
import viewpoints
from nightbay.core import native, rigid
from nightbay.meshes import surface


def test_noise_falls_with_the_root_of_the_points(tmp_path):
    """The mean of n independent readings of standard deviation s has s / sqrt(n) (JCGM 100:2008, GUM, 4.2.3). Over one
    plane, at three densities, the surface's rms about the true plane against s over the root of the stated count."""
    for density in (0.5, 2.0, 8.0):
        rng = np.random.default_rng(int(10 * density))
        points, normals = scenes.sheet(rng, 160, 160, density, tilt=(12, -23, 5), noise=0.1)
        R = Rotation.from_euler("xyz", (12, -23, 5), degrees=True).as_matrix()
        _, whole = scenes.run(tmp_path / str(density), scenes.one(points, normals))
        local = whole.vertices_mm.astype(float) @ R
        inner = np.abs(local[:, :2]).max(axis=1) < 75
        count = whole.vertex["count"][inner]
        expected = np.sqrt(np.mean(0.1**2 / count))
        # free values: the plane holds 150**2 / (4 radius**2) patches that share no point; an rms of k values is known
        # to 1 / sqrt(2 k), and three of those are allowed
        free = 150**2 / (4 * max(3.0, 2.0 / np.sqrt(density)) ** 2)
        assert np.sqrt(np.mean(local[inner, 2] ** 2)) == pytest.approx(expected, rel=3 / np.sqrt(2 * free))


def test_a_sphere_keeps_centre_and_radius(tmp_path):
    """Least squares of N radial errors e = dr + u . dc over directions u all round: the mean of u is zero, that of u u'
    a third of the unit matrix, so the normal matrix is diag(N, N/3, N/3, N/3). Its inverse (Gauss-Markov theorem) gives
    the sd of the radius, s / sqrt(N), and of each coordinate of the centre, s sqrt(3 / N)."""
    rng = np.random.default_rng(20)
    n, sigma, radius, centre = 50_000, 0.1, 40.0, np.array([3.0, 14.0, -15.0])
    _, whole = scenes.run(tmp_path, scenes.one(*scenes.sphere(rng, n, radius, sigma, centre)))
    found, size = fitted_sphere(whole.vertices_mm.astype(float))
    # vertices do not weigh all points alike: their count's spread makes that worth at most half of the points
    assert np.abs(found - centre).max() < 4 * sigma * np.sqrt(3 / (n / 2))
    assert abs(size - radius) < 4 * sigma / np.sqrt(n / 2)


def fitted_sphere(points):
    """Algebraic least squares; for a full sphere with little noise as good as the geometric fit."""
    A = np.column_stack([2 * points, np.ones(len(points))])
    solved = np.linalg.lstsq(A, (points**2).sum(axis=1), rcond=None)[0]
    return solved[:3], np.sqrt(solved[3] + solved[:3] @ solved[:3])


@pytest.fixture(scope="module")
def bunny():
    """The bunny that the pymeshlab wheel carries, scaled to 150 mm, and noisy points: (mesh set, points, normals)."""
    path = Path(pymeshlab.__file__).parent / "tests" / "sample_meshes" / "bunny.obj"
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(path))
    size = np.ptp(meshes.current_mesh().vertex_matrix(), axis=0).max()
    meshes.compute_matrix_from_translation_rotation_scale(
        scalex=150 / size, scaley=150 / size, scalez=150 / size, freeze=True
    )
    mesh = meshes.current_mesh()
    vertices, faces = mesh.vertex_matrix(), mesh.face_matrix()
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    rng = np.random.default_rng(30)
    chosen = rng.choice(len(faces), 80_000, p=area / area.sum())
    a, b = rng.random((2, len(chosen), 1))
    a, b = np.where(a + b > 1, 1 - a, a), np.where(a + b > 1, 1 - b, b)
    points = corners[chosen, 0] * (1 - a - b) + corners[chosen, 1] * a + corners[chosen, 2] * b
    normals = cross[chosen] / area[chosen, None]
    return meshes, points + normals * rng.normal(0, 0.1, (len(points), 1)), normals


def hausdorff(meshes, vertices, faces, of_truth=False):
    """PyMeshLab's sampled Hausdorff distance from a mesh to the bunny, or back."""
    meshes.add_mesh(pymeshlab.Mesh(vertices.astype(float), faces))
    number = meshes.current_mesh_id()
    pair = (0, number) if of_truth else (number, 0)
    found = meshes.get_hausdorff_distance(sampledmesh=pair[0], targetmesh=pair[1], samplenum=40_000)
    meshes.set_current_mesh(number)
    meshes.delete_current_mesh()
    return found


def test_the_bunny_comes_back(tmp_path, bunny):
    """Hausdorff distance as PyMeshLab computes it, with Open3D's Poisson surface of the same points and grid as the
    second opinion: it averages over the whole surface and so leaves less noise, but closes every opening."""
    meshes, points, normals = bunny
    numbers, whole = scenes.run(tmp_path, scenes.one(points, normals), scenes.settings(resolution_mm=1.2))
    forth = hausdorff(meshes, whole.vertices_mm, whole.faces)
    back = hausdorff(meshes, whole.vertices_mm, whole.faces, of_truth=True)
    # measured points all round: nothing lies further off than the radius over which points are averaged
    assert forth["max"] < numbers["reach_mm"]
    # the noise left in, and what the grid cuts off a surface of the bunny's wrinkles: a tenth of a grid edge
    assert forth["RMS"] < np.hypot(numbers["noise_median_mm"], 0.1 * numbers["resolution_mm"])
    assert back["RMS"] < np.hypot(numbers["noise_median_mm"], 0.1 * numbers["resolution_mm"])
    assert surface.area_mm2(whole) == pytest.approx(meshes.get_geometric_measures()["surface_area"], rel=0.02)

    o3d = native.open3d()
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    cloud.normals = o3d.utility.Vector3dVector(normals)
    poisson, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, depth=7, n_threads=1)
    second = hausdorff(meshes, np.asarray(poisson.vertices), np.asarray(poisson.triangles))
    # two estimates from the same points, each off by no more than its noise and what the grid cuts off
    assert abs(forth["mean"] - second["mean"]) < 0.1 * numbers["resolution_mm"]
    assert forth["RMS"] < 1.5 * second["RMS"]


def test_the_ahmed_body_keeps_its_handbook_dimensions(tmp_path):
    """S. Ahmed, G. Ramm, G. Faltin, SAE 840300 (1984), as public case files give it: length 1044, width 389, top at
    338 mm, slant 25 degrees. Scanned by the demo's simulator with 0.1 mm noise, fused at 4 mm with the true poses."""
    body = ahmed.ahmed_body(25.0)
    faults = simulate.Faults(strays=0, edges=0, clusters=0, mirrors=0, dropouts=False)  # what is left to clean
    views = viewpoints.over(body, seed=1)
    segments = {}
    for seed, name in enumerate(("first", "second")):
        run = simulate.scan(body, views, points=80_000, noise_mm=0.1, seed=seed, ground=False, faults=faults)
        seen = run.all_points()
        T = run.T_vehicle_segment
        segments[name] = (rigid.transform(T, seen.xyz), rigid.rotate(T, seen.normals), T, {})
    _, whole = scenes.run(tmp_path, segments, scenes.settings(resolution_mm=4.0))
    x, y, z = whole.vertices_mm.astype(float).T
    nose = -202.0  # the front legs stand at X = 0, 202 mm behind the nose
    flat = (x > nose + 150) & (x < nose + 800)
    side, top = flat & (np.abs(z - 180) < 80), flat & (np.abs(y) < 150) & (z > 300)
    base = (x > nose + 1030) & (np.abs(y) < 150) & (np.abs(z - 140) < 70)
    front = (x < nose + 20) & (np.abs(y) < 70) & (np.abs(z - 194) < 30)
    planes = {
        "width": (y[side & (y > 150)], 194.5),
        "other side": (-y[side & (y < -150)], 194.5),
        "height": (z[top], 338.0),
        "rear": (x[base], nose + 1044.0),
        "nose": (-x[front], -nose),
    }
    for name, (values, true) in planes.items():
        # the mean of a plane of k vertices that share their points with some ten others, each with noise of 0.1 mm at
        # most and more on the flat than on the slope: incidence up to 75 degrees
        assert values.mean() == pytest.approx(true, abs=3 * 0.1 * np.sqrt(10 / len(values))), name
        assert values.std() < 0.1, name
    slope = (x > nose + 870) & (x < nose + 1020) & (np.abs(y) < 150) & (z > 250)
    angle = np.degrees(np.arctan(-np.polyfit(x[slope], z[slope], 1)[0]))
    # a line of 150 mm, sd 43 mm along: noise over sd and the root of the free vertices
    assert angle == pytest.approx(25.0, abs=np.degrees(3 * 0.1 / 43 * np.sqrt(10 / slope.sum())))

"""Levels and files against readings elsewhere: pymeshlab, trimesh, and the numbers of the glTF 2.0 specification."""

import json
import struct
from pathlib import Path

import numpy as np
import pymeshlab
import pytest
import trimesh

from nightbay.core import native
from nightbay.deliver import formats
from nightbay.meshes import nearest, sampling, surface
from nightbay.reduce import reduce
from nightbay.reduce.result import Target

BUNNY = Path(pymeshlab.__file__).parent / "tests/sample_meshes/bunny.obj"


@pytest.fixture(scope="module")
def bunny():
    """A scanned figure of 28 088 vertices and 56 172 faces (pymeshlab's sample), scaled to a diagonal of 1 m."""
    read = pymeshlab.MeshSet()
    read.load_new_mesh(str(BUNNY))
    vertices, faces = read.current_mesh().vertex_matrix(), read.current_mesh().face_matrix()
    assert (len(vertices), len(faces)) == (28088, 56172)
    vertices = vertices / np.linalg.norm(np.ptp(vertices, axis=0)) * 1000
    filled = (vertices[faces].mean(axis=1)[:, 1] > np.quantile(vertices[:, 1], 0.9)).astype(np.uint8)
    return surface.Surface(vertices.astype(np.float32), faces.astype(np.int32), face={"filled": filled})


@pytest.fixture(scope="module")
def level(bunny):
    """The same with a tenth of the faces, and its numbers."""
    own = surface.Surface(bunny.vertices_mm, bunny.faces.copy(), face={"filled": bunny.face["filled"].copy()})
    target = Target(faces=5600)
    state = reduce.reach(reduce.begin(own, target, 1), sampling.sample(bunny, 1000), target)
    return reduce.measure_level(bunny, state.surface, sampling.sample(bunny, 200_000), target)


def test_deviation_is_what_pymeshlab_measures(bunny, level):
    """Sampled Hausdorff distance, both ways. Both sample by area: rms to the sampling error of some 50 000 points (its
    squares scatter about as much as themselves), the largest only from below, for it hangs on single samples."""
    coarse, numbers = level
    other = pymeshlab.MeshSet()
    for mesh in (bunny, coarse):
        other.add_mesh(pymeshlab.Mesh(mesh.vertices_mm.astype(float), mesh.faces))
    for way, sampled, target in (("full_to_level", 0, 1), ("level_to_full", 1, 0)):
        told = other.get_hausdorff_distance(
            sampledmesh=sampled, targetmesh=target, samplevert=False, sampleface=True, samplenum=50_000,
            maxdist=pymeshlab.PercentageValue(50),
        )  # fmt: skip
        ours = getattr(numbers.deviation, way)
        if way == "full_to_level":  # the other way ours counts the vertices too
            assert ours.rms_mm == pytest.approx(told["RMS"], rel=0.03)
        assert ours.max_mm > 0.9 * told["max"]


def test_nearest_is_what_open3d_finds(bunny, level):
    """Its search tree in float32 of coordinates up to 500 mm: 3e-5 mm, and a few roundings more. Points on the surface,
    and far from it, where many faces come into question; among the faces one without area, and one a line."""
    coarse, _ = level
    spoilt = np.vstack([coarse.faces, [(0, 0, 0), (1, 2, 1)]]).astype(np.int32)
    points = np.vstack([sampling.sample(bunny, 5_000), np.random.default_rng(3).uniform(-400, 400, (200, 3))])
    ours = nearest.nearest(points, surface.Surface(coarse.vertices_mm, spoilt), 0.5)
    o3d = native.open3d()
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(coarse.vertices_mm, coarse.faces.astype(np.uint32))
    theirs = scene.compute_distance(points.astype(np.float32)).numpy()
    assert np.abs(ours.distance_mm - theirs).max() < 3e-4
    assert np.allclose(np.linalg.norm(ours.point_mm - points, axis=1), ours.distance_mm, atol=1e-9)


def test_reduction_is_no_worse_than_a_quadric_reduction_elsewhere(bunny, level):
    """pymeshlab's quadric edge collapse to the same number of faces, without marks to keep: ours may pay for its seam
    and for sweeping instead of sorting, but not more than half as much again."""
    coarse, numbers = level
    other = pymeshlab.MeshSet()
    other.add_mesh(pymeshlab.Mesh(bunny.vertices_mm.astype(float), bunny.faces))
    other.meshing_decimation_quadric_edge_collapse(targetfacenum=len(coarse.faces))
    theirs = surface.Surface(
        other.current_mesh().vertex_matrix().astype(np.float32), other.current_mesh().face_matrix().astype(np.int32)
    )
    probe = sampling.sample(bunny, 50_000)
    rms = np.sqrt(np.mean(nearest.nearest(probe, theirs, 20.0).distance_mm ** 2))
    assert numbers.deviation.full_to_level.rms_mm < 1.5 * rms
    told = pymeshlab.MeshSet()
    told.add_mesh(pymeshlab.Mesh(coarse.vertices_mm.astype(float), coarse.faces))
    assert told.get_topological_measures()["is_mesh_two_manifold"]


@pytest.mark.parametrize("kind", ["ply", "stl", "obj", "glb"])
def test_trimesh_reads_the_same_area_and_bounds(level, tmp_path, kind):
    coarse, _ = level
    path = tmp_path / f"model.{kind}"
    _write(path, coarse)
    read = trimesh.load(path)
    scale = 1000.0 if kind == "glb" else 1.0
    # OBJ holds 0.001 mm; GLB's metres and trimesh's product with the turn are float32: 1 m has steps of 0.00006 mm
    assert read.area * scale**2 == pytest.approx(surface.area_mm2(coarse), rel=1e-5)
    low, high = coarse.vertices_mm.min(axis=0), coarse.vertices_mm.max(axis=0)
    if kind == "glb":  # y is up: (x, y, z) of the vehicle is (x, z, -y) there
        low, high = np.array([low[0], low[2], -high[1]]), np.array([high[0], high[2], -low[1]])
    assert np.allclose(np.array(read.bounds) * scale, [low, high], atol=1e-3)


@pytest.mark.parametrize("kind", ["ply", "stl", "obj"])
def test_pymeshlab_reads_the_same_area(level, tmp_path, kind):
    coarse, _ = level
    path = tmp_path / f"model.{kind}"
    _write(path, coarse)
    read = pymeshlab.MeshSet()
    read.load_new_mesh(str(path))
    assert read.get_geometric_measures()["surface_area"] == pytest.approx(surface.area_mm2(coarse), rel=1e-5)


def _write(path, mesh):
    kind = path.suffix[1:]
    if kind == "ply":
        surface.write_ply(path, mesh)
    elif kind == "stl":
        formats.write_stl(path, mesh, "units mm")
    elif kind == "obj":
        formats.write_obj(path, mesh, ["units mm"])
    else:
        formats.write_glb(path, mesh, "model", {"units": "m"})


def test_glb_keeps_to_the_specification(level, tmp_path):
    """Khronos Group, glTF 2.0 specification: binary container (section 4), accessors and their alignment (3.6.2.4),
    meshes (3.7.2: POSITION needs min and max; indices count a multiple of three), component types by their numbers."""
    coarse, _ = level
    path = tmp_path / "model.glb"
    formats.write_glb(path, coarse, "model", {"units": "m"})
    data = path.read_bytes()
    magic, version, length = struct.unpack_from("<III", data)
    assert (magic, version, length) == (0x46546C67, 2, len(data))
    json_length, json_type = struct.unpack_from("<II", data, 12)
    assert json_type == 0x4E4F534A and json_length % 4 == 0
    document = json.loads(data[20 : 20 + json_length])
    bin_length, bin_type = struct.unpack_from("<II", data, 20 + json_length)
    start = 28 + json_length
    assert bin_type == 0x004E4942 and bin_length % 4 == 0 and start + bin_length == len(data)
    assert document["asset"]["version"] == "2.0" and document["buffers"] == [{"byteLength": bin_length}]

    def values(number):
        accessor = document["accessors"][number]
        view = document["bufferViews"][accessor["bufferView"]]
        kind = {5126: "<f4", 5125: "<u4"}[accessor["componentType"]]
        assert (view["byteOffset"] + accessor["byteOffset"]) % np.dtype(kind).itemsize == 0
        width = {"VEC3": 3, "SCALAR": 1}[accessor["type"]]
        assert accessor["count"] * width * np.dtype(kind).itemsize <= view["byteLength"]
        read = np.frombuffer(data, kind, accessor["count"] * width, start + view["byteOffset"])
        return accessor, read.reshape(-1, width)

    faces = {"measured": 0, "filled": 0}
    for primitive in document["meshes"][0]["primitives"]:
        accessor, position = values(primitive["attributes"]["POSITION"])
        assert np.allclose(accessor["min"], position.min(axis=0)) and np.allclose(accessor["max"], position.max(axis=0))
        assert np.allclose(position * 1000, coarse.vertices_mm, atol=1e-4)
        _, normal = values(primitive["attributes"]["NORMAL"])
        assert np.allclose(np.linalg.norm(normal, axis=1), 1, atol=0.0005)
        _, indices = values(primitive["indices"])
        assert len(indices) % 3 == 0 and indices.max() < len(position)
        faces[document["materials"][primitive["material"]]["name"]] += len(indices) // 3
    marked = int(coarse.face["filled"].sum())
    assert faces == {"measured": len(coarse.faces) - marked, "filled": marked} and marked > 0
    turn = document["nodes"][0]["rotation"]
    assert np.linalg.norm(turn) == pytest.approx(1.0)

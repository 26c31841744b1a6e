"""An end where the scanned surface stops without turning to face it is named, and one that faces it is not."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import part_results
from nightbay.measure import dimensions, tangent_planes
from nightbay.measure.body import Body
from nightbay.meshes import surface, vertices

SCAN = SimpleNamespace(noise_mm=0.1, target_drift_mm_per_m=0.03)
OPTIONS = SimpleNamespace(thin_mm=250.0, notice_mm=10.0)
REACH = 900.0  # of the mirror along Y


def body(mirror):
    """A block 1 m wide with a ``mirror`` on one side, as measure takes it."""
    block = trimesh.creation.box((3000.0, 1000.0, 1200.0))
    mesh = trimesh.util.concatenate([block, mirror])
    points, faces = trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, 12.0, max_iter=30)
    model = surface.Surface(points.astype(np.float32), faces.astype(np.int32))
    areas = vertices.areas(model)
    frame = part_results.frame(points.min(axis=0), points.max(axis=0))
    return Body(
        model, areas, np.full(len(areas), 0.1, np.float32), tangent_planes.support_of(areas, 200.0), OPTIONS, SCAN,
        frame, {"all": part_results.pose()}, part_results.refine({}).scale,
    )  # fmt: skip


def mirror(cut_at=None):
    """A rounded case of 80 mm radius that reaches to Y = :data:`REACH`, or is cut off before that."""
    case = trimesh.creation.capsule(height=240.0, radius=80.0, count=[48, 48])
    case.apply_transform(trimesh.transformations.rotation_matrix(-np.pi / 2, [1, 0, 0]))
    case.apply_translation([0.0, REACH - 80.0 - case.bounds[1][1] + 80.0, 300.0])
    if cut_at is None:
        return case
    case.update_faces(case.triangles_center[:, 1] < cut_at)
    case.remove_unreferenced_vertices()
    return case


def test_an_end_that_was_scanned_is_none():
    stated = dimensions.span("width_over_mirrors", body(mirror()), 1)
    assert stated.value_mm == pytest.approx(500.0 + REACH, abs=1.0)
    assert stated.unknown == []


def test_half_a_mirror_ends_at_an_edge():
    stated = dimensions.span("width_over_mirrors", body(mirror(REACH - 110.0)), 1)
    assert stated.value_mm < 500.0 + REACH - 50.0
    assert stated.unknown == [dimensions.OPEN_EDGE]

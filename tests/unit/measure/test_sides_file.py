"""The data file of left against right: its bytes are those of the arrays, whatever writes them and whenever."""

import hashlib
import time
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

import blockcar
import part_results
from nightbay.core.axes import DESIGN_GRID
from nightbay.measure import measured_shape, surface_checks
from nightbay.meshes import surface

PACKED = (b"PK", b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"\x28\xb5\x2f\xfd")  # zip, gzip, bzip2, xz, zstandard


@pytest.fixture(scope="module")
def body():
    car = blockcar.car()
    vertices, faces = trimesh.remesh.subdivide_to_size(car.vertices, car.faces, 60.0, max_iter=30)
    return SimpleNamespace(
        surface=surface.Surface(vertices.astype(np.float32), faces.astype(np.int32)),
        vertices_mm=vertices.astype(np.float32),
        areas=np.ones(len(vertices)),
        options=SimpleNamespace(
            comparison_spacing_mm=40.0,
            comparison_limit_mm=25.0,
            change_patch_mm=40.0,
            change_level=0.05,
            change_least_mm2=1000.0,
            change_least_mm=0.3,
        ),
        scan=SimpleNamespace(noise_mm=0.1, target_drift_mm_per_m=0.03),
        frame=part_results.frame(
            vertices.min(axis=0), vertices.max(axis=0), found_by=("kept", "symmetry plane of the part", "kept")
        ),
        poses={"all": part_results.pose()},
        axes=DESIGN_GRID,
    )


def written(body, folder):
    folder.mkdir()
    numbers = surface_checks.compare_sides(measured_shape.of(body, []), body, folder, 1)
    (file,) = folder.iterdir()
    return numbers, file


def test_bytes_depend_on_the_arrays_only(body, tmp_path, monkeypatch):
    _, first = written(body, tmp_path / "first")
    later = time.time() + 1e8
    monkeypatch.setattr(time, "time", lambda: later)
    _, second = written(body, tmp_path / "second")
    digests = {hashlib.sha256(file.read_bytes()).hexdigest() for file in (first, second)}
    assert len(digests) == 1
    assert not first.read_bytes().startswith(PACKED)


def test_file_is_a_short_head_and_the_plain_rows(body, tmp_path):
    """NumPy's own format: the rows stand in the file as they stand in memory."""
    numbers, file = written(body, tmp_path / "sides")
    rows = np.load(file)
    assert file.read_bytes().endswith(rows.tobytes())
    assert file.stat().st_size - rows.nbytes <= 256
    assert np.count_nonzero(np.isfinite(rows["deviation_mm"])) == numbers.compared > 100
    assert rows["points_mm"].shape == (len(rows), 3)

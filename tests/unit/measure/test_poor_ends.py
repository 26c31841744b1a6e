"""Poor places on an invented sheet: what scatters or is sparse there, and how often sound surface is called poor."""

from types import SimpleNamespace

import numpy as np
import pytest

from nightbay.measure import poor_ends
from nightbay.measure.result import Dimension, TouchPoints
from nightbay.meshes import surface

STEP_MM, NOISE_MM, POINTS = 4.0, 0.1, 6.0
SIDE_MM = 3000.0
TRIM_MM = np.array([600.0, 1500.0])  # middle of a bar of trim, 300 mm high, that runs over the whole width


def sheet(seed, trim_noise=1.0, trim_count=1.0, drop=False):
    """A flat body with a bar of trim whose points scatter and are as many as given, in units of the paint's.

    Vertices share their points with their neighbours, as a surface fused from them does: scatter and count are smooth
    over 8 mm, and vary from place to place by how the scanner was moved.
    """
    rng = np.random.default_rng(seed)
    n = int(SIDE_MM / STEP_MM)
    x, y = np.meshgrid(np.arange(n) * STEP_MM, np.arange(n) * STEP_MM, indexing="ij")
    trim = np.abs(x - TRIM_MM[0]) < 150.0
    passes = np.exp(0.3 * _smooth(rng, n, 60))
    count = POINTS * passes * np.where(trim, trim_count, 1.0)
    squares = NOISE_MM**2 * np.where(trim, trim_noise**2, 1.0)
    spread = np.sqrt(squares * np.maximum(1.0 + _smooth(rng, n, 2) * np.sqrt(2.0 / count), 0.05))
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(n * n)]).astype(np.float32)
    attributes = {"count": count.ravel().astype(np.float32), "spread_mm": spread.ravel().astype(np.float32)}
    areas = np.full(n * n, STEP_MM**2)
    model = surface.Surface(points, np.zeros((0, 3), np.int32), {} if drop else attributes)
    return SimpleNamespace(surface=model, vertices_mm=points, areas=areas, support_mm2=16.0 * STEP_MM**2)


def _smooth(rng, n, cells):
    """Random values (n, n) of unit variance that are alike over some cells."""
    coarse = rng.normal(0.0, 1.0, (n // cells + 2, n // cells + 2))
    rows = np.arange(n) // cells
    return coarse[np.ix_(rows, rows)]


def at(body, points):
    known = poor_ends.quality(body)
    return [poor_ends.at(known, np.array([*point, 0.0])) for point in points]


@pytest.mark.parametrize(
    ("noise", "count", "by"), [(1.8, 1.0, ["scatter"]), (3.0, 1.0, ["scatter"]), (1.0, 0.1, ["count"])]
)
def test_trim_is_found_by_its_scatter_or_its_few_points(noise, count, by):
    found = at(sheet(3, noise, count), [(600.0, y) for y in np.arange(200.0, 2800.0, 200.0)])
    assert all(end is not None and set(by) <= set(end.by) for end in found)
    assert np.median([end.scatter for end in found]) == pytest.approx(noise, rel=0.15)


def test_sound_surface_is_called_poor_no_more_often_than_stated():
    """One in a thousand by the level; of 400 places on paint, and on trim that is like paint, none or one (four have a
    probability below 0.001)."""
    places = np.random.default_rng(1).uniform(200.0, 2800.0, (200, 2))
    alarms = [end for seed in (4, 5) for end in at(sheet(seed), places) if end is not None]
    assert len(alarms) < 4


def test_without_counts_or_on_a_small_surface_nothing_is_said():
    assert poor_ends.quality(sheet(3, drop=True)) is None
    small = sheet(3)
    small.areas[small.vertices_mm[:, 0] > 100.0] = 0.0
    assert poor_ends.quality(small) is None
    assert poor_ends.at(None, np.zeros(3)) is None


def test_a_surface_on_disk_is_judged_alike_block_by_block(tmp_path, monkeypatch):
    body, place = sheet(3, 1.8), np.array([*TRIM_MM, 0.0])
    known = poor_ends.at(poor_ends.quality(body), place)
    surface.write_ply(tmp_path / "sheet.ply", body.surface)
    monkeypatch.setattr(surface, "ROWS", 99_991)
    body.surface = surface.open_ply(tmp_path / "sheet.ply")
    again = poor_ends.at(poor_ends.quality(body), place)
    assert again.by == known.by and again.scatter == pytest.approx(known.scatter, rel=1e-9)


def test_the_values_that_poor_ends_define_say_so():
    end = at(sheet(3, 2.5), [TRIM_MM])[0]
    value = Dimension("length", 1.0, None, 1.0, 2, {}, [], TouchPoints(None, None), [], poor_ends=[end])
    (sentence,) = poor_ends.notes([value])
    assert sentence.startswith("The surface that defines 1 of the dimensions and angles was measured poorly")
    assert poor_ends.notes([]) == []

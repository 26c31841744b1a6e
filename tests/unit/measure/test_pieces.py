import numpy as np

from nightbay.measure import pieces


def sheet(corner, side_mm):
    """Vertices 2 mm apart of a square sheet, and 4 mm2 for each."""
    x, y = np.meshgrid(np.arange(0, side_mm, 2.0), np.arange(0, side_mm, 2.0))
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) + corner
    return points.astype(np.float32), np.full(len(points), 4.0)


def loose(*sheets):
    points, areas = (np.concatenate(parts) for parts in zip(*sheets, strict=True))
    found = pieces.loose(points, areas, 1000.0)
    ends = np.cumsum([len(one[0]) for one in sheets])[:-1]
    return [bool(part.all()) for part in np.split(found, ends)]


def test_a_small_piece_far_away_is_loose():
    assert loose(sheet([0, 0, 0], 100), sheet([400, 0, 0], 10)) == [False, True]


def test_flakes_beside_each_other_belong_together():
    flakes = [sheet([x, y, 0], 14) for x in range(0, 90, 18) for y in range(0, 90, 18)]
    assert not any(loose(*flakes))


def test_vertices_without_area_are_neither():
    points, _ = sheet([0, 0, 0], 10)
    assert not pieces.loose(points, np.zeros(len(points)), 1000.0).any()

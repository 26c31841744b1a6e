"""What the dimensions leave out: mirrors and the tyres' bulge from the width, thin things on the roof from the
height."""

import numpy as np

from nightbay.measure import protrusions
from nightbay.measure.body import Body
from nightbay.measure.result import Protrusion


def width_areas(body: Body) -> tuple[np.ndarray, list[Protrusion]]:
    """Areas, (n,) mm2, that count for the width, and what was left out or noticed at the sides.

    Left out: what projects at a side by more than ``mirror_reach_mm`` over less than ``mirror_length_mm`` (mirrors),
    and what lies below ``tyre_bulge_mm`` (the tyres' bulge at the ground).
    """
    vertices, options = body.vertices_mm, body.options
    counted, noticed = np.where(vertices[:, 2] < options.tyre_bulge_mm, 0.0, body.areas), []
    left = float(body.axes.left)
    for name, sign in (("left", left), ("right", -left)):
        side = np.where(sign * vertices[:, 1] > 0.0, counted, 0.0)
        if not side.any():
            continue
        for found in protrusions.find(
            vertices[:, 0], sign * vertices[:, 1], side, options.mirror_length_mm, body.support_mm2
        ):
            if found.reach_mm < options.notice_mm:
                continue
            excluded = options.mirrors == "exclude" and found.reach_mm > options.mirror_reach_mm
            if excluded:
                counted[found.rows] = 0.0
            noticed.append(_noticed(body, found, name, excluded))
    return counted, noticed


def body_height_areas(body: Body) -> tuple[np.ndarray, list[Protrusion]]:
    """Areas, (n,) mm2, that count for the height of the body, and what thin things on the roof were left out.

    Thin is what rises from the roof over less than ``thin_mm`` seen from the side and seen from behind.
    """
    vertices, thin_mm = body.vertices_mm, body.options.thin_mm
    from_side, from_behind = (
        protrusions.find(vertices[:, axis], vertices[:, 2], body.areas, thin_mm, body.support_mm2) for axis in (0, 1)
    )
    thin = np.intersect1d(_rows(from_side), _rows(from_behind))
    counted = body.areas.copy()
    counted[thin] = 0.0
    return counted, [
        _noticed(body, found, "roof", True) for found in from_side if len(np.intersect1d(found.rows, thin))
    ]


def _rows(found: list[protrusions.Stretch]) -> np.ndarray:
    return np.concatenate([np.empty(0, np.int64), *(stretch.rows for stretch in found)])


def _noticed(body: Body, found: protrusions.Stretch, where: str, excluded: bool) -> Protrusion:
    points = body.vertices_mm[found.rows]
    low_mm, high_mm = (points.min(axis=0), points.max(axis=0)) if len(points) else (None, None)
    return Protrusion(where, found.reach_mm, low_mm, high_mm, bool(excluded))

"""What the dimensions leave out: remains of the ground, mirrors and the tyres' bulge from the width, thin things on the
roof from the height."""

import numpy as np

from nightbay.frame.result import FrameResult
from nightbay.measure import protrusions
from nightbay.measure.body import Body
from nightbay.measure.result import Protrusion
from nightbay.meshes import vertices
from nightbay.meshes.surface import Surface

GROUND_MM = 15.0  # above the ground nothing of a vehicle but its tyres begins lower; uneven ground reaches as far
# A thin thing behind the body reaches so far: a towing ball stands clear of its bumper by more, and an outline that
# dark trim leaves ragged does not (common practice, no source).
BEHIND_MM = 40.0
LEVEL = 0.7  # cosine of 45 degrees, between the normals of a vertex and of the ground


def ground_rows(model: Surface, areas: np.ndarray, frame: FrameResult) -> np.ndarray:
    """Vertices of remains of the ground, rows (k,): level surface at Z = 0, off the tyres, that cleaning left.

    ``model`` in the vehicle ``frame``, with ``areas`` (n,) mm2. A patch of ground behind a vehicle would else be its
    end. None where the frame was not found by the ground: no segment saw it then.
    """
    if frame.zero_planes["z"].found_by != "ground plane":  # nor by fiducials, whose zero lies anywhere
        return np.empty(0, np.int64)
    rows = np.flatnonzero(np.abs(model.vertices_mm[:, 2]) < GROUND_MM)
    for wheel in frame.wheels:
        x_mm, _, radius_mm = wheel.centre_mm
        assert x_mm is not None and radius_mm is not None
        tread_mm = np.sqrt(2.0 * radius_mm * GROUND_MM)  # length along X from the axle to where the tread is as high
        rows = rows[np.abs(model.vertices_mm[rows, 0] - x_mm) > tread_mm]
    rows = rows[areas[rows] > 0.0]
    return rows[np.abs(vertices.normals(model, rows)[:, 2]) > LEVEL] if len(rows) else rows


def width_areas(body: Body) -> tuple[np.ndarray, list[Protrusion]]:
    """Areas, (n,) mm2, that count for the width, and what was left out or noticed at the sides.

    Left out: what projects at a side by more than ``mirror_reach_mm`` over less than ``mirror_length_mm`` (mirrors),
    and what lies below ``tyre_bulge_mm`` (the tyres' bulge at the ground).
    """
    vertices, options = body.vertices_mm, body.options
    ground_mm = body.frame.ground_z_mm(np.zeros(3)) or 0.0
    counted, noticed = np.where(vertices[:, 2] < ground_mm + options.tyre_bulge_mm, 0.0, body.areas), []
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


def body_rear_areas(body: Body) -> tuple[np.ndarray, list[Protrusion]]:
    """Areas, (n,) mm2, that count for the rear of the body, and what thin things behind it were left out.

    Thin is what projects to the rear over less than ``thin_mm`` seen from above and seen from the side.
    """
    vertices, thin_mm = body.vertices_mm, body.options.thin_mm
    behind = -np.float32(body.axes.forward) * vertices[:, 0]
    from_above, from_side = (
        protrusions.find(vertices[:, axis], behind, body.areas, thin_mm, body.support_mm2) for axis in (1, 2)
    )
    rows = np.intersect1d(_rows(from_above), _rows(from_side))
    thin = [found for found in from_above if found.reach_mm >= BEHIND_MM and len(np.intersect1d(found.rows, rows))]
    counted = body.areas.copy()
    counted[np.intersect1d(rows, _rows(thin))] = 0.0
    return counted, [_noticed(body, found, "rear", True) for found in thin]


def _rows(found: list[protrusions.Stretch]) -> np.ndarray:
    return np.concatenate([np.empty(0, np.int64), *(stretch.rows for stretch in found)])


def _noticed(body: Body, found: protrusions.Stretch, where: str, excluded: bool) -> Protrusion:
    points = body.vertices_mm[found.rows]
    low_mm, high_mm = (points.min(axis=0), points.max(axis=0)) if len(points) else (None, None)
    return Protrusion(where, found.reach_mm, low_mm, high_mm, bool(excluded))

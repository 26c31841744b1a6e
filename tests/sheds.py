"""A shed with a door aperture, as points of flat faces: the smallest thing that has an outside, an inside and a jamb.

Frame: X rearward, Y right, Z up, mm. The aperture is in the rear wall; its jamb has a step that faces the rear.
"""

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.join.skin import Skin

NOISE_MM = 0.1
LONG, HALF, LOW, HIGH, WALL = 2000.0, 600.0, 300.0, 1500.0, 50.0  # outside
DOOR = (-380.0, 420.0, 380.0, 1350.0)  # Y low, Z low, Y high, Z high at the rear
FLANGE, FLANGE_X = 35.0, LONG - 30.0  # the aperture is narrower by that in front of this X


def _face(axis, sign, at, spans):
    """A rectangle across an axis: (axis, sign of its normal, where, ((low, high), (low, high)) of the other axes)."""
    return axis, sign, at, spans


def _frame(axis_x, sign, whole, hole):
    """Four rectangles across X round a hole; both as (Y low, Z low, Y high, Z high)."""
    (y0, z0, y1, z1), (a0, b0, a1, b1) = whole, hole
    spans = [((y0, y1), (z0, b0)), ((y0, y1), (b1, z1)), ((y0, a0), (b0, b1)), ((a1, y1), (b0, b1))]
    return [_face(0, sign, axis_x, span) for span in spans]


def _jamb(door, x_low, x_high):
    y0, z0, y1, z1 = door
    across = (x_low, x_high)
    return [
        _face(1, 1, y0, (across, (z0, z1))),
        _face(1, -1, y1, (across, (z0, z1))),
        _face(2, 1, z0, (across, (y0, y1))),
        _face(2, -1, z1, (across, (y0, y1))),
    ]


def faces(wider=0.0):
    """Faces of the shed by who sees them: {"outside", "inside", "both"}; ``wider``: by that on either side."""
    half, (d0, z0, d1, z1) = HALF + wider, DOOR
    d0, d1 = d0 - wider, d1 + wider
    door = (d0, z0, d1, z1)
    narrow = (d0 + FLANGE, z0 + FLANGE, d1 - FLANGE, z1 - FLANGE)
    x, z = (0.0, LONG), (LOW, HIGH)
    inner_x, inner_z, inner = (WALL, LONG - WALL), (LOW + WALL, HIGH - WALL), half - WALL
    outside = [
        _face(1, -1, -half, (x, z)),
        _face(1, 1, half, (x, z)),
        _face(2, 1, HIGH, (x, (-half, half))),
        _face(2, -1, LOW, (x, (-half, half))),
        _face(0, -1, 0.0, ((-half, half), z)),
        *_frame(LONG, 1, (-half, LOW, half, HIGH), door),
    ]
    inside = [
        _face(1, 1, -inner, (inner_x, inner_z)),
        _face(1, -1, inner, (inner_x, inner_z)),
        _face(2, -1, HIGH - WALL, (inner_x, (-inner, inner))),
        _face(2, 1, LOW + WALL, (inner_x, (-inner, inner))),
        _face(0, 1, WALL, ((-inner, inner), inner_z)),
        *_frame(LONG - WALL, -1, (-inner, LOW + WALL, inner, HIGH - WALL), narrow),
        # a rib on the left wall and a box on the floor at the right: the room has a front and a left
        _face(1, 1, -inner + 40, ((700, 780), inner_z)),
        _face(2, 1, LOW + WALL + 200, ((300, 700), (inner - 150, inner))),
        _face(1, -1, inner - 150, ((300, 700), (LOW + WALL, LOW + WALL + 200))),
    ]
    both = [*_jamb(door, FLANGE_X, LONG), *_frame(FLANGE_X, 1, door, narrow), *_jamb(narrow, LONG - WALL, FLANGE_X)]
    return {"outside": outside, "inside": inside, "both": both}


def sample(some, spacing, rng):
    """Points (n, 3) with noise and normals (n, 3) of faces, one in each square of ``spacing``."""
    points, normals = [], []
    for axis, sign, at, spans in some:
        counts = [max(2, round((high - low) / spacing)) for low, high in spans]
        grids = [
            low + (high - low) * (np.arange(count) + 0.5) / count
            for (low, high), count in zip(spans, counts, strict=True)
        ]
        u, v = (grid.ravel() for grid in np.meshgrid(*grids, indexing="ij"))
        place = np.empty((len(u), 3))
        others = [other for other in range(3) if other != axis]
        place[:, axis], place[:, others[0]], place[:, others[1]] = at, u, v
        place[:, others] += rng.uniform(-0.3, 0.3, (len(u), 2)) * spacing
        place[:, axis] += rng.normal(0, NOISE_MM, len(u))
        normal = np.zeros((len(u), 3))
        normal[:, axis] = sign
        points.append(place)
        normals.append(normal)
    return np.concatenate(points), np.concatenate(normals)


def parts(seed, wider_inside=0.0, spacing=20.0):
    """Outside and inside as two pairs (points, normals) in the shed's frame; the inside may be that of another shed."""
    rng = np.random.default_rng([seed, 51])
    own, other = faces(), faces(wider_inside)
    return sample(own["outside"] + own["both"], spacing, rng), sample(other["inside"] + other["both"], spacing, rng)


def skins(seed, wider_inside=0.0, spacing=20.0, heading=0.0):
    """Outside and inside as :class:`Skin`, and the true pose between them; ``heading`` of the inside, degrees."""
    outer, inner = parts(seed, wider_inside, spacing)
    rng = np.random.default_rng([seed, 52])
    turn = Rotation.from_rotvec(rng.normal(0, 3e-3, 3)) * Rotation.from_euler("z", heading, degrees=True)
    T_exterior_interior = rigid.pose(turn.as_matrix(), [rng.uniform(500, 1500), rng.normal(0, 4), LOW + WALL])
    T = rigid.invert(T_exterior_interior)
    a = Skin(*outer, spacing, NOISE_MM, 0.03, 1500.0)
    b = Skin(rigid.transform(T, inner[0]), rigid.rotate(T, inner[1]), spacing, NOISE_MM, 0.3, 1500.0)
    return a, b, T_exterior_interior

"""The inside of a panel van's load bay: walls with ribs, floor, wheel boxes, bulkhead, bows under the roof.

Vehicle frame as in :mod:`vehicles`; its faces look into the bay. The rear doors stand open, so there is no rear wall.
"""

from functools import cache

import numpy as np
import trimesh

import bodies
import shell
from shell import round_and
from vehicles import ALONG_X

FRONT, REAR, HALF, FLOOR, CEILING = 1350.0, 4350.0, 880.0, 620.0, 2400.0
MIDDLE = np.array([(FRONT + REAR) / 2, 0.0, (FLOOR + CEILING) / 2])
WALL_COLOUR, FLOOR_COLOUR, BULKHEAD_COLOUR = (182, 184, 180), (134, 98, 66), (96, 110, 128)
BOX_COLOUR, BOW_COLOUR, RAIL_COLOUR = (70, 72, 74), (150, 156, 150), (206, 160, 60)

RIBS_LEFT, RIBS_RIGHT = (1700, 2220, 2740, 3260, 3900), (1950, 3080, 3560, 4080)


def load_bay(chord_mm: float = shell.CHORD_MM, aperture: np.ndarray | None = None) -> bodies.Body:
    """The load bay; ``dimensions_mm``: length, width and height between the bare walls.

    ``aperture`` (k, 2): outline (Y, Z) of the opening in its rear wall; without it there is no rear wall.
    """
    parts = [_hull(chord_mm, aperture)]
    for x in RIBS_LEFT:
        parts += [_rib(x, -1), _bow(x + 130)]
    parts += [_rib(x, 1) for x in RIBS_RIGHT]
    for sign in (-1, 1):
        parts += [_wheel_box(sign), _rail(sign, 1250), _rail(sign, 1800)]
    for y in (-500.0, 0.0, 500.0):
        parts.append(_ridge(y))
    parts += [_lashing(x, sign) for x in (1700, 2500, 4050) for sign in (-1, 1)]
    parts.append(_pillow((FRONT + 12, 0, 1500), (16, 350, 500), 12, BULKHEAD_COLOUR))
    # what makes every place of the bay its own: a sliding door's sill and posts, a cupboard, a fuse box, a drop light
    parts.append(_pillow((2110, HALF - 70, FLOOR + 45), (560, 90, 55), 20, BOX_COLOUR))
    parts += [_pillow((x, HALF - 60, 1450), (30, 75, 790), 18, BOX_COLOUR) for x in (1540, 2680)]
    parts.append(_pillow((2620, -HALF + 190, FLOOR + 420), (330, 200, 430), 15, FLOOR_COLOUR))
    parts.append(_pillow((2960, HALF - 50, 1560), (110, 70, 150), 15, RAIL_COLOUR))
    parts.append(_pillow((2330, 210, CEILING - 40), (160, 60, 45), 20, BULKHEAD_COLOUR))
    body = bodies.join(parts)
    sizes = {"length": REAR - FRONT, "width": 2 * HALF, "height": CEILING - FLOOR}
    return bodies.Body(body.vertices_mm, body.faces, body.material, body.colour, sizes)


def _wall(z):
    """How far the wall leans in at a height, mm."""
    return 110 * np.clip((z - 1100) / (CEILING - 1100), 0, None) ** 2


def _hull(chord_mm, aperture=None):
    """The bare bay, its faces turned inwards and the rear left open, or with an aperture."""

    def implicit(p):
        side = np.abs(p[:, 1]) - HALF + _wall(p[:, 2])
        roof = p[:, 2] - CEILING + 40 * (p[:, 1] / HALF) ** 2
        body = round_and(round_and(side, roof, 120), FLOOR - p[:, 2], 30)
        return round_and(round_and(body, FRONT - p[:, 0], 60), p[:, 0] - REAR, 5)

    mesh = shell.wrap(implicit, *shell.grid_box((FRONT, -HALF, FLOOR), (REAR, HALF, CEILING), 60), chord_mm)
    if aperture is not None:
        mesh = shell.minus(mesh, shell.prism(aperture, REAR - 60, REAR + 60, ALONG_X))
    middle, normal = np.asarray(mesh.triangles_center), np.asarray(mesh.face_normals)
    colour = np.empty((len(middle), 3), np.uint8)
    colour[:] = WALL_COLOUR
    colour[normal[:, 2] < -0.7] = FLOOR_COLOUR
    colour[normal[:, 0] < -0.7] = BULKHEAD_COLOUR
    if aperture is None:
        keep = middle[:, 0] < REAR - 6
    else:  # the aperture's tool left its sides and its end
        keep = (middle[:, 0] < REAR - 61) | ~shell.within(shell.grown(aperture, 0.1), middle[:, 1:])
    faces, colour = np.asarray(mesh.faces, np.int32)[keep][:, ::-1], np.ascontiguousarray(colour[keep])
    return bodies.Body(
        np.asarray(mesh.vertices),
        faces,
        np.full(len(faces), bodies.LINING, np.uint8),
        colour,
    )


def _pillow(middle, half, radius, colour, bend=None):
    """A box with rounded edges; ``bend`` moves its points, (n, 3) to (n, 3)."""
    vertices, faces = _cushion(tuple(half), radius)
    vertices = vertices + middle
    mesh = trimesh.Trimesh(vertices if bend is None else bend(vertices), faces, process=False)
    return bodies.of_mesh(mesh, bodies.LINING, colour)


@cache
def _cushion(half, radius):
    """The same about the origin; most of them come several times."""

    def implicit(p):
        d = np.abs(p) - half
        return round_and(round_and(d[:, 0], d[:, 1], radius), d[:, 2], radius)

    size = np.array(half)
    mesh = shell.wrap(implicit, *shell.grid_box(-size, size, max(2.5 * radius, 30.0)), chord_mm=0.6)
    return np.array(mesh.vertices), np.array(mesh.faces)


def _rib(x, sign):
    """An upright rib that follows the wall and stands 35 mm out from it."""

    def bend(p):
        return p - sign * np.column_stack([np.zeros(len(p)), _wall(p[:, 2]), np.zeros(len(p))])

    tall = (CEILING - FLOOR) / 2
    return _pillow((x, sign * (HALF - 5), FLOOR + tall - 60), (45, 40, tall - 100), 14, WALL_COLOUR, bend)


def _bow(x):
    """A bow across under the ceiling."""

    def bend(p):
        return p - np.column_stack([np.zeros((len(p), 2)), 40 * (p[:, 1] / HALF) ** 2])

    return _pillow((x, 0, CEILING - 8), (30, HALF - 160, 34), 12, BOW_COLOUR, bend)


def _wheel_box(sign):
    return _pillow((3400, sign * (HALF - 100), FLOOR + 120), (430, 125, 160), 60, BOX_COLOUR)


def _rail(sign, z):
    """A lashing rail along the wall, on the ribs."""
    inset = HALF - 45 - _wall(np.array([float(z)]))[0]
    return _pillow(((FRONT + REAR) / 2, sign * (inset - 8), z), ((REAR - FRONT) / 2 - 120, 12, 30), 6, RAIL_COLOUR)


def _ridge(y):
    return _pillow(((FRONT + REAR) / 2, y, FLOOR), ((REAR - FRONT) / 2 - 80, 22, 7), 6, FLOOR_COLOUR)


def _lashing(x, sign):
    """A lashing eye: a ring of 10 mm rod that stands on the floor."""
    eye = trimesh.creation.torus(major_radius=26, minor_radius=5, major_sections=32, minor_sections=12)
    eye.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0.15, 0]))
    return bodies.of_mesh(eye.apply_translation([x, sign * 640.0, FLOOR + 24]), bodies.CHROME)

"""The Ahmed body, a published reference shape of vehicle aerodynamics, as a mesh.

Source: S. Ahmed, G. Ramm, G. Faltin, SAE paper 840300 (1984). The front's four edges are quarter cylinders; where two
of them meet they are mitred, a choice of ours: the paper's drawing was not seen.
"""

import numpy as np
import trimesh

import bodies
import shell

LENGTH, WIDTH, HEIGHT, CLEARANCE, RADIUS, SLANT = 1044.0, 389.0, 288.0, 50.0, 100.0, 222.0
LEG_DIAMETER, LEG_Y, LEGS_X = 30.0, 163.5, (202.0, 672.0)  # legs' distances from the middle and behind the nose
ARC = 48  # edges of a quarter circle: chord error 0.013 mm


def ahmed_body(slant_deg: float = 25.0) -> bodies.Body:
    """The body on its legs, painted; X = 0 at the front legs, so its nose is at X = -202 mm."""
    fall = SLANT * np.array([np.cos(np.radians(slant_deg)), np.sin(np.radians(slant_deg))])
    low, high = CLEARANCE, CLEARANCE + HEIGHT
    side = np.vstack(
        [
            _arc((RADIUS, high - RADIUS), 90),
            _arc((RADIUS, low + RADIUS), 180),
            [(LENGTH, low), (LENGTH, high - fall[1]), (LENGTH - fall[0], high)],
        ]
    )
    half = WIDTH / 2
    plan = np.vstack(
        [_arc((RADIUS, half - RADIUS), 90), _arc((RADIUS, RADIUS - half), 180), [(LENGTH, -half), (LENGTH, half)]]
    )
    along_y = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
    hull = shell.meet(shell.prism(side, -half - 1, half + 1, along_y), shell.prism(plan, low - 1, high + 1))
    legs = [
        trimesh.creation.cylinder(radius=LEG_DIAMETER / 2, segment=[(x, y, 0), (x, y, low + 20)], sections=64)
        for x in LEGS_X
        for y in (-LEG_Y, LEG_Y)
    ]
    body = bodies.join([bodies.of_mesh(hull, bodies.PAINT), *(bodies.of_mesh(leg, bodies.TRIM) for leg in legs)])
    sizes = {"length": LENGTH, "width": WIDTH, "height": high, "wheelbase": LEGS_X[1] - LEGS_X[0]}
    moved = body.vertices_mm - [LEGS_X[0], 0, 0]
    return bodies.Body(moved, body.faces, body.material, body.colour, sizes)


def _arc(centre, start_deg):
    """A quarter circle turned anticlockwise from ``start_deg``."""
    angle = np.radians(np.linspace(start_deg, start_deg + 90, ARC + 1))
    return np.asarray(centre) + RADIUS * np.column_stack([np.cos(angle), np.sin(angle)])

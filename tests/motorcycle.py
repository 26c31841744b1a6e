"""A plain motorcycle for tests, drawn in the design grid: X rearward, Y to the right, Z up, ground at Z = 0.

What hides a motorcycle's wheels is there, since a wheel has to be told from it: fork, swing arm, brake discs on both
sides, and a silencer on the right side only.
"""

import numpy as np
import trimesh

import bodies

WHEELBASE = 1430.0
RADIUS = {"front": 300.0, "rear": 315.0}
TYRE_WIDTH = {"front": 119.0, "rear": 209.0}
CENTRE = {"front": (0.0, 0.0, RADIUS["front"]), "rear": (WHEELBASE, 0.0, RADIUS["rear"])}


def wheel(name):
    """Tyre, rim and hub of the ``front`` or ``rear`` wheel about the middle plane, a closed mesh."""
    radius, half = RADIUS[name], TYRE_WIDTH[name] / 2
    tall = 0.42 * half + 22.0  # half the tyre's height
    angle = np.radians(np.linspace(-50.0, 90.0, 29))
    tyre = np.column_stack([radius - tall + tall * np.sin(angle), half * np.cos(angle)])
    seat = tyre[0, 0]
    rim = [
        (0.0, 45.0),
        (40.0, 45.0),
        (55.0, 8.0),
        (seat - 45.0, 12.0),
        (seat - 18.0, 0.62 * half),
        (seat - 2.0, 0.7 * half),
    ]
    side = np.vstack([rim, tyre])
    mesh = trimesh.creation.revolve(np.vstack([side, side[-2::-1] * [1.0, -1.0]]), sections=180)
    if mesh.volume < 0:
        mesh.invert()
    mesh.apply_transform(trimesh.transformations.rotation_matrix(-np.pi / 2, [1, 0, 0]))
    return mesh.apply_translation(CENTRE[name])


def rod(start, end, radius):
    return trimesh.creation.cylinder(radius, segment=np.array([start, end], float), sections=48)


def parts():
    """Meshes of the motorcycle: both wheels, then all that is carried by them."""
    z_front, z_rear = RADIUS["front"], RADIUS["rear"]
    found = [wheel("front"), wheel("rear")]
    for side in (-1, 1):
        found.append(rod((-15, side * 92, z_front - 40), (330, side * 92, 960), 27))  # fork
        found.append(rod((0, side * 74, z_front), (0, side * 69, z_front), 155))  # brake disc
        found.append(
            rod((WHEELBASE + 30, side * 132, z_rear), (WHEELBASE - 560, side * 132, z_rear + 70), 24)
        )  # swing arm
        found.append(rod((300, 0, 1000), (420, side * 360, 1040), 15))  # handlebar
    found.append(rod((WHEELBASE - 480, 195, 380), (WHEELBASE + 140, 195, 520), 58))  # silencer
    for low, high in (
        ((480, -170, 280), (860, 170, 640)),  # engine
        ((400, -130, 660), (900, 130, 900)),  # tank
        ((880, -110, 760), (1560, 110, 840)),  # seat
        ((250, -60, 900), (450, 60, 1010)),  # head stock
        ((180, -110, 860), (260, 110, 1040)),  # lamp
    ):
        found.append(trimesh.creation.box(bounds=[low, high]))
    return found


def motorcycle():
    """The whole motorcycle as a :class:`bodies.Body` that the simulator can scan."""
    return bodies.join([bodies.of_mesh(part, bodies.PAINT) for part in parts()])

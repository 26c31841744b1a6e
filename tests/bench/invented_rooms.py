"""Invented rooms as meshes: saloon, box bodies, cabin, bed, camper, with what stands in them."""

import numpy as np
import trimesh


def facing_in(mesh, middle):
    """A mesh whose faces are turned towards a point."""
    towards = np.einsum("ij,ij->i", middle - mesh.triangles_center, np.cross(
        mesh.triangles[:, 1] - mesh.triangles[:, 0], mesh.triangles[:, 2] - mesh.triangles[:, 0])) > 0  # fmt: skip
    faces = np.where(towards[:, None], mesh.faces, mesh.faces[:, ::-1])
    return trimesh.Trimesh(mesh.vertices, faces, process=False)


def panel(corners, middle):
    """A flat wall through its corners in order, facing a point."""
    corners = np.array(corners, float)
    faces = [[0, at, at + 1] for at in range(1, len(corners) - 1)]
    return facing_in(trimesh.Trimesh(corners, faces, process=False), np.array(middle, float))


def room(length, half, height, *, front=0.0, lean=0.0, taper=0.0, roof=True, rear=True, bulkhead=True, door=None):
    """Walls of a room: X 0 at the bulkhead, ``front``: how far the front wall slants forward at its foot; ``lean`` and
    ``taper``: how far each side wall leans in at the roof, and at the rear; ``door`` (x low, x high, z high), right."""
    m = (length / 2, 0.0, height / 2)

    def corner(x, side, z):
        y = half - lean * z / height - taper * x / length
        return (x - (front * (1 - z / height) if x == 0 else 0.0), side * y, z)

    def wall(*corners):
        parts.append(panel([corner(*at) for at in corners], m))

    parts, h = [], height
    wall((0, -1, 0), (length, -1, 0), (length, 1, 0), (0, 1, 0))
    for side in (-1, 1):
        if side == 1 and door:
            low, high, top = door
            wall((0, 1, 0), (low, 1, 0), (low, 1, h), (0, 1, h))
            wall((high, 1, 0), (length, 1, 0), (length, 1, h), (high, 1, h))
            wall((low, 1, top), (high, 1, top), (high, 1, h), (low, 1, h))
        else:
            wall((0, side, 0), (length, side, 0), (length, side, h), (0, side, h))
    if roof:
        wall((0, -1, h), (length, -1, h), (length, 1, h), (0, 1, h))
    if bulkhead:
        wall((0, -1, 0), (0, 1, 0), (0, 1, h), (0, -1, h))
    if rear:
        wall((length, -1, 0), (length, 1, 0), (length, 1, h), (length, -1, h))
    return trimesh.util.concatenate(parts)


def furnished(walls, boxes):
    """Walls with boxes that stand in the room, (low, high) each."""
    return trimesh.util.concatenate([walls, *(trimesh.creation.box(bounds=bounds) for bounds in boxes)])


def seats(rows, pitch, half, first=400.0):
    """Seats of two blocks beside an aisle: a cushion on a foot and a backrest that slants."""
    found = []
    for row in range(rows):
        for side in (-1, 1):
            x = first + pitch * row
            y = sorted([side * (half - 60), side * (half - 900)])
            found.append(((x, y[0], 380), (x + 450, y[1], 450)))
            found.append(((x + 430, y[0], 420), (x + 520, y[1], 1050)))
    return found


def pair(x, y, z):
    """Two boxes opposite each other: bounds along X, across from the middle, and up, (low, high) each."""
    return [
        ((x[0], min(side * y[0], side * y[1]), z[0]), (x[1], max(side * y[0], side * y[1]), z[1])) for side in (-1, 1)
    ]


def rooms():
    """Invented rooms by name, as meshes."""
    wheels = pair((1900, 2700), (640, 870), (0, 300))
    racks = pair((300, 7900), (860, 1180), (1480, 1700))
    bed = pair((500, 1150), (560, 760), (0, 230))
    lockers = [((400, -880, 1450), (2400, -560, 1800)), ((900, 560, 1450), (2900, 880, 1800))]
    stalls = [((1200, -30, 0), (3000, 30, 1300))]
    chairs = [*pair((500, 900), (150, 600), (0, 350)), *pair((850, 960), (150, 600), (350, 900))]
    return {
        "coach saloon": furnished(room(8200, 1180, 1980, lean=70, front=200), [*seats(8, 760, 1180), *racks]),
        "box body": room(6100, 1220, 2300),
        "box body, open": room(6100, 1220, 2300, rear=False),
        "cube": room(2000, 1000, 2000, rear=False),
        "van, sliding door": furnished(room(3200, 870, 1850, lean=60, door=(300, 1400, 1700), rear=False), wheels),
        "horse box, slanted front": furnished(room(3300, 860, 2250, front=700, taper=15), stalls),
        "high short box": room(1700, 800, 2100, rear=False),
        "cabin": furnished(room(1600, 700, 1150, lean=120, front=300, rear=False), chairs),
        "pickup bed": furnished(room(1550, 760, 520, roof=False), bed),
        "bay without roof": furnished(room(2600, 850, 1700, lean=40, roof=False, rear=False), wheels),
        "camper with lockers": furnished(
            room(3600, 880, 1900, lean=30), [*lockers, ((1500, 300, 0), (3000, 880, 850))]
        ),
        "lockers alone": furnished(room(3600, 880, 1900), pair((900, 1900), (560, 880), (1500, 1900))),
        "kiosk, open side": furnished(
            room(3600, 880, 1900, door=(10, 3590, 1890)),
            [((1200, -880, z), (2300, -500, z + 350)) for z in (0, 1550)],
        ),
        "low box, wide": room(1900, 1150, 900, rear=False),
    }

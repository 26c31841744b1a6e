"""Two vehicle exteriors of our own, a panel van and a compact: no vehicle that exists was the pattern.

Each is a smooth skin with cut wheel arches, sunk glazing and door gaps, and things put on it: wheels, mirrors, bumpers,
an antenna. Vehicle frame, millimetres, ground at Z = 0.
"""

from collections.abc import Sequence

import numpy as np
import trimesh

import bodies
import shell
from shapes import COMPACT, VAN, Shape
from shell import round_and, round_or

SUNK_MM = 5.0  # glazing and door gaps lie that deep below the skin
GAP_MM = 4.0
ANTENNA_MM = 6.0
DEFLECTION_MM = 8.0  # of a tyre under load: it stands on a flat

# carry (u, v, w) of an outline to the vehicle: seen along Y, X and Z
ALONG_Y = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
ALONG_X = np.array([[0.0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
ALONG_Z = np.eye(4)


def panel_van(chord_mm: float = shell.CHORD_MM) -> bodies.Body:
    """A panel van, about 5.4 x 2.0 x 2.5 m: body with exact ``dimensions_mm``."""
    return exterior(VAN, chord_mm)


def compact(chord_mm: float = shell.CHORD_MM) -> bodies.Body:
    """A compact car, about 4.0 x 1.75 x 1.5 m: body with exact ``dimensions_mm``."""
    return exterior(COMPACT, chord_mm)


def skin(shape: Shape, inset_mm: float = 0.0) -> shell.Implicit:
    """The implicit function of the painted body, its surface ``inset_mm`` further in."""
    (bonnet_a, bonnet_b), (screen_a, screen_b) = np.array(shape.bonnet), np.array(shape.windscreen)
    half = shape.width / 2

    def line(p, a, b):
        along = (b - a) / np.hypot(*(b - a))
        return -along[1] * (p[:, 0] - a[0]) + along[0] * (p[:, 2] - a[1])

    def implicit(p):
        x, y, z = p.T
        bow = (y / half) ** 2
        above = np.maximum(z - shape.belt, 0) / (shape.height - shape.belt)
        nose = shape.front + 60 * ((z - 520) / 500) ** 2 * (z < 1600) + shape.nose_sweep * bow
        bonnet = line(p, bonnet_a, bonnet_b) + 30 * bow
        bonnet = np.where(x > bonnet_b[0], (z - bonnet_b[1] + 30 * bow) * 0.96, bonnet)
        screen = line(p, screen_a, screen_b) + 70 * bow
        roof = z - shape.height + shape.roof_bow * (x - shape.roof_peak) ** 2 + 45 * bow
        cabin = round_and(screen, roof, 160)
        body = round_and(nose - x, round_or(bonnet, cabin, 60), 90)
        lean = shape.rear_lean * above**1.5 + 25 * bow + 20 * (np.minimum(z - shape.belt, 0) / 500) ** 2
        body = round_and(body, x - shape.rear + lean, 90)
        crease = 5 * np.exp(-(((z - shape.belt - 60) / 30) ** 2))
        below = np.minimum(z - shape.belt, 0) / shape.belt
        side = np.abs(y) - half + shape.tumblehome * above**1.6 + 60 * below**2 + crease
        body = round_and(body, side, 110)
        return round_and(body, shape.floor - z, 40) + inset_mm

    return implicit


def _skin_mesh(shape, inset_mm, chord_mm):
    """The skin laid out as a mesh: a box whose lid follows the side view."""
    half = shape.width / 2
    vertices, faces = shell.grid_box((shape.front, -half, 0.0), (shape.rear, half, 1.0), (70.0, 70.0, 0.04))
    knots = np.array([(shape.front, shape.bonnet[0][1] - 40), *shape.bonnet, shape.windscreen[1]])
    knots = np.vstack([knots, (shape.windscreen[1][0] + 200, shape.height - 30), (shape.rear, shape.height - 30)])
    lid = np.interp(vertices[:, 0], knots[:, 0], knots[:, 1])
    vertices[:, 2] = shape.floor + vertices[:, 2] * (lid - shape.floor)
    return shell.wrap(skin(shape, inset_mm), vertices, faces, chord_mm)


def _loops(shape):
    """Outlines of glass and of gaps as (outline, frame, low, high); low and high along the frame's third axis."""
    half = shape.width / 2
    sides = ((half - 200, half + 60), (-half - 60, -half + 200))
    glass = [(shell.loop(window, 45), ALONG_Y, *span) for window in shape.side_windows for span in sides]
    glass.append(
        (shell.loop(shape.windscreen_outline, 60), ALONG_X, shape.windscreen[0][0] - 150, shape.roof_peak - 300)
    )
    glass += [(shell.loop(window, 50), ALONG_X, shape.rear - 500, shape.rear + 50) for window in shape.rear_windows]
    gaps = [(_rounded(door), ALONG_Y, *span) for door in shape.doors for span in sides]
    gaps += [(_rounded(door), ALONG_X, shape.rear - 400, shape.rear + 50) for door in shape.rear_doors]
    gaps.append((shell.loop(shape.bonnet_outline, 50), ALONG_Z, shape.bonnet[0][1] - 250, shape.bonnet[1][1] + 10))
    return glass, gaps


def _rounded(box):
    return shell.rectangle(box[:2], box[2:], 70)


def _axles(shape):
    centre = shape.tyre_radius - DEFLECTION_MM
    return [np.array([x, 0.0, centre]) for x in (0.0, shape.wheelbase)]


def exterior(shape: Shape, chord_mm: float = shell.CHORD_MM, cuts: Sequence[trimesh.Trimesh] = ()) -> bodies.Body:
    """The whole exterior as a :class:`bodies.Body`, within ``chord_mm`` of the smooth skin it stands for.

    ``cuts``: closed meshes that are cut out of the painted skin, one after another.
    """
    painted, inner = _skin_mesh(shape, 0.0, chord_mm), _skin_mesh(shape, SUNK_MM, chord_mm)
    glass, gaps = _loops(shape)
    # the tools do not meet each other, so all are cut at once
    tools = [shell.prism(outline, low, high, frame) for outline, frame, low, high in glass + _handle_dips(shape)]
    tools += [shell.ring(outline, GAP_MM, low, high, frame) for outline, frame, low, high in gaps]
    painted = shell.minus(painted, shell.minus(trimesh.util.concatenate(tools), inner))
    arches = [_arch(shape, centre, sign) for centre in _axles(shape) for sign in (-1, 1)]
    painted = shell.minus(painted, trimesh.util.concatenate(arches))
    for cut in cuts:
        painted = shell.minus(painted, cut)
    parts = [_paint(painted, shape, glass)]
    parts += [_wheel(shape, centre, sign) for centre in _axles(shape) for sign in (-1, 1)]
    parts += [_mirror(shape, sign) for sign in (-1, 1)] + [
        _handle(shape, place, sign) for place in _handle_places(shape) for sign in (-1, 1)
    ]
    parts += [_bumper(shape, end, chord_mm) for end in ("front", "rear")] + [_antenna(shape)]
    body = bodies.join(parts)
    return bodies.Body(body.vertices_mm, body.faces, body.material, body.colour, _dimensions(shape, body, parts))


def _arch(shape, centre, sign):
    arch = trimesh.creation.cylinder(radius=shape.tyre_radius + 65, height=320 + 400, sections=96)
    arch.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    return arch.apply_translation([centre[0], sign * (shape.width / 2 - 320 + 360), centre[2] + 20])


def _paint(mesh, shape, glass):
    """The cut skin with its materials: what is sunk is glass or a dark gap, arches and underbody are trim."""
    middle = np.asarray(mesh.triangles_center)
    depth = -skin(shape)(middle)
    material = np.full(len(middle), bodies.PAINT, np.uint8)
    material[(depth > 0.5) | (middle[:, 2] < shape.floor + 25)] = bodies.TRIM
    for outline, frame, low, high in glass:
        local = (middle - frame[:3, 3]) @ frame[:3, :3]
        sunk = (depth > 0.8 * SUNK_MM) & (depth < 1.2 * SUNK_MM) & (local[:, 2] > low) & (local[:, 2] < high)
        material[sunk & shell.within(outline, local[:, :2])] = bodies.GLASS
    return bodies.Body(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32), material)


def _wheel(shape, centre, sign):
    """Tyre with a flat where it stands, dished rim hub cap."""
    radius, half, rim = shape.tyre_radius, shape.tyre_width / 2, shape.tyre_radius * 0.64
    bulge = np.linspace(0, 1, 25)  # its widest place among them
    wall = np.column_stack([rim + (radius - 22 - rim) * bulge, half * (0.86 + 0.14 * np.sin(np.pi * bulge))])
    shoulder = np.radians(np.linspace(0, 90, 8))
    crown = np.column_stack([radius - 22 + 22 * np.sin(shoulder), half * 0.86 - 22 + 22 * np.cos(shoulder)])
    outer = np.vstack(
        [[(0.0, half * 0.55)], [(rim * 0.25, half * 0.55), (rim * 0.3, half * 0.35), (rim * 0.85, half * 0.3)]]
    )
    outer = np.vstack([outer, [(rim * 0.95, half * 0.84)], wall, crown[1:]])
    line = np.vstack([outer, outer[::-1] * [1.0, -1.0]])
    mesh = trimesh.creation.revolve(line, sections=240)  # chord error 0.03 mm
    if mesh.volume < 0:
        mesh.invert()
    # the axis of revolution lies along Y; outside is where the sign points
    mesh.apply_transform(trimesh.transformations.rotation_matrix(-sign * np.pi / 2, [1, 0, 0]))
    mesh.apply_translation([centre[0], sign * (shape.width / 2 - 40 - half), centre[2]])
    mesh.vertices[:, 2] = np.maximum(mesh.vertices[:, 2], 0.0)
    from_axle = np.hypot(*(mesh.triangles_center - centre)[:, [0, 2]].T)
    body = bodies.of_mesh(mesh, bodies.RUBBER)
    body.material[from_axle < rim * 0.98] = bodies.PAINT
    body.material[from_axle < rim * 0.28] = bodies.CHROME
    colour = bodies.COLOURS[body.material]
    colour[body.material == bodies.PAINT] = (150, 152, 156)
    return bodies.Body(body.vertices_mm, body.faces, body.material, colour)


def _pillow(middle, half, radius, material):
    """A box with rounded edges."""
    middle, half = np.asarray(middle, float), np.asarray(half, float)

    def implicit(p):
        d = np.abs(p - middle) - half
        return round_and(round_and(d[:, 0], d[:, 1], radius), d[:, 2], radius)

    mesh = shell.wrap(implicit, *shell.grid_box(middle - half, middle + half, max(radius, 12.0)))
    return bodies.of_mesh(mesh, material)


def _mirror(shape, sign):
    """A mirror on an arm; the glass on its rear side."""
    (x, z), tall = shape.mirror, 0.066 * shape.height
    outside = sign * (shape.width / 2 - shape.tumblehome * ((z - shape.belt) / (shape.height - shape.belt)) ** 1.6)
    case = _pillow((x, outside + sign * 170, z), (55, 105, tall), 40, bodies.TRIM)
    arm = _pillow((x + 10, outside + sign * 50, z - tall * 0.5), (22, 70, 16), 10, bodies.TRIM)
    glass = _pillow((x + 54, outside + sign * 170, z), (4, 80, tall * 0.78), 3.5, bodies.CHROME)
    return bodies.join([case, arm, glass])


def _handle_places(shape):
    """(X, Z) of the door handles."""
    return [
        (door[2] - 150 if door[0] < 1000 else door[0] + 150, min(shape.belt + 200, door[3] - 60))
        for door in shape.doors
    ]


def _handle_dips(shape):
    half = shape.width / 2
    return [
        (shell.rectangle((x - 110, z - 32), (x + 110, z + 32), 25), ALONG_Y, *span)
        for x, z in _handle_places(shape)
        for span in ((half - 200, half + 60), (-half - 60, -half + 200))
    ]


def _handle(shape, place, sign):
    """A door handle in its dip; it does not stand out beyond the widest part of the vehicle."""
    x, z = place
    above = max(z - shape.belt, 0) / (shape.height - shape.belt)
    outside = shape.width / 2 - shape.tumblehome * above**1.6
    return _pillow((x, sign * (outside - 3), z), (90, 5, 14), 4.5, bodies.PAINT)


def _bumper(shape, end, chord_mm):
    """A bumper: the skin's lower band 20 mm further out along X and 3 mm all round."""
    sign = -1.0 if end == "front" else 1.0
    at = shape.front if end == "front" else shape.rear
    inner = at - 330 * sign
    body, low, high = skin(shape, -3.0), shape.floor + 20, shape.belt * 0.62 + 80

    def implicit(p):
        band = np.abs(p[:, 2] - (low + high) / 2) - (high - low) / 2
        return round_and(round_and(body(p - [20 * sign, 0, 0]), band, 15), sign * (inner - p[:, 0]), 10)

    half = shape.width / 2
    box = shell.grid_box((min(at, inner), -half, low), (max(at, inner), half, high), 40)
    return bodies.of_mesh(shell.wrap(implicit, *box, chord_mm), bodies.TRIM)


def _antenna(shape):
    """A rod of 6 mm with a round end that leans back over the front of the roof."""
    x, length, lean = shape.antenna
    foot = shell.project(skin(shape), np.array([[x, 0.0, shape.height]]))[0]
    rod = trimesh.creation.capsule(height=length, radius=ANTENNA_MM / 2, count=[16, 16])
    rod.apply_transform(trimesh.transformations.rotation_matrix(np.radians(lean), [0, 1, 0]))
    base = _pillow(foot + [8, 0, 6], (26, 14, 14), 8, bodies.TRIM)
    return bodies.join([base, bodies.of_mesh(rod.apply_translation(foot + [0, 0, 10]), bodies.TRIM)])


def _dimensions(shape, body, parts):
    """Exact dimensions of the mesh, as ISO 612 means them: length with bumpers, width without mirrors, height of the
    highest point. The antenna ends below the roof's crown, so the height is the same with and without it.
    """
    low, high = body.bounds_mm
    wide = max(np.abs(part.vertices_mm[:, 1]).max() for at, part in enumerate(parts) if at not in (5, 6))
    return {
        "length": high[0] - low[0],
        "width": 2 * wide,
        "height": high[2],
        "wheelbase": shape.wheelbase,
        "axles": [0.0, shape.wheelbase],
        "tyre_radius": shape.tyre_radius - DEFLECTION_MM,
        "front_overhang": -low[0],
        "antenna_diameter": ANTENNA_MM,
        "antenna_top": parts[-1].vertices_mm[:, 2].max(),
    }

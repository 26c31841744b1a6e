"""Bodies and rooms of known symmetry for the bench of registration by surfaces: triangles about the origin.

Each function of :data:`KINDS` draws a shape from a generator of random numbers. Lengths are relative; the scans scale
them. ``turns``: motions (4, 4) that map the shape onto itself or, where it repeats, nearly so: what poses may be
mistaken for each other is decided from the scans (:mod:`pair_truth`).
"""

from dataclasses import dataclass, field
from functools import cache
from itertools import combinations, permutations, product
from pathlib import Path

import numpy as np
import pymeshlab
import trimesh
from scipy.spatial.transform import Rotation

from nightbay.core import rigid


@dataclass(frozen=True)
class Shape:
    """Triangles of a shape; ``inside``: it is a room and is scanned from within."""

    name: str
    vertices: np.ndarray
    faces: np.ndarray
    inside: bool = False
    turns: list = field(default_factory=list)

    @property
    def length(self):
        """Longest edge of the bounds."""
        return float(np.ptp(self.vertices, axis=0).max())


def draw(kind, rng, meshes=()):
    """A shape of a kind, its middle at the origin; ``meshes``: files beside :data:`SAMPLES` for the kind "mesh"."""
    if kind == "mesh":
        files = [*SAMPLES, *meshes]
        return centred(of_file(files[rng.integers(len(files))]))
    makers = KINDS[kind]
    return centred(makers[rng.integers(len(makers))](rng))


def centred(shape):
    """The shape moved to the middle of its bounds; its turns move with it."""
    middle = (shape.vertices.max(axis=0) + shape.vertices.min(axis=0)) / 2
    back, there = rigid.pose(None, -middle), rigid.pose(None, middle)
    turns = [back @ turn @ there for turn in shape.turns]
    return Shape(shape.name, shape.vertices - middle, shape.faces, shape.inside, turns)


def _of(name, meshes, inside=False, turns=()):
    whole = meshes[0] if len(meshes) == 1 else trimesh.util.concatenate(meshes)
    return Shape(name, np.asarray(whole.vertices, float), np.asarray(whole.faces), inside, list(turns))


def _box(middle, size, rotation=None):
    mesh = trimesh.creation.box(extents=size)
    return mesh.apply_transform(rigid.pose(rotation, middle))


def _rod(start, end, radius, sections=24):
    return trimesh.creation.cylinder(radius, segment=[start, end], sections=sections)


def _turn(axis, degrees, at=(0.0, 0.0, 0.0)):
    """A rotation about an axis through a point."""
    rotation = Rotation.from_rotvec(np.radians(degrees) * np.asarray(axis, float)).as_matrix()
    return rigid.pose(rotation, np.asarray(at) - rotation @ np.asarray(at))


HALF_TURNS = [_turn(axis, 180) for axis in np.eye(3)]


# irregular ------------------------------------------------------------------------------------------------------------
@cache
def _ball():
    return trimesh.creation.icosphere(subdivisions=5)


def _lumpy(rng, waves, depth):
    """A sphere whose radius varies smoothly at random, stretched."""
    direction = np.asarray(_ball().vertices)
    centre = rng.normal(size=(waves, 3))
    centre /= np.linalg.norm(centre, axis=1, keepdims=True)
    width = rng.uniform(0.15, 0.6, waves)
    height = rng.normal(0, depth, waves)
    radius = 1 + (height * np.exp((direction @ centre.T - 1) / width**2)).sum(axis=1)
    return direction * np.maximum(radius, 0.2)[:, None] * rng.uniform(0.4, 1, 3)


def lumpy_body(rng):
    return _of("lumpy body", [trimesh.Trimesh(_lumpy(rng, 25, 0.2), _ball().faces, process=False)])


def boards(rng):
    count = rng.integers(5, 18)
    meshes = []
    for _ in range(count):
        size = rng.uniform(0.05, 1.0, 3) * [1, 0.6, 0.25]
        meshes.append(_box(rng.normal(0, 0.3, 3), size, Rotation.random(rng=rng).as_matrix()))
    return _of("boards", meshes)


def boxes_on_a_plate(rng):
    meshes = [_box((0, 0, 0), (2, rng.uniform(0.8, 2), 0.05))]
    for _ in range(rng.integers(5, 14)):
        turned = Rotation.from_euler("z", rng.uniform(0, 90), degrees=True).as_matrix()
        meshes.append(_box((*rng.uniform(-0.8, 0.8, 2) * [1, 0.6], 0.1), rng.uniform(0.08, 0.5, 3), turned))
    return _of("boxes on a plate", meshes)


def room_of_objects(rng):
    size = np.array([1.0, rng.uniform(0.5, 1.0), rng.uniform(0.35, 0.7)])
    meshes = [_box((0, 0, 0), size)]
    for _ in range(rng.integers(8, 25)):
        edge = rng.uniform(0.03, 0.25, 3)
        at = rng.uniform(-0.5, 0.5, 3) * size
        side = rng.integers(3)
        at[side] = (rng.choice([-0.5, 0.5]) * size[side]) * (1 - edge[side] / size[side])
        if rng.random() < 0.6:
            turned = Rotation.random(rng=rng).as_matrix() if rng.random() < 0.3 else None
            meshes.append(_box(at, edge, turned))
        elif rng.random() < 0.5:
            meshes.append(trimesh.creation.icosphere(3, edge[0] / 2).apply_translation(at))
        else:
            meshes.append(_rod(at, at + rng.normal(0, 0.15, 3), edge[0] / 4))
    return _of("room of objects", meshes, inside=True)


# smooth ---------------------------------------------------------------------------------------------------------------
def ellipsoid(rng):
    """An ellipsoid, with none to three shallow bumps."""
    bumps = int(rng.integers(0, 4))
    vertices = _lumpy(rng, bumps, 0.05)
    mesh = trimesh.Trimesh(vertices, _ball().faces, process=False)
    return _of(f"ellipsoid with {bumps} bumps", [mesh], turns=HALF_TURNS)


def panel(rng):
    """A curved panel, with none to four bumps and beads."""
    side, bumps = 140, int(rng.integers(0, 5))
    x, y = np.meshgrid(np.linspace(-1, 1, side), np.linspace(-1, 1, side), indexing="ij")
    y = y * rng.uniform(0.4, 1)
    z = -rng.uniform(0.05, 0.4) * x**2 - rng.uniform(0.02, 0.4) * y**2
    for _ in range(bumps):
        angle, width = rng.uniform(0, np.pi), rng.uniform(0.03, 0.3, 2)
        u, v = x - rng.uniform(-0.7, 0.7), y - rng.uniform(-0.5, 0.5)
        u, v = np.cos(angle) * u + np.sin(angle) * v, np.cos(angle) * v - np.sin(angle) * u
        z = z + rng.choice([-1, 1]) * rng.uniform(0.01, 0.06) * np.exp(-((u / width[0]) ** 2) - (v / width[1]) ** 2)
    rows = np.arange(side * side).reshape(side, side)
    a, b, c, d = rows[:-1, :-1].ravel(), rows[1:, :-1].ravel(), rows[1:, 1:].ravel(), rows[:-1, 1:].ravel()
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    front = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    back = front - [0, 0, rng.uniform(0.01, 0.05)]
    vertices, faces = np.concatenate([front, back]), np.concatenate([faces, faces[:, ::-1] + len(front)])
    return Shape(f"panel with {bumps} bumps", vertices, faces, False, [_turn((0, 0, 1), 180)])


# symmetric ------------------------------------------------------------------------------------------------------------
def _mirrored(meshes, axis):
    flip = np.eye(4)
    flip[axis, axis] = -1
    return meshes + [mesh.copy().apply_transform(flip) for mesh in meshes]


def mirrored(rng):
    """Random boxes and balls, mirrored once (no rotation maps it onto itself) or twice (a half turn does)."""
    meshes = [_box((0, 0, 0), rng.uniform(0.5, 1.4, 3) * [1, 0.7, 0.6])]
    for _ in range(rng.integers(2, 6)):
        at, size = rng.uniform(-0.6, 0.6, 3), rng.uniform(0.1, 0.5, 3)
        ball = rng.random() < 0.3
        meshes.append(trimesh.creation.icosphere(3, size[0] / 2).apply_translation(at) if ball else _box(at, size))
    twice = rng.random() < 0.5
    meshes = _mirrored(meshes, 1)
    if twice:
        return _of("mirrored twice", _mirrored(meshes, 0), turns=[HALF_TURNS[2]])
    return _of("mirrored", meshes)


def revolved(rng):
    """A body of revolution of 96 sides: every step of 30 degrees stands for all turns."""
    height = np.linspace(0, rng.uniform(0.6, 2), 40)
    radius = 0.5 + np.cumsum(rng.normal(0, 0.06, 40))
    line = np.column_stack([np.maximum(radius, 0.1), height])
    mesh = trimesh.creation.revolve(np.vstack([[0, 0], line, [0, height[-1]]]), sections=96)
    return _of("body of revolution", [mesh], turns=[_turn((0, 0, 1), step) for step in range(30, 360, 30)])


def tube(rng):
    """A straight tube: every step of 30 degrees about it, and its ends changed."""
    mesh = trimesh.creation.cylinder(rng.uniform(0.05, 0.25), height=2.0, sections=48)
    about = [_turn((0, 0, 1), step) for step in range(30, 360, 30)]
    return _of("tube", [mesh], turns=[*about, HALF_TURNS[0], *(HALF_TURNS[0] @ turn for turn in about)])


def frame_of_tubes(rng):
    """Tubes along the edges of a box, with some across: half turns map it onto itself where nothing else is added."""
    half, radius = rng.uniform(0.4, 1.0, 3), rng.uniform(0.03, 0.07)
    corners = np.array(list(product((-1, 1), repeat=3))) * half
    meshes = []
    for start, end in combinations(corners, 2):
        if np.count_nonzero(start != end) == 1:
            meshes.append(_rod(start, end, radius))
    extra = int(rng.integers(0, 3))
    for _ in range(extra):
        start, end = rng.permutation(corners)[:2]
        meshes.append(_rod(start * rng.uniform(0.3, 1), end, radius))
    return _of(f"frame of tubes and {extra}", meshes, turns=_box_turns(half))


def _box_turns(half):
    """Turns about the axes that map a box of these half edges onto itself, where edges are equal."""
    found = []
    for order in permutations(range(3)):
        for signs in product((-1, 1), repeat=3):
            rotation = np.zeros((3, 3))
            rotation[range(3), order] = signs
            same = np.allclose(np.abs(rotation) @ half, half)
            if np.linalg.det(rotation) > 0 and same and not np.allclose(rotation, np.eye(3)):
                found.append(rigid.pose(rotation))
    return found


def square_box(rng):
    half = np.array([0.5, 0.5, rng.uniform(0.3, 2)])
    return _of("box of square section", [_box((0, 0, 0), 2 * half)], turns=_box_turns(half))


# repeating ------------------------------------------------------------------------------------------------------------
def _shifts(step, count):
    """Shifts along x, each as it is and after a half turn about any axis."""
    shifts = [rigid.pose(None, (k * step, 0, 0)) for k in range(-count, count + 1)]
    every = [shift @ turn for shift in shifts for turn in (np.eye(4), *HALF_TURNS)]
    return [turn for turn in every if not np.allclose(turn, np.eye(4))]


def ribbed_room(rng):
    """A room with even ribs on both long walls; half of the rooms have something in them that does not repeat."""
    width, height = rng.uniform(0.35, 0.6), rng.uniform(0.3, 0.5)
    count = int(rng.integers(4, 10))
    step = 1.0 / count
    meshes = [_box((0, 0, 0), (1.0, width, height))]
    for k in range(count):
        x = (k + 0.5) * step - 0.5
        for side in (-1, 1):
            meshes.append(_box((x, side * width / 2, 0), (0.15 * step, 0.06 * width, height)))
    extra = int(rng.integers(0, 3))
    for _ in range(extra):
        at = np.array([rng.uniform(-0.45, 0.45), rng.choice([-0.4, 0.4]) * width, rng.uniform(-0.5, 0.3) * height])
        meshes.append(_box(at, rng.uniform(0.04, 0.2, 3)))
    return _of(f"ribbed room and {extra}", meshes, True, _shifts(step, count - 1))


def rack(rng):
    """A rack of even tubes between two rails; half of the racks carry something that does not repeat."""
    count = int(rng.integers(5, 12))
    step, radius = 2.0 / count, rng.uniform(0.1, 0.25) / count * 2
    high = rng.uniform(0.4, 1.0)
    meshes = [_box((0, 0, side * high / 2), (2.0, 2.5 * radius, 2.5 * radius)) for side in (-1, 1)]
    for k in range(count):
        x = (k + 0.5) * step - 1.0
        meshes.append(_rod((x, 0, -high / 2), (x, 0, high / 2), radius))
    extra = int(rng.integers(0, 3))
    for _ in range(extra):
        at = (rng.uniform(-0.9, 0.9), 0, rng.uniform(-0.4, 0.4) * high)
        meshes.append(_box(at, rng.uniform(0.1, 0.4, 3)))
    return _of(f"rack and {extra}", meshes, False, _shifts(step, count - 1))


# rooms seen from inside -----------------------------------------------------------------------------------------------
def cabin(rng):
    """A cabin: seats with leaning backs, a dashboard with a wheel, a console and shelves."""
    width, height = rng.uniform(0.45, 0.8), rng.uniform(0.4, 0.65)
    meshes = [_box((0, 0, 0), (1.0, width, height))]
    floor, rows = -height / 2, int(rng.integers(1, 4))
    seat, lean = rng.uniform(0.1, 0.16), Rotation.from_euler("y", rng.uniform(5, 25), degrees=True).as_matrix()
    for row in range(rows):
        x = -0.15 + row * 0.55 / rows
        for y in (-0.27 * width, 0.27 * width):
            meshes.append(_box((x, y, floor + 0.09), (seat, 0.36 * width, 0.08)))
            meshes.append(_box((x + 0.6 * seat, y, floor + 0.22), (0.04, 0.34 * width, 0.28), lean))
            meshes.append(_box((x + 0.75 * seat, y, floor + 0.4), (0.03, 0.14 * width, 0.07), lean))
    meshes.append(_box((-0.45, 0, floor + 0.2), (0.16, width, 0.12), lean.T))
    ring = trimesh.creation.torus(0.07, 0.008, major_sections=32, minor_sections=12)
    tilt = Rotation.from_euler("y", 65, degrees=True).as_matrix()
    meshes.append(ring.apply_transform(rigid.pose(tilt, (-0.33, -0.25 * width, floor + 0.26))))
    meshes.append(_box((-0.3, 0.02, floor + 0.05), (0.3, 0.1 * width, 0.12)))
    for _ in range(rng.integers(0, 5)):
        at = (rng.uniform(-0.4, 0.5), rng.choice([-0.5, 0.5]) * width, rng.uniform(-0.2, 0.5) * height)
        meshes.append(_box(at, rng.uniform(0.02, 0.12, 3)))
    return _of("cabin", meshes, inside=True)


def load_bay(rng):
    """A bay with uneven ribs, wheel boxes, bows under the roof, rails and a cupboard."""
    width, height = rng.uniform(0.4, 0.65), rng.uniform(0.35, 0.65)
    meshes = [_box((0, 0, 0), (1.0, width, height))]
    for side in (-1, 1):
        for x in np.sort(rng.uniform(-0.45, 0.45, rng.integers(3, 7))):
            meshes.append(_box((x, side * width / 2, 0), (0.03, 0.025, height)))
        meshes.append(_box((rng.uniform(0.1, 0.3), side * 0.45 * width, -0.4 * height), (0.28, 0.14 * width, 0.12)))
        meshes.append(_box((0, side * 0.49 * width, rng.uniform(-0.1, 0.3) * height), (0.9, 0.015, 0.02)))
    for x in rng.uniform(-0.45, 0.45, rng.integers(1, 5)):
        meshes.append(_box((x, 0, height / 2), (0.02, width, 0.025)))
    if rng.random() < 0.7:
        side = rng.choice([-1, 1])
        meshes.append(_box((rng.uniform(-0.3, 0.3), side * 0.42 * width, -0.3 * height), (0.2, 0.2 * width, 0.3)))
    return _of("load bay", meshes, inside=True)


# real meshes ----------------------------------------------------------------------------------------------------------
SAMPLES = ("bunny.obj", "bone.ply", "cow.obj", "airplane.obj", "bunny10k_textured.obj")  # in the pymeshlab wheel


@cache
def of_file(name):
    """A mesh from a file, or by its name in :data:`SAMPLES`."""
    folder = Path(pymeshlab.__file__).parent / "tests" / "sample_meshes" if name in SAMPLES else Path()
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(folder / name))
    mesh = meshes.current_mesh()
    return Shape(Path(name).stem, mesh.vertex_matrix(), mesh.face_matrix())


KINDS = {
    "irregular": (lumpy_body, boards, boxes_on_a_plate, room_of_objects),
    "smooth": (ellipsoid, panel),
    "symmetric": (mirrored, revolved, tube, frame_of_tubes, square_box),
    "repeating": (ribbed_room, rack),
    "room": (cabin, load_bay),
    "mesh": (),
}

"""A ball bar on a table: two matt spheres at a known distance, on stems, with the rod between them."""

import numpy as np
import trimesh

import bodies
import viewpoints

DIAMETER_MM = 50.0
DISTANCE_MM = 600.0
HEIGHT_MM = 120.0  # of the centres above the table
STEM_MM, ROD_MM = 5.0, 9.0  # radii
ENDS = np.array([(0.0, 0.0, HEIGHT_MM), (DISTANCE_MM, 0.0, HEIGHT_MM)])


def ball_bar(chord_mm: float) -> bodies.Body:
    """The bar on its table, Z up from the table's top; faces follow the spheres to a hundredth of ``chord_mm``."""
    radius = DIAMETER_MM / 2
    # an icosphere of n subdivisions has edges of about 1.1 r / 2^n, and chords of edge^2 / 8 r
    chords = {level: (1.1 * radius / 2**level) ** 2 / (8 * radius) for level in range(4, 8)}
    level = next((level for level, chord in chords.items() if chord < chord_mm / 100), 7)
    pieces = []
    for end in ENDS:
        # vertices on the sphere would leave the faces inside of it: half of the chord out, none on average
        ball = trimesh.creation.icosphere(level, radius + chords[level] / 2)
        ball.apply_translation(end)
        stem = trimesh.creation.cylinder(STEM_MM, HEIGHT_MM, sections=48)
        stem.apply_translation(end - [0.0, 0.0, HEIGHT_MM / 2])
        pieces += [bodies.of_mesh(ball, bodies.PAINT, (190, 190, 186)), bodies.of_mesh(stem, bodies.TRIM)]
    rod = trimesh.creation.cylinder(ROD_MM, DISTANCE_MM, sections=48)
    rod.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    rod.apply_translation([DISTANCE_MM / 2, 0.0, HEIGHT_MM])
    pieces.append(bodies.of_mesh(rod, bodies.TRIM))
    low, high = (-200.0, -220.0, -30.0), (DISTANCE_MM + 200.0, 220.0, 0.0)
    pieces.append(bodies.box(low, high, bodies.SURROUNDINGS))
    return bodies.join(pieces, {"diameter": DIAMETER_MM, "distance": DISTANCE_MM})


def views(body: bodies.Body, seed: int) -> viewpoints.Viewpoints:
    """One run along the bar, with views of each end from all round and of the rod from above."""
    rng = np.random.default_rng([seed, 15])
    aims, directions = [], []
    for x in np.linspace(0.0, DISTANCE_MM, 7):
        turns = np.radians(np.arange(0, 360, 30 if x in (0.0, DISTANCE_MM) else 90) + rng.normal(0, 6))
        for tilt in np.radians([8.0, 40.0, 70.0]):
            aims += [(x, 0.0, HEIGHT_MM)] * len(turns)
            level = np.column_stack([np.cos(turns), np.sin(turns)]) * np.cos(tilt)
            directions.append(np.column_stack([-level, np.full(len(turns), -np.sin(tilt))]))
    direction = np.concatenate(directions)
    return viewpoints.aimed(body, np.array(aims) - 700.0 * direction, direction, rng)

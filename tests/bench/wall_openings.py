"""Clear width and height of openings in invented rooms, against their construction.

    bash tests/bench/run.sh wall_openings [seeds [first seed]]

Each seed draws a room, two openings in its walls, the depth of their passages (none: the edge of a thin sheet), a bow
of the frame, the points' density and noise; of every fourth opening one edge is hidden. ``measure`` takes them from
the points, in process. The last line is one JSON object.
"""

import json
import sys
from dataclasses import dataclass

import numpy as np
import trimesh

import blockcar
import room_scenes
from nightbay.measure import room, wall_openings
from nightbay.pipeline.settings import settings

SEEDS = 40


@dataclass(frozen=True)
class Opening:
    """An opening of a wall: its clear size, the depth of its passage, 0 for the edge of a thin sheet, the edge that was
    hidden, or None; ((low, high), (low, high)) of its ``hole`` along the wall and in height, and its frame's bow."""

    width_mm: float
    height_mm: float
    depth_mm: float
    hidden: str | None
    hole: tuple
    bow_mm: float


@dataclass(frozen=True)
class Case:
    """A room as a mesh and as scanned: points (n, 3), normals, their noise; its openings by wall; its length."""

    mesh: trimesh.Trimesh
    points: np.ndarray
    normals: np.ndarray
    noise_mm: float
    openings: dict
    length_mm: float


def quad(corners):
    """A flat face through four corners, (4, 3), as a mesh."""
    return trimesh.Trimesh(np.array(corners, float), [[0, 1, 2], [0, 2, 3]], process=False)


def _wall(place, spans, hole):
    """A wall with a hole, in four pieces; ``place`` (a, b) to a point; ``spans`` and ``hole``: (low, high) each."""
    (a0, a1), (b0, b1) = spans
    (u0, u1), (v0, v1) = hole
    boxes = [((a0, u0), (b0, b1)), ((u1, a1), (b0, b1)), ((u0, u1), (b0, v0)), ((u0, u1), (v1, b1))]
    return [
        quad([place(a, b) for a, b in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))])
        for (x0, x1), (y0, y1) in boxes
        if x1 - x0 > 1 and y1 - y0 > 1
    ]


def _passage(place, outside, hole, bow_mm):
    """Faces of a passage by edge; the upright ones are bowed into the opening by ``bow_mm`` at half their height."""
    (u0, u1), (v0, v1) = hole
    heights = np.linspace(v0, v1, 49)
    bow = bow_mm * (1 - ((2 * heights - v0 - v1) / (v1 - v0)) ** 2)
    found = {}
    for name, u, sign in (("low", u0, 1), ("high", u1, -1)):
        found[name] = [
            quad([place(u + sign * p, a), place(u + sign * q, b), outside(u + sign * q, b), outside(u + sign * p, a)])
            for a, b, p, q in zip(heights, heights[1:], bow, bow[1:], strict=False)
        ]
    for name, v in (("bottom", v0), ("top", v1)):
        found[name] = [quad([place(u0, v), place(u1, v), outside(u1, v), outside(u0, v)])]
    return found


def case(seed):
    """The :class:`Case` of a seed."""
    rng = np.random.default_rng([seed, 83])
    length, half, height = rng.uniform(2200, 4200), rng.uniform(750, 1100), rng.uniform(1500, 2200)
    spacing, noise = rng.uniform(4.0, 9.0), rng.uniform(0.1, 0.2)
    parts, openings, hidden_from = [], {}, []
    for axis, kind in ((0, "rear wall"), (1, "right wall")):
        span = (-half, half) if axis == 0 else (0.0, length)
        wide = rng.uniform(0.45, 0.8) * (2 * half) if axis == 0 else rng.uniform(600, 1200)
        low = rng.uniform(span[0] + 100, span[1] - 100 - wide)
        sill = rng.choice([0.0, rng.uniform(30, 100), rng.uniform(300, 700)])
        top = rng.uniform(max(sill + 500, 0.6 * height), height - 120)
        hole = ((low, low + wide), (sill, top))
        deep, bow = rng.choice([0.0, rng.uniform(15, 60)], p=[0.3, 0.7]), rng.uniform(0, 4)
        beyond = (length, half)[axis] + deep

        def inner(u, v, axis=axis):
            return (length, u, v) if axis == 0 else (u, half, v)

        def outer(u, v, axis=axis, beyond=beyond):
            return (beyond, u, v) if axis == 0 else (u, beyond, v)

        parts += _wall(inner, (span, (0.0, height)), hole)
        faces = _passage(inner, outer, hole, bow)
        edge = rng.choice(["low", "high", "top"]) if rng.random() < 0.25 else None
        if deep:
            parts += [face for name, some in faces.items() if name != edge for face in some]
        if edge:
            hidden_from.append((axis, edge, hole))
        bow = bow if deep else 0.0
        openings[kind] = Opening(wide - 2 * bow, top - sill, float(deep), edge, hole, bow)
    corners = [(0, -half, 0), (length, -half, 0), (length, half, 0), (0, half, 0)]
    parts.append(quad(corners))
    parts.append(quad([(x, y, height) for x, y, _ in corners]))
    parts.append(quad([(0, -half, 0), (length, -half, 0), (length, -half, height), (0, -half, height)]))
    parts.append(quad([(0, -half, 0), (0, half, 0), (0, half, height), (0, -half, height)]))
    mesh = trimesh.util.concatenate(parts)
    middle = np.array([length / 2, 0, height / 2])
    points, normals = blockcar.scan(mesh, int(mesh.area / spacing**2), seed, noise)
    normals *= np.where(np.einsum("ij,ij->i", middle - points, normals) < 0, -1.0, 1.0)[:, None]
    for axis, edge, hole in hidden_from:
        points, normals = _hidden(points, normals, (length, half)[axis], axis, edge, hole, rng)
    return Case(mesh, points, normals, noise, openings, length)


def _hidden(points, normals, wall_mm, axis, edge, hole, rng):
    """The points without those round an edge: the scan ends there raggedly, 100 to 300 mm before it."""
    (u0, u1), (v0, v1) = hole
    u, v = points[:, 1 - axis], points[:, 2]
    ragged = rng.uniform(100, 200) + 60 * np.interp(
        v if edge != "top" else u, np.linspace(-3e3, 5e3, 300), rng.random(300)
    )
    near = {"low": np.abs(u - u0), "high": np.abs(u - u1), "top": np.abs(v - v1)}[edge] < ragged
    beside = (v > v0 - 50) & (v < v1 + 50) if edge != "top" else (u > u0 - 50) & (u < u1 + 50)
    gone = near & beside & (np.abs(points[:, axis] - wall_mm) < 80)
    return points[~gone], normals[~gone]


def scanned(made_of):
    """The shell of a :class:`Case`, as ``measure`` has it."""
    scan = settings({"scan": {"noise_mm": made_of.noise_mm, "target_drift_mm_per_m": 0.0}}).scan
    return room_scenes.shell(made_of.mesh, points=(made_of.points, made_of.normals), scan=scan)


def measured(seeds=SEEDS, first=0):
    """The benchmark's numbers, as the module says."""
    counts = dict.fromkeys(("sound", "stated", "hidden", "hidden_stated", "hidden_wrong", "false"), 0)
    errors = {"face": [], "sheet": []}
    for seed in range(first, first + seeds):
        made_of = case(seed)
        found = room.Room(scanned(made_of), 900.0)
        wall_openings.add(found)
        sizes = {entry.key: entry.size for entry in found.sizes}
        for kind, opening in made_of.openings.items():
            deep, edge = opening.depth_mm, opening.hidden
            for name, true in (("width", opening.width_mm), ("height", opening.height_mm)):
                size = sizes.pop(f"opening_{name}_{kind.replace(' ', '_')}_1", None)
                affected = edge is not None
                counts["hidden" if affected else "sound"] += 1
                if size is None:
                    continue
                counts["hidden_stated" if affected else "stated"] += 1
                error = size.value_mm - true
                if affected:
                    counts["hidden_wrong"] += abs(error) > size.uncertainty_mm
                else:
                    errors["face" if deep else "sheet"].append((error, size.uncertainty_mm))
                if abs(error) > size.uncertainty_mm:
                    print(
                        f"seed {seed}, {kind}, {name}: {error:+.2f} mm, U {size.uncertainty_mm:.2f}, depth {deep:.0f}, "
                        f"hidden {edge}, {size.budget_mm}", flush=True,
                    )  # fmt: skip
        counts["false"] += len(sizes)
    made = {f"openings_{name}": int(value) for name, value in counts.items()}
    for name, rows in errors.items():
        error, uncertainty = np.abs(np.array(rows)).T
        made[f"openings_{name}"] = len(rows)
        made[f"openings_{name}_median_mm"] = float(np.median(error))
        made[f"openings_{name}_bias_mm"] = float(np.median([row[0] for row in rows]))
        made[f"openings_{name}_u_median_mm"] = float(np.median(uncertainty))
        made[f"openings_{name}_coverage"] = float(np.mean(error <= uncertainty))
        made[f"openings_{name}_far"] = int(np.count_nonzero(error > 2 * uncertainty))
    return made


def main(arguments):
    """Print the numbers as one JSON object on the last line."""
    print(json.dumps(measured(*map(int, arguments))))


if __name__ == "__main__":
    main(sys.argv[1:])

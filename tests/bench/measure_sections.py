"""Sections of a large surface: Nightbay against trimesh, the same planes through the same faces.

    bash tests/bench/run.sh measure_sections [--faces 10000000] [--seed 1] [--shuffled]

A closed bumpy body of the size of a car is cut by 100 planes: 40 stations across X, 20 planes each across Y and Z, a
pitch apart, and 20 planes of any direction. Both sides get the faces and vertices as arrays in memory, each in a
process of its own; counted is the CPU time of the sections alone (``process_time``), after one warm-up on a few faces,
and the peak memory of the process (wait4). trimesh has one call for parallel planes, ``mesh_multiplane``, and
``mesh_plane`` for the others; it leaves loose segments, because it joins them by networkx, which is not among
Nightbay's libraries. So its time is without joining; ours includes oriented and joined polylines. ``--shuffled`` puts
the faces into random order, which no stage of Nightbay leaves.

The total length of each plane's section must agree to 1e-6 of it; the largest difference is printed.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

PARALLEL = {0: 40, 1: 20, 2: 20}  # planes by axis
OBLIQUE = 20


def bumpy_body(faces, seed, shuffled=False):
    """Vertices (n, 3) float32 mm and faces (m, 3) int32 of a closed body with waves of some millimetres."""
    rng = np.random.default_rng(seed)
    columns = int(np.sqrt(faces / 2 * 1.6))
    rows = int(faces / 2 / columns)
    turn = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    tilt = np.linspace(0, np.pi, rows + 2)[1:-1, None]
    waves = sum(
        3.0 * np.sin(k * turn + phase) * np.sin(j * tilt + other)
        for k, j, phase, other in zip(
            rng.integers(3, 60, 6), rng.integers(3, 60, 6), *rng.uniform(0, 6.3, (2, 6)), strict=True
        )
    )
    size = np.array([2100.0, 900.0, 750.0])
    unit = np.stack(np.broadcast_arrays(np.cos(tilt), np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn)), -1)
    grid = unit * (size + waves[..., None])
    ends = np.array([[size[0], 0, 0], [-size[0], 0, 0]])
    vertices = np.concatenate([grid.reshape(-1, 3), ends]).astype(np.float32)
    number = np.arange(rows * columns, dtype=np.int32).reshape(rows, columns)
    a, b, c, d = number[:-1], np.roll(number[:-1], -1, 1), np.roll(number[1:], -1, 1), number[1:]
    walls = np.stack([np.stack([a, d, c], -1), np.stack([a, c, b], -1)], 2).reshape(-1, 3)
    first, last = number[0], number[-1]
    caps = [
        np.stack([np.full_like(first, rows * columns), first, np.roll(first, -1)], -1),
        np.stack([np.full_like(last, rows * columns + 1), np.roll(last, -1), last], -1),
    ]
    triangles = np.concatenate([caps[0], walls, caps[1]]).astype(np.int32)
    return vertices, rng.permutation(triangles) if shuffled else triangles


def normals_and_points(seed):
    """Groups of parallel planes: a normal (3,) and points (k, 3) on the planes of the group."""
    rng = np.random.default_rng(seed + 1000)
    groups = []
    for axis, count in PARALLEL.items():
        normal = np.eye(3)[axis]
        values = np.linspace(-0.95, 0.95, count) * (2100.0, 900.0, 750.0)[axis]
        groups.append((normal, values[:, None] * normal))
    for _ in range(OBLIQUE):
        normal = rng.normal(size=3)
        groups.append((normal / np.linalg.norm(normal), rng.uniform(-300, 300, (1, 3))))
    return groups


def cut_by_nightbay(vertices, faces, groups):
    """Length of each section, mm."""
    from nightbay.meshes.surface import Surface
    from nightbay.sections import cutting, plane

    planes = [plane.oblique_plane("", point, normal) for normal, points in groups for point in points]
    found = cutting.through(Surface(vertices, faces), planes)
    return [
        sum(float(np.linalg.norm(np.diff(line.points_mm, axis=0), axis=1).sum()) for line in lines)
        for _, lines in found
    ]


def cut_by_trimesh(mesh, groups):
    """Length of each section, mm."""
    import trimesh

    lengths = []
    for normal, points in groups:
        if len(points) == 1:
            segments = [trimesh.intersections.mesh_plane(mesh, normal, points[0])]
        else:
            heights = (points - points[0]) @ normal
            segments, _, _ = trimesh.intersections.mesh_multiplane(mesh, points[0], normal, heights)
        lengths += [float(np.linalg.norm(line[:, 1] - line[:, 0], axis=1).sum()) for line in segments]
    return lengths


def make_body(folder, faces, seed, shuffled):
    """Write the body's arrays, in a process of its own: the kernel counts a parent's memory as its child's."""
    vertices, triangles = bumpy_body(faces, seed, shuffled)
    np.save(folder / "vertices.npy", vertices)
    np.save(folder / "faces.npy", triangles)


def run_side(side, folder, seed):
    """Cut in this process, after a warm-up; write lengths and CPU seconds."""
    small_vertices, small_faces = bumpy_body(2000, 0)
    vertices, faces = np.load(folder / "vertices.npy"), np.load(folder / "faces.npy")
    groups, count = normals_and_points(seed), len(faces)
    if side == "nightbay":
        cut_by_nightbay(small_vertices, small_faces, groups)
        since = time.process_time()
        lengths = cut_by_nightbay(vertices, faces, groups)
    else:
        import trimesh

        cut_by_trimesh(trimesh.Trimesh(small_vertices, small_faces, process=False), groups)
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        del vertices, faces
        since = time.process_time()
        lengths = cut_by_trimesh(mesh, groups)
    found = {"cpu_s": time.process_time() - since, "lengths": lengths, "faces": count}
    (folder / f"{side}.json").write_text(json.dumps(found))


def child(step, folder, faces, seed, shuffled):
    """Run a step in a process of its own: its peak memory, GB."""
    words = [sys.executable, __file__, "--child", step, "--folder", folder, "--faces", faces, "--seed", seed]
    process = subprocess.Popen([str(word) for word in words] + ["--shuffled"] * shuffled, stdout=sys.stderr)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{step} ended with {process.returncode}")
    return used.ru_maxrss / 2**20


def measured(faces=10_000_000, seed=1, shuffled=False):
    """The figures of one run of both sides."""
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        peak_gb = {step: child(step, folder, faces, seed, shuffled) for step in ("make", "nightbay", "trimesh")}
        ours, theirs = (json.loads((folder / f"{side}.json").read_text()) for side in ("nightbay", "trimesh"))
    a, b = np.array(ours["lengths"]), np.array(theirs["lengths"])
    off = np.abs(a - b) / np.maximum(b, 1e-9)
    if off.max() > 1e-6:
        raise SystemExit(f"lengths differ by {off.max():.3g} of plane {int(off.argmax())}")
    return {
        "section_faces": ours["faces"],
        "section_planes": len(a),
        "section_cpu_ratio": theirs["cpu_s"] / ours["cpu_s"],
        "section_cpu_s": ours["cpu_s"],
        "section_trimesh_cpu_s": theirs["cpu_s"],
        "section_peak_gb": peak_gb["nightbay"],
        "section_trimesh_peak_gb": peak_gb["trimesh"],
        "section_length_difference": float(off.max()),
    }


def main():
    """The command line; the last line printed is one JSON object."""
    parser = argparse.ArgumentParser(description="Sections of a large surface: Nightbay against trimesh.")
    parser.add_argument("--faces", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shuffled", action="store_true", help="faces in random order")
    parser.add_argument("--child", choices=["make", "nightbay", "trimesh"], help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child == "make":
        make_body(options.folder, options.faces, options.seed, options.shuffled)
        return
    if options.child:
        run_side(options.child, options.folder, options.seed)
        return
    found = measured(options.faces, options.seed, options.shuffled)
    print(json.dumps({key: float(f"{value:.5g}") for key, value in found.items()}))


if __name__ == "__main__":
    main()

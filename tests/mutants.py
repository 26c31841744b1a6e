"""Damaged files: sound exports, target lists and job sheets, and seeded mutations of them.

A mutation is a function of the content and a random generator; what it makes is as damaged, or as hostile, as files
that people send. Which mutations a format can always notice is said beside the format.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import laspy
import numpy as np

import e57_files
from raw_exports import write_ply

COUNT = 1500
WORDS = (
    *("-1", "0", "1", "9" * 24, "9" * 5000, "1e160", "-1e308", "1e999", "nan", "-inf", "1_000", "\u0661\u0662", "0x10"),
    *("", " ", ",", ";", "\t", '"', "#", "//", "\0", "\x1b[31m", "\u202e", "\ufeff", "\r", "\n", "\ud7ff", "x", "ply"),
    *("list", "uchar", "property float x", "element vertex 4294967295", "element face 10", "end_header", "null", "{}"),
    *("[", "&a", "*a", "!!str", "~", "true", "mm", "/etc/hostname", "../x", "a" * 300),
)
NUMBERS = (0, 1, 2, 255, 65535, 2**31 - 1, 2**31, 2**32 - 1, 2**63 - 1, 2**63, 2**64 - 1)


@dataclass(frozen=True)
class Sample:
    """A sound file: its ``name`` and ``content``; ``counted``: a piece that is missing at its end can be noticed, since
    the file says how long it is; ``summed``: any changed byte can be noticed, by checksums."""

    name: str
    content: bytes
    counted: bool = False
    summed: bool = False


def panel(count: int = COUNT) -> tuple[np.ndarray, np.ndarray]:
    """Points of a panel as large as the side of a van, and their normals, (n, 3) each, mm."""
    rng = np.random.default_rng(7)
    u, v = rng.uniform(-2000, 2000, count), rng.uniform(-0.7, 0.7, count)
    normal = np.column_stack([np.zeros(count), np.cos(v), np.sin(v)])
    return np.column_stack([u, 1100 * normal[:, 1], 1100 * normal[:, 2]]), normal


def grid(rows: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) of a panel and its quadrangles (m, 4)."""
    u, v = np.meshgrid(np.linspace(-2000, 2000, rows), np.linspace(-0.7, 0.7, rows), indexing="ij")
    rng = np.random.default_rng(8)
    xyz = np.column_stack([u.ravel(), 1100 * np.cos(v.ravel()), 1100 * np.sin(v.ravel())]) + rng.normal(
        0, 0.3, (rows * rows, 3)
    )
    number = np.arange(rows * rows).reshape(rows, rows)
    return xyz, np.stack([number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]], -1).reshape(-1, 4)


def exports(folder: Path) -> list[Sample]:
    """A sound export of every format that is read, in each of its kinds; ``folder`` is used to make them."""
    xyz, normal = panel()
    colour = np.random.default_rng(9).integers(0, 256, xyz.shape).astype(np.uint8)
    samples = []

    def take(name: str, **marks: bool) -> None:
        samples.append(Sample(name, (folder / name).read_bytes(), **marks))
        (folder / name).unlink()

    for name, order, kind in (("little.ply", "<", "f4"), ("big.ply", ">", "f8"), ("ascii.ply", "ascii", "f4")):
        write_ply(folder / name, order, kind, xyz, normal, colour)
        take(name, counted=order != "ascii")
    _mesh_files(folder)
    for name in ("quads.ply", "ascii-quads.ply", "triangles.obj", "triangles.stl", "text.stl"):
        take(name, counted=name in ("quads.ply", "triangles.stl"))
    for name, point_format, version in (
        ("old.las", 3, "1.2"),
        ("new.las", 7, "1.4"),
        ("old.laz", 2, "1.2"),
        ("new.laz", 7, "1.4"),
    ):
        _write_las(folder / name, xyz, normal, colour, point_format, version)
        take(name, counted=True)
    e57_files.write(folder / "real.e57", e57_files.places(xyz, e57_files.real(True)))
    take("real.e57", counted=True, summed=True)
    fields = e57_files.places(xyz, e57_files.scaled(0.01))
    for at, shade in enumerate(("Red", "Green", "Blue")):
        fields[f"color{shade}"] = (e57_files.whole(255), colour[:, at].astype(np.int64))
    e57_files.write(folder / "scaled.e57", fields, limits=255)
    take("scaled.e57", counted=True, summed=True)
    np.savetxt(folder / "plain.xyz", np.column_stack([xyz, normal]), "%.3f")
    take("plain.xyz")
    np.savetxt(folder / "named.csv", np.column_stack([xyz, colour]), "%.3f", ",", header="x,y,z,r,g,b", comments="")
    take("named.csv")
    order = np.argsort(xyz[:, 0])
    timed = np.column_stack([xyz[order], normal[order], np.arange(len(xyz)) / 100])
    np.savetxt(folder / "timed.asc", timed, "%.4f", ";", header="x;y;z;nx;ny;nz;time", comments="")
    take("timed.asc")
    return samples


def _mesh_files(folder: Path) -> None:
    xyz, quads = grid()
    triangles = np.concatenate([quads[:, :3], quads[:, [0, 2, 3]]])
    head = f"element vertex {len(xyz)}\n" + "".join(f"property float {axis}\n" for axis in "xyz")
    head += f"element face {len(quads)}\nproperty uchar mark\nproperty list uchar int vertex_indices\nend_header\n"
    rows = np.zeros(len(quads), [("mark", "u1"), ("count", "u1"), ("items", "<i4", 4)])
    rows["count"], rows["items"] = 4, quads
    binary = xyz.astype("<f4").tobytes() + rows.tobytes()
    (folder / "quads.ply").write_bytes(b"ply\nformat binary_little_endian 1.0\n" + head.encode() + binary)
    points = [" ".join(f"{value:.3f}" for value in row) for row in xyz]
    lines = points + [f"0 4 {' '.join(map(str, row))}" for row in quads.tolist()]
    (folder / "ascii-quads.ply").write_text("ply\nformat ascii 1.0\n" + head + "\n".join(lines) + "\n")
    faces = [f"f {a + 1}//1 {b + 1} {c + 1 - len(xyz) - 1}" for a, b, c in triangles.tolist()]
    (folder / "triangles.obj").write_text("\n".join([*(f"v {point}" for point in points), *faces]) + "\n")
    record = np.zeros(len(triangles), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    record["corners"] = xyz[triangles]
    (folder / "triangles.stl").write_bytes(b" " * 80 + np.uint32(len(triangles)).tobytes() + record.tobytes())
    facets = [
        "facet normal 0 0 0\nouter loop\n" + "".join(f"vertex {points[at]}\n" for at in row) + "endloop\nendfacet"
        for row in triangles.tolist()
    ]
    (folder / "text.stl").write_text("solid panel\n" + "\n".join(facets) + "\nendsolid panel\n")


def _write_las(path, xyz, normal, colour, point_format, version):
    las = laspy.LasData(laspy.LasHeader(point_format=point_format, version=version))
    las.header.scales = np.full(3, 0.01)
    if version == "1.4":
        las.add_extra_dims([laspy.ExtraBytesParams(f"Normal{axis}", "f4") for axis in "XYZ"])
        for at, axis in enumerate("XYZ"):
            las[f"Normal{axis}"] = normal[:, at].astype(np.float32)
    las.x, las.y, las.z = xyz.T
    las.red, las.green, las.blue = colour.T.astype(np.uint16) * 257
    las.write(path)


def target_lists() -> list[Sample]:
    """Sound lists of targets: with ids in a header, in quotes and semicolons, and of nothing but coordinates."""
    xyz, normal = panel(40)
    rows = [[f"{value:.3f}" for value in row] for row in np.column_stack([xyz, normal])]
    named = "id,x,y,z,nx,ny,nz,diameter\n" + "".join(f"T{at},{','.join(row)},6\n" for at, row in enumerate(rows))
    quoted = "# targets\nname;x_mm;y_mm;z_mm\n" + "".join(
        f'"T;{at}";{";".join(row[:3])}\n' for at, row in enumerate(rows)
    )
    plain = f"{len(rows)}\n" + "".join(" ".join(row[:3]) + "\n" for row in rows)
    return [
        Sample("ids.csv", named.encode()),
        Sample("quoted.csv", quoted.encode()),
        Sample("plain.txt", plain.encode(), counted=True),
    ]


SHEET = """vehicle_class: van
units: mm
title: Van, white
note: |
  first
  second
identity: {reference: A 17, scanned_on: 2026-11-25, vin: ABCDEFGH123456789, show_vehicle: shop}
nominal_mm: {length: 5000, width: 2000, height: 2100}
state: {load: empty, tyre_pressure_kpa: {front: 300, rear: 320.5}, temperature_c: 19}
scale_bars:
  - {from: 1, to: T2, length_mm: 1000.02, sd_mm: 0.01, expansion_per_k: 1.0e-6}
parts:
  exterior:
    control_survey: {file: raw/control.csv, columns: [id, x, y, z]}
    segments:
      left: raw/left.ply
      right: {file: raw/right.xyz, units: cm, columns: [x, y, z], targets: null}
    axes: {forward: +x, up: +z}
    point_pairs:
      - segments: [left, right]
        points: [[[0, 0, 0], [0, 0, 0]], [[1000, 0, 0], [100, 0, 0]], [[0, 900, 0], [0, 90, 0]]]
        sd_mm: 1
  interior:
    segments: {cabin: raw/cabin.e57}
    unplaced: leave_out
join: {by: surfaces, combined: true}
parameters: {reduce: {levels: {fine: {deviation_mm: 0.1}, light: {faces: 100000}}}}
"""


def cut(content: bytes, rng: random.Random) -> bytes:
    """The content without a piece at its end."""
    return content[: rng.randrange(len(content))]


def flip(content: bytes, rng: random.Random) -> bytes:
    """A few bytes changed."""
    changed = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 8))):
        changed[_place(content, rng)] ^= rng.randrange(1, 256)
    return bytes(changed)


def overwrite(content: bytes, rng: random.Random) -> bytes:
    """A whole number replaced by an extreme one, of any width and byte order."""
    width = rng.choice((1, 2, 4, 8))
    number = (rng.choice(NUMBERS) % 256**width).to_bytes(width, rng.choice(("little", "big")))
    at = _place(content, rng)
    return content[:at] + number + content[at + width :]


def insert(content: bytes, rng: random.Random) -> bytes:
    """Random bytes put in."""
    at = _place(content, rng)
    return content[:at] + rng.randbytes(rng.choice((1, 2, 100, 5000))) + content[at:]


def remove(content: bytes, rng: random.Random) -> bytes:
    """A piece removed."""
    at = _place(content, rng)
    return content[:at] + content[at + rng.choice((1, 2, 4, 100, 3000)) :]


def repeat(content: bytes, rng: random.Random) -> bytes:
    """A piece repeated."""
    at, length = _place(content, rng), rng.choice((1, 20, 1000))
    return content[: at + length] + content[at:]


def word(content: bytes, rng: random.Random) -> bytes:
    """A word replaced by a strange one, as a rule among the first lines."""
    words = content.split(b" ") if rng.random() < 0.3 else content.split(b"\n")
    row = rng.randrange(min(len(words), rng.choice((12, 40, len(words)))))
    parts = words[row].replace(b",", b" , ").split(b" ") if rng.random() < 0.8 else [words[row]]
    parts[rng.randrange(len(parts))] = rng.choice(WORDS).encode("utf-8", "surrogatepass")
    separator = b" " if b" " in words[row] or len(words) == 1 else b"\n"
    words[row] = b" ".join(parts)
    return (b"\n" if separator == b"\n" or b"\n" in content[:200] else separator).join(words)


def lines(content: bytes, rng: random.Random) -> bytes:
    """A line removed, repeated, or exchanged with another."""
    rows = content.split(b"\n")
    a, b = rng.randrange(min(len(rows), 40)), rng.randrange(len(rows))
    match rng.randrange(3):
        case 0:
            del rows[a]
        case 1:
            rows.insert(b, rows[a])
        case 2:
            rows[a], rows[b] = rows[b], rows[a]
    return b"\n".join(rows)


def same(content: bytes, rng: random.Random) -> bytes:
    """All rows like one of few: points in one, two or eight spots."""
    rows = content.split(b"\n")
    start = min(20, len(rows) // 2)
    chosen = [rng.choice(rows[start:]) for _ in range(rng.choice((1, 2, 8)))]
    return b"\n".join(rows[:start] + [rng.choice(chosen) for _ in rows[start:]])


Mutation = Callable[[bytes, random.Random], bytes]
MUTATIONS: tuple[Mutation, ...] = (cut, flip, overwrite, insert, remove, repeat, word, lines, same)


def _place(content: bytes, rng: random.Random) -> int:
    """A place in the content, half of the time among its first 500 bytes, where headers are."""
    return rng.randrange(min(len(content), rng.choice((500, len(content)))) or 1)


@dataclass(frozen=True)
class Mutant:
    """A damaged file; ``noticeable``: its format shows the damage, so it must be refused."""

    name: str
    content: bytes
    noticeable: bool


def mutant(sample: Sample, seed: int) -> Mutant:
    """The mutant of a sample that a seed stands for."""
    rng = random.Random(f"{sample.name} {seed}")
    mutation = rng.choice(MUTATIONS)
    content = mutation(sample.content, rng)
    others = []
    for _ in range(rng.choice((0, 0, 0, 1, 2))):
        others.append(rng.choice(MUTATIONS))
        content = others[-1](content, rng) if content else content
    shorter = sample.counted and mutation is cut and not others
    changed = sample.summed and content != sample.content and mutation in (cut, flip, overwrite) and not others
    return Mutant(sample.name, content, shorter or changed)

"""Files of the join: the interior in the exterior's vehicle frame, both as one model, sections through both."""

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from nightbay.core import rigid
from nightbay.core.hashing import sha256
from nightbay.join.result import JoinedFile
from nightbay.meshes import surface
from nightbay.meshes.surface import Surface
from nightbay.sections import cutting
from nightbay.sections.cutting import Outline
from nightbay.sections.plane import AxisPlane
from nightbay.sections.reduction import simplify

INTERIOR_FILE, COMBINED_FILE, THICKNESS_FILE = "interior-in-vehicle-frame.ply", "combined.ply", "thickness.csv"
LOAD_FILE = "load-sizes.csv"
OUTLINE_MM = 0.5  # a quarter of the surface grid: invisible in a drawing
DECIMALS = 3


def write_interior(folder: Path, interior: Surface, T_vehicle_interior: np.ndarray, frame: str) -> JoinedFile:
    """Write the interior's full surface in the exterior's vehicle frame, block by block."""
    names = ("xyz", *interior.vertex)
    blocks = _vertices(interior, T_vehicle_interior, names)
    vertex = surface.Rows(names, len(interior.vertices_mm), blocks)
    face = surface.Rows.of({"vertex_indices": interior.faces} | interior.face)
    surface.stream_ply(folder / INTERIOR_FILE, vertex, face, ["units mm", f"frame {frame}", "part interior"])
    return JoinedFile(INTERIOR_FILE, "interior", frame, len(interior.faces))


def write_combined(
    folder: Path, exterior: Surface, interior: Surface, T_vehicle_interior: np.ndarray, frame: str
) -> JoinedFile:
    """Write both full surfaces as one file; the attribute ``interior`` of its faces is 1 for the interior's."""
    shared = [name for name in exterior.vertex if name in interior.vertex]
    names = ("xyz", *shared)
    count = len(exterior.vertices_mm)
    vertex = surface.Rows(
        names,
        count + len(interior.vertices_mm),
        _chain(_vertices(exterior, None, names), _vertices(interior, T_vehicle_interior, names)),
    )
    face_names = ("vertex_indices", *(name for name in exterior.face if name in interior.face), "interior")
    faces = len(exterior.faces) + len(interior.faces)
    both = _chain(_faces(exterior, 0, 0, face_names), _faces(interior, count, 1, face_names))
    face = surface.Rows(face_names, faces, both)
    surface.stream_ply(folder / COMBINED_FILE, vertex, face, ["units mm", f"frame {frame}", "parts exterior, interior"])
    return JoinedFile(COMBINED_FILE, "exterior and interior", frame, faces)


def _chain(first: Iterator, second: Iterator) -> Iterator:
    yield from first
    yield from second


def _vertices(
    part: Surface, T_vehicle_part: np.ndarray | None, names: Sequence[str]
) -> Iterator[Mapping[str, np.ndarray]]:
    columns = {"xyz": part.vertices_mm} | {name: part.vertex[name] for name in names[1:]}
    for rows in surface.spans(len(part.vertices_mm)):
        some = surface.block(columns, rows)
        if T_vehicle_part is not None:
            some["xyz"] = rigid.transform(T_vehicle_part, some["xyz"]).astype(np.float32)
        yield some


def _faces(part: Surface, first: int, interior: int, names: Sequence[str]) -> Iterator[Mapping[str, np.ndarray]]:
    columns = {"vertex_indices": part.faces} | {name: part.face[name] for name in names[1:-1]}
    for rows in surface.spans(len(part.faces)):
        some = surface.block(columns, rows)
        some["vertex_indices"] = some["vertex_indices"] + np.int32(first)
        some["interior"] = np.full(len(some["vertex_indices"]), interior, np.uint8)
        yield some


def write_sections(
    folder: Path,
    exterior: Surface,
    interior: Surface,
    T_vehicle_interior: np.ndarray,
    planes: Sequence[AxisPlane],
) -> None:
    """Write ``sections.json``: for each plane the polylines of both parts, as the stage measure has them."""
    outer = Surface(exterior.vertices_mm[:], exterior.faces, {}, exterior.face)
    moved = rigid.transform(T_vehicle_interior, interior.vertices_mm[:]).astype(np.float32)
    inner = Surface(moved, interior.faces, {}, interior.face)
    found = [
        {
            "name": plane.name,
            "axis": plane.axis,
            "value_mm": round(plane.value_mm, DECIMALS),
            "exterior": _polylines(of_outer),
            "interior": _polylines(of_inner),
        }
        for (plane, of_outer), (_, of_inner) in zip(
            cutting.through(outer, planes), cutting.through(inner, planes), strict=True
        )
    ]
    text = json.dumps({"sections": found}, sort_keys=True)
    (folder / "sections.json").write_text(text + "\n", encoding="utf-8")


def _polylines(outlines: Sequence[Outline]) -> list[dict]:
    return [
        {
            "filled": line.filled,
            "points_mm": np.round(simplify(line.points_mm, OUTLINE_MM), DECIMALS).tolist(),
        }
        for line in outlines
    ]


def write_sums(folder: Path, files: Sequence[str]) -> None:
    """Write ``SHA256SUMS`` of the files."""
    lines = [f"{sha256(folder / name)}  {name}\n" for name in sorted(files)]
    (folder / "SHA256SUMS").write_text("".join(lines), encoding="utf-8")

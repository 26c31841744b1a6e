"""Reads points from PLY, ascii or binary of either byte order; faces of a mesh give its points their normals."""

import itertools
import os
import warnings
from dataclasses import dataclass

import numpy as np
import plyfile

from nightbay.core.errors import Rejected
from nightbay.readers import mesh
from nightbay.readers.block import MOST, Block, colour_of, single_step

TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
COLOURS = (("red", "green", "blue"), ("r", "g", "b"), ("diffuse_red", "diffuse_green", "diffuse_blue"))
NORMALS = (("nx", "ny", "nz"), ("normal_x", "normal_y", "normal_z"))


@dataclass(frozen=True)
class Element:
    """One element of the header: ``properties`` as (name, type, type of the count or None)."""

    name: str
    count: int
    properties: list

    @property
    def has_list(self):
        return any(length is not None for _, _, length in self.properties)

    def dtype(self, order):
        return np.dtype([(name, order + kind) for name, kind, _ in self.properties])


@dataclass(frozen=True)
class Header:
    """``order``: '<', '>' or 'ascii'; ``offset``: bytes of the header; ``lines`` of the header."""

    order: str
    elements: list
    offset: int
    lines: int

    def element(self, name):
        return next((one for one in self.elements if one.name == name), None)


def blocks(path, name):
    """Yield :class:`Block` of a PLY file's vertices."""
    header = read_header(path, name)
    vertex = header.element("vertex")
    if vertex is None or not {"x", "y", "z"} <= {prop for prop, _, _ in vertex.properties}:
        raise Rejected(f"{name}: its header declares no vertices with x, y and z: export points or a mesh.")
    if vertex.count == 0:
        raise Rejected(f"{name} holds no points (element vertex 0): export it again.")
    check_size(path, name, header)
    columns = {prop for prop, _, _ in vertex.properties}
    normals = next((three for three in NORMALS if columns.issuperset(three)), None)
    colours = next((three for three in COLOURS if columns.issuperset(three)), None)
    from_faces = None
    face = header.element("face")
    if normals is None and face is not None and face.count:
        from_faces = _normals_from_faces(path, name, header)
    single = header.order != "ascii" and any(
        kind == "f4" for one, kind, _ in vertex.properties if one in ("x", "y", "z")
    )
    count = 0
    for records in _vertices(path, name, header):
        xyz = np.column_stack([records[axis].astype(np.float64) for axis in "xyz"])
        yield Block(
            xyz,
            np.column_stack([records[one].astype(np.float32) for one in normals])
            if normals
            else from_faces[count : count + len(records)]
            if from_faces is not None
            else None,
            colour_of(np.column_stack([records[one] for one in colours])) if colours else None,
            first=count + 1,
            step=single_step(xyz) if single else 0.0,
        )
        count += len(records)
    if count < vertex.count:
        raise Rejected(_short(name, vertex.count, count))


def read_header(path, name):
    """The :class:`Header` of a PLY file."""
    elements, order, lines = [], None, 0
    with open(path, "rb") as file:
        if file.readline(64).strip() != b"ply":
            raise Rejected(f"{name} does not begin with 'ply', so it is not a PLY file: export it again.")
        while True:
            line = file.readline(4096)
            lines += 1
            words = line.decode("ascii", "replace").split()
            if not line or lines > 10_000:
                raise Rejected(
                    f"{name}: its header has no end ('end_header'): it was cut short, copy or export it again."
                )
            try:
                if words[:1] == ["format"]:
                    order = {"ascii": "ascii", "binary_little_endian": "<", "binary_big_endian": ">"}[words[1]]
                elif words[:1] == ["element"]:
                    elements.append(Element(words[1], int(words[2]), []))
                elif words[:2] == ["property", "list"]:
                    elements[-1].properties.append((words[4], TYPES[words[3]], TYPES[words[2]]))
                elif words[:1] == ["property"]:
                    elements[-1].properties.append((words[2], TYPES[words[1]], None))
                elif words == ["end_header"]:
                    break
            except (KeyError, IndexError, ValueError) as error:
                raise Rejected(
                    f"{name}: the line '{' '.join(words)[:60]}' of its header is not PLY: export it again."
                ) from error
        if order is None:
            raise Rejected(f"{name}: its header has no line 'format': export it again.")
        return Header(order, elements, file.tell(), lines + 1)


def check_size(path, name, header):
    """Refuse a file that is too small for what its header promises, before anything of it is read."""
    size = os.path.getsize(path) - header.offset
    for element in header.elements:
        if header.order == "ascii":
            least = element.count * 2 * len(element.properties)  # a digit and a blank each
        else:
            least = element.count * sum(np.dtype(length or kind).itemsize for _, kind, length in element.properties)
        if size < least:
            held = max(0, size) * element.count // least
            raise Rejected(_short(name, element.count, held, element.name, "at most "))
        size -= least


def _short(name, promised, held, element="vertex", word=""):
    thing = {"vertex": "points", "face": "faces"}.get(element, f"rows of '{element}'")
    return (
        f"{name}: its header promises {promised} {thing}, the file holds {word}{held}: it was cut short, copy or "
        "export it again."
    )


def _vertices(path, name, header):
    """Yield structured records of the vertices, :data:`MOST` at a time."""
    vertex = header.element("vertex")
    before = list(itertools.takewhile(lambda one: one.name != "vertex", header.elements))
    if header.order == "ascii":
        yield from _ascii_vertices(path, name, header, sum(one.count for one in before))
    elif vertex.has_list or any(one.has_list for one in before):
        records = _read_whole(path, name)["vertex"].data
        for start in range(0, len(records), MOST):
            yield records[start : start + MOST]
    else:
        offset = header.offset + sum(one.count * one.dtype(header.order).itemsize for one in before)
        records = np.memmap(path, vertex.dtype(header.order), "r", offset, (vertex.count,))
        for start in range(0, vertex.count, MOST):
            yield records[start : start + MOST]


def _ascii_vertices(path, name, header, rows_before):
    vertex = header.element("vertex")
    if vertex.has_list:
        raise Rejected(f"{name}: its points carry lists, which are not read from ascii PLY: export it as binary PLY.")
    dtype = vertex.dtype("<")
    left, at = vertex.count, 0
    with open(path, encoding="ascii", errors="replace") as file:
        for _ in range(header.lines + rows_before):
            file.readline()
        while left:
            with warnings.catch_warnings():
                warnings.filterwarnings("ignore", message=".*input contained no data")
                try:
                    table = np.loadtxt(itertools.islice(file, min(left, MOST)), np.float64, comments=None, ndmin=2)
                except ValueError as error:
                    raise Rejected(
                        f"{name}: its points can't be read as numbers after point {at} ({_cause(error)}): it was cut "
                        "short or damaged, copy or export it again."
                    ) from error
            if not table.size:
                return
            if table.shape[1] != len(vertex.properties):
                raise Rejected(
                    f"{name}: its header declares {len(vertex.properties)} values a point, its rows hold "
                    f"{table.shape[1]}: export it again."
                )
            records = np.empty(len(table), np.dtype([(one, "f8") for one in dtype.names]))
            for column, one in enumerate(dtype.names):
                records[one] = table[:, column]
            yield records.astype(
                np.dtype([(one, dtype[one] if dtype[one].kind == "u" else "f8") for one in dtype.names])
            )
            at += len(table)
            left -= len(table)


def _cause(error):
    return str(error).split(";")[0].rstrip(".")


def _read_whole(path, name):
    """The file by plyfile, which reads lists of any length; slow and in memory, so only where nothing else will do."""
    try:
        return plyfile.PlyData.read(str(path))
    except (plyfile.PlyParseError, UnicodeDecodeError) as error:
        raise Rejected(f"{name}: {_cause(error)}: it was cut short or damaged, copy or export it again.") from error


def _normals_from_faces(path, name, header):
    """Area-weighted normal of every vertex, (n, 3) float32, zero where no face uses it."""
    vertex = header.element("vertex")
    xyz = np.empty((vertex.count, 3))
    count = 0
    for records in _vertices(path, name, header):
        for axis, one in enumerate("xyz"):
            xyz[count : count + len(records), axis] = records[one]
        count += len(records)
    if count < vertex.count:
        raise Rejected(_short(name, vertex.count, count))
    normal = np.zeros((vertex.count, 3))
    first = 0
    for faces in _triangles(path, name, header):
        mesh.check(faces, vertex.count, name, first)
        mesh.add_normals(normal, xyz, faces)
        first += len(faces)
    return mesh.unit(normal)


def _triangles(path, name, header):
    """Yield triangles, (m, 3) int64; polygons are cut into fans."""
    face = header.element("face")
    at = [one.name for one in header.elements].index("face")
    lists = [prop for prop in face.properties if prop[2] is not None]
    if not lists:
        raise Rejected(f"{name}: its faces have no list of vertices: export it again.")
    before = header.elements[:at]
    if header.order != "ascii" and len(lists) == 1 and not any(one.has_list for one in before):
        columns = []
        for prop, kind, length in face.properties:
            if length is None:
                columns.append((prop, header.order + kind))
            else:
                columns += [("count of list", header.order + length), ("list", header.order + kind, 3)]
        dtype = np.dtype(columns)
        offset = header.offset + sum(one.count * one.dtype(header.order).itemsize for one in before)
        if offset + face.count * dtype.itemsize <= os.path.getsize(path):
            records = np.memmap(path, dtype, "r", offset, (face.count,))
            if all(np.all(records["count of list"][start : start + MOST] == 3) for start in range(0, face.count, MOST)):
                for start in range(0, face.count, MOST):
                    yield records["list"][start : start + MOST].astype(np.int64)
                return
    polygons = _read_whole(path, name)["face"].data[lists[0][0]]
    yield mesh.fans(polygons)

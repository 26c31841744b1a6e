"""Reads points from E57 (ASTM E2807): all scans of the file, each moved by the pose of its own header."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pye57
from pye57 import libe57

from nightbay.core.errors import Rejected
from nightbay.readers import e57xml, refusals
from nightbay.readers.block import MOST, Block, colour_of, normals_of, single_step

CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
COLOURS = ("colorRed", "colorGreen", "colorBlue")
NORMALS = ("normalX", "normalY", "normalZ")  # of the published extension for surface normals, commonly called 'nor'
TIME = "timeStamp"  # seconds from the start of its scan
MAGIC = b"ASTM-E57"
BLOCK = 250_000  # points that are held at a time
MOST_A_BYTE = 4  # points; fields that are the same in all points take no bits, but coordinates do


def blocks(path: Path, name: str) -> Iterator[Block]:
    """Yield the blocks of an E57 file without the points that it marks as invalid, which are counted.

    Raises :class:`Rejected` for a file that is no E57 file, is damaged, holds no scan, or a scan without coordinates.
    """
    with open(path, "rb") as file:
        if file.read(8) != MAGIC:
            raise Rejected(f"{name} does not begin with 'ASTM-E57', so it is not an E57 file: export it again.")
    e57xml.check(path, name)
    with refusals.of_library(name):
        image = pye57.E57(str(path))
        scans = image.scan_count
    try:
        if scans == 0:
            raise Rejected(f"{name} holds no scan: export it again.")
        first = 1
        for index in range(scans):
            for block in _scan(image, index, path, name, first):
                first += len(block.xyz) + block.invalid
                yield block
    finally:
        image.close()


def _scan(image: Any, index: int, path: Path, name: str, first: int) -> Iterator[Block]:
    """The blocks of one scan; ``first``: number of its first point in the file."""
    with refusals.of_library(name):
        header = image.get_header(index)
        present = set(header.point_fields)
        promised, size = header.point_count, path.stat().st_size
    coordinates = next((fields for fields in (CARTESIAN, SPHERICAL) if present.issuperset(fields)), None)
    if coordinates is None:
        raise Rejected(
            f"{name}: scan {index + 1} has neither x, y, z nor range and angles for its points: export it again."
        )
    if promised > MOST_A_BYTE * size:
        raise refusals.too_many(name, promised, size)
    normals_x = sorted(field for field in present if field.endswith(f":{NORMALS[0]}"))
    prefix = normals_x[0].removesuffix(NORMALS[0]) if normals_x else "nor:"
    normals = tuple(prefix + field for field in NORMALS)
    state = "cartesianInvalidState" if coordinates is CARTESIAN else "sphericalInvalidState"
    # Single precision holds colours of 16 bits, and of every other type that a file may store them in.
    kinds = {**dict.fromkeys((*coordinates, TIME), "f8"), **dict.fromkeys((*COLOURS, *normals), "f4"), state: "i1"}
    with refusals.of_library(name):
        start = _start_of(header) if image.scan_count > 1 else 0.0
        data, buffers = _buffers(image, {field: kind for field, kind in kinds.items() if field in present}, header)
        reader = header.points.reader(buffers)
        rotation, translation = header.rotation_matrix, header.translation
    while True:
        with refusals.of_library(name):
            count = reader.read()
        if not count:
            break
        valid = data[state][:count] == 0 if state in data else np.ones(count, bool)
        columns = {field: values[:count][valid] for field, values in data.items()}
        stored = np.column_stack([columns[field] for field in coordinates])
        normal, colour = _stack(columns, normals), _stack(columns, COLOURS)
        xyz = (stored if coordinates is CARTESIAN else _from_spherical(*stored.T)) @ rotation.T + translation
        normal = None if normal is None else normals_of(normal @ rotation.T)
        with refusals.of_library(name):
            shades = None if colour is None else _colour(header, colour, name)
            step = _step(header, coordinates, stored)
        yield Block(
            xyz,
            normal,
            shades,
            first=first,
            invalid=int(np.count_nonzero(~valid)),
            step=step,
            time=None if start is None or TIME not in columns else start + columns[TIME],
        )
        first += count
    reader.close()


def _start_of(header: Any) -> float | None:
    """When a scan began, in seconds; None where its header does not say: times of several scans then have no order."""
    if not header.node.isDefined("acquisitionStart/dateTimeValue"):
        return None
    return float(header.node["acquisitionStart"]["dateTimeValue"].value())


def _buffers(image: Any, kinds: Mapping[str, str], header: Any) -> tuple[dict[str, np.ndarray], Any]:
    """An array of each field for some points, and the library's list of them, which fills them."""
    data, buffers = {}, libe57.VectorSourceDestBuffer()
    for field, kind in kinds.items():
        data[field] = np.empty(min(MOST, BLOCK, max(1, header.point_count)), kind)
        buffers.append(libe57.SourceDestBuffer(image.image_file, field, data[field], len(data[field]), True, True))
    return data, buffers


def _prototype(header: Any, field: str) -> Any:
    """How a field is stored: a node of the library."""
    return libe57.StructureNode(header.points.prototype())[field]


def _step(header: Any, coordinates: tuple[str, ...], stored: np.ndarray) -> float:
    """Largest spacing of coordinates that the fields' types can hold, in the file's unit; ``stored``: values (n, 3)."""
    steps = []
    for field, values in zip(coordinates, stored.T, strict=True):
        node = _prototype(header, field)
        if isinstance(node, libe57.FloatNode):
            single = node.precision() == libe57.FloatPrecision.E57_SINGLE
            steps.append(single_step(values[:, None]) if single else 0.0)
        else:
            steps.append(node.scale() if isinstance(node, libe57.ScaledIntegerNode) else 1.0)
    if coordinates is SPHERICAL and len(stored):  # angles move a point by their step times the range
        steps[1:] = [step * float(np.median(stored[:, 0])) for step in steps[1:]]
    return max(steps)


def _stack(columns: Mapping[str, np.ndarray], fields: tuple[str, ...]) -> np.ndarray | None:
    """The fields as columns, (n, 3), or None where one of them is absent."""
    return np.column_stack([columns[field] for field in fields]) if all(field in columns for field in fields) else None


def _from_spherical(distance: np.ndarray, azimuth: np.ndarray, elevation: np.ndarray) -> np.ndarray:
    """Cartesian points (n, 3) of range and angles in radians, elevation from the xy plane (ASTM E2807)."""
    flat = distance * np.cos(elevation)
    return np.column_stack([flat * np.cos(azimuth), flat * np.sin(azimuth), distance * np.sin(elevation)])


def _colour(header: Any, values: np.ndarray, name: str) -> np.ndarray:
    """Colours (n, 3) uint8, by the limits in the scan's header, else by the range of their type, else by their size."""
    highest, node = 0.0, _prototype(header, COLOURS[0])
    if isinstance(node, libe57.IntegerNode):
        values = values.astype(np.int64)
        highest = float(node.maximum()) if node.maximum() < 2**16 else 0.0
    if header.node.isDefined("colorLimits"):
        highest = float(header.node["colorLimits"]["colorRedMaximum"].value())
    if not 0 < highest < np.inf:
        return colour_of(values, name)
    if not np.isfinite(values).all():
        raise Rejected(f"{name}: a colour is no number: it was damaged, copy or export it again.")
    return np.clip(np.round(values * (255.0 / highest)), 0, 255).astype(np.uint8)

"""Reads points from E57 (ASTM E2807): all scans of the file, each posed by its own header."""

import numpy as np
import pye57
from pye57 import libe57

from nightbay.core.errors import Rejected
from nightbay.readers import e57xml
from nightbay.readers.block import MOST, Block, colour_of, single_step

CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
COLOURS = ("colorRed", "colorGreen", "colorBlue")
NORMALS = ("normalX", "normalY", "normalZ")  # of the published extension for surface normals, commonly called 'nor'
MAGIC = b"ASTM-E57"


def blocks(path, name):
    """Yield :class:`Block` of an E57 file; points that it marks as invalid are left out and counted."""
    with open(path, "rb") as file:
        if file.read(8) != MAGIC:
            raise Rejected(f"{name} does not begin with 'ASTM-E57', so it is not an E57 file: export it again.")
    e57xml.check(path, name)
    try:
        with pye57.E57(str(path)) as image:
            if image.scan_count == 0:
                raise Rejected(f"{name} holds no scan: export it again.")
            first = 1
            for index in range(image.scan_count):
                for block in _scan(image, index, name, first):
                    first += len(block.xyz) + block.invalid
                    yield block
    except libe57.E57Exception as error:
        raise Rejected(
            f"{name} is damaged or cut short ({str(error).splitlines()[0].strip()}): copy or export it again."
        ) from error


def _scan(image, index, name, first):
    header = image.get_header(index)
    present = set(header.point_fields)
    place = next((three for three in (CARTESIAN, SPHERICAL) if present.issuperset(three)), None)
    if place is None:
        raise Rejected(
            f"{name}: scan {index + 1} has neither x, y, z nor range and angles for its points: export it again."
        )
    prefix = next((field.removesuffix(NORMALS[0]) for field in present if field.endswith(f":{NORMALS[0]}")), "nor:")
    normals = tuple(prefix + one for one in NORMALS)
    state = "cartesianInvalidState" if place is CARTESIAN else "sphericalInvalidState"
    # Single precision holds colours of 16 bits, and of whatever else a file may have them in.
    kinds = {**dict.fromkeys(place, "f8"), **dict.fromkeys((*COLOURS, *normals), "f4"), state: "i1"}
    data, buffers = _buffers(image, [field for field in kinds if field in present], kinds, header.point_count)
    reader = header.points.reader(buffers)
    rotation, translation = header.rotation_matrix, header.translation
    while count := reader.read():
        valid = data[state][:count] == 0 if state in data else np.ones(count, bool)
        columns = {field: values[:count][valid] for field, values in data.items()}
        stored = _three(columns, place)
        xyz = stored if place is CARTESIAN else _from_spherical(*stored.T)
        normal, colour = _three(columns, normals), _three(columns, COLOURS)
        yield Block(
            xyz @ rotation.T + translation,
            None if normal is None else (normal @ rotation.T).astype(np.float32),
            None if colour is None else _colour(header, colour),
            first=first,
            invalid=int(np.count_nonzero(~valid)),
            step=_step(header, place, stored),
        )
        first += count
    reader.close()


def _buffers(image, fields, kinds, count):
    """Arrays by field for at most :data:`MOST` points, and the library's list of them, which fills them."""
    data, buffers = {}, libe57.VectorSourceDestBuffer()
    for field in fields:
        data[field] = np.empty(min(MOST, max(1, count)), kinds[field])
        buffers.append(libe57.SourceDestBuffer(image.image_file, field, data[field], len(data[field]), True, True))
    return data, buffers


def _prototype(header, field):
    """How a field is stored: a node of the library."""
    return libe57.StructureNode(header.points.prototype())[field]


def _step(header, place, stored):
    """The coarsest step that the stored values (n, 3) let coordinates have, in the file's unit."""
    steps = []
    for field, values in zip(place, stored.T, strict=True):
        node = _prototype(header, field)
        if isinstance(node, libe57.FloatNode):
            single = node.precision() == libe57.FloatPrecision.E57_SINGLE
            steps.append(single_step(values[:, None]) if single else 0.0)
        else:
            steps.append(node.scale() if isinstance(node, libe57.ScaledIntegerNode) else 1.0)
    if place is SPHERICAL and len(stored):
        steps[1:] = [step * float(np.median(stored[:, 0])) for step in steps[1:]]
    return max(steps)


def _three(columns, fields):
    return np.column_stack([columns[one] for one in fields]) if all(one in columns for one in fields) else None


def _from_spherical(distance, azimuth, elevation):
    """Cartesian points of range and angles in radians, elevation from the xy plane (ASTM E2807)."""
    flat = distance * np.cos(elevation)
    return np.column_stack([flat * np.cos(azimuth), flat * np.sin(azimuth), distance * np.sin(elevation)])


def _colour(header, values):
    """Colours by the limits that the scan's header gives, else by the range of their type, else by their own size."""
    most, node = 0.0, _prototype(header, COLOURS[0])
    if isinstance(node, libe57.IntegerNode):
        values = values.astype(np.int64)
        most = float(node.maximum()) if node.maximum() < 2**16 else 0.0
    if header.node.isDefined("colorLimits"):
        most = float(header.node["colorLimits"]["colorRedMaximum"].value())
    if most > 0:
        return np.clip(np.round(values * (255.0 / most)), 0, 255).astype(np.uint8)
    return colour_of(values)

"""Reads points from E57 (ASTM E2807): all scans of the file, each posed by its own header."""

import numpy as np
import pye57

from nightbay.errors import Rejected
from nightbay.readers.block import MOST, Block, colour_of

CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
COLOURS = ("colorRed", "colorGreen", "colorBlue")
NORMALS = ("nor:normalX", "nor:normalY", "nor:normalZ")  # the published extension for surface normals
MAGIC = b"ASTM-E57"


def blocks(path, name):
    """Yield :class:`Block` of an E57 file; points that it marks as invalid are left out and counted."""
    with open(path, "rb") as file:
        if file.read(8) != MAGIC:
            raise Rejected(f"{name} does not begin with 'ASTM-E57', so it is not an E57 file: export it again.")
    try:
        with pye57.E57(str(path)) as image:
            if image.scan_count == 0:
                raise Rejected(f"{name} holds no scan: export it again.")
            first = 1
            for index in range(image.scan_count):
                for block in _scan(image, index, name, first):
                    first += len(block.xyz) + block.invalid
                    yield block
    except pye57.libe57.E57Exception as error:
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
    state = "cartesianInvalidState" if place is CARTESIAN else "sphericalInvalidState"
    fields = [*place, *(one for one in (*COLOURS, *NORMALS, state) if one in present)]
    data, buffers = image.make_buffers(fields, min(MOST, max(1, header.point_count)))
    reader = header.points.reader(buffers)
    rotation, translation = header.rotation_matrix, header.translation
    while count := reader.read():
        valid = data[state][:count] == 0 if state in data else np.ones(count, bool)
        columns = {field: values[:count][valid] for field, values in data.items()}
        xyz = np.column_stack([columns[field] for field in place]).astype(np.float64)
        if place is SPHERICAL:
            xyz = _from_spherical(*xyz.T)
        normal = _three(columns, NORMALS)
        yield Block(
            xyz @ rotation.T + translation,
            None if normal is None else (normal @ rotation.T).astype(np.float32),
            None if _three(columns, COLOURS) is None else _colour(image, index, _three(columns, COLOURS)),
            first=first,
            invalid=int(np.count_nonzero(~valid)),
        )
        first += count
    reader.close()


def _three(columns, fields):
    return np.column_stack([columns[one] for one in fields]) if all(one in columns for one in fields) else None


def _from_spherical(distance, azimuth, elevation):
    """Cartesian points of range and angles in radians, elevation from the xy plane (ASTM E2807)."""
    flat = distance * np.cos(elevation)
    return np.column_stack([flat * np.cos(azimuth), flat * np.sin(azimuth), distance * np.sin(elevation)])


def _colour(image, index, values):
    """Colours by the limits that the scan's header gives, else by their own size."""
    node = image.data3d[index]
    if node.isDefined("colorLimits"):
        most = float(node["colorLimits"]["colorRedMaximum"].value())
        if most > 0:
            return np.clip(np.round(values * (255.0 / most)), 0, 255).astype(np.uint8)
    return colour_of(values)

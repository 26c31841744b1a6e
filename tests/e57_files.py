"""E57 files for the tests of their reader: fields of any type, and XML sections of our own wording."""

import struct

import numpy as np
import pye57
from pye57 import libe57

from nightbay.readers.e57xml import CONTENT, HEADER, PAGE

NORMALS_URI = "http://www.libe57.org/E57_NOR_surface_normals.txt"  # of the published extension; value from memory


def write(path, fields, limits=None, prefix="nor", pose=None):
    """One scan: ``fields`` by name, a function of the file that makes the field's node, and the values as stored.

    ``limits``: largest colour that the scan's header declares; ``pose``: rotation as a quaternion and translation.
    """
    with pye57.E57(str(path), "w") as file:
        image = file.image_file
        image.extensionsAdd(prefix, NORMALS_URI)
        prototype, buffers = libe57.StructureNode(image), libe57.VectorSourceDestBuffer()
        arrays = []
        for name, (node, values) in fields.items():
            prototype.set(name, node(image))
            arrays.append(np.ascontiguousarray(values, "d" if values.dtype.kind == "f" else "q"))
            buffers.append(libe57.SourceDestBuffer(image, name, arrays[-1], len(values), True, True))
        scan = libe57.StructureNode(image)
        if limits is not None:
            box = libe57.StructureNode(image)
            for colour in ("Red", "Green", "Blue"):
                box.set(f"color{colour}Minimum", libe57.IntegerNode(image, 0))
                box.set(f"color{colour}Maximum", libe57.IntegerNode(image, limits))
            scan.set("colorLimits", box)
        if pose is not None:
            node = libe57.StructureNode(image)
            for part, names, values in zip(("rotation", "translation"), ("wxyz", "xyz"), pose, strict=True):
                node.set(part, libe57.StructureNode(image))
                for name, value in zip(names, values, strict=True):
                    node[part].set(name, libe57.FloatNode(image, value))
            scan.set("pose", node)
        points = libe57.CompressedVectorNode(image, prototype, libe57.VectorNode(image, True))
        scan.set("points", points)
        file.data3d.append(scan)
        writer = points.writer(buffers)
        writer.write(len(arrays[0]))
        writer.close()


def real(single=False):
    """A node of floating-point numbers."""
    precision = libe57.FloatPrecision.E57_SINGLE if single else libe57.FloatPrecision.E57_DOUBLE
    return lambda image: libe57.FloatNode(image, 0.0, precision, -1e9, 1e9)


def whole(most):
    """A node of whole numbers from 0."""
    return lambda image: libe57.IntegerNode(image, 0, 0, most)


def scaled(scale):
    """A node of whole numbers times a scale."""
    return lambda image: libe57.ScaledIntegerNode(image, 0, -(2**31), 2**31 - 1, scale, 0.0)


def places(xyz, node=None):
    """Fields of Cartesian coordinates, (n, 3)."""
    return {f"cartesian{axis}": (node or real(), xyz[:, at]) for at, axis in enumerate("XYZ")}


def xml_of(path):
    """The XML section of a file."""
    content, at, length = _content(path)
    return content[at : at + length]


def put_xml(path, xml):
    """Put another XML section into a file, with the checksums of its pages."""
    content, at, _ = _content(path)
    content = bytearray(content[:at] + xml)
    content += b"\0" * (-len(content) % CONTENT)
    struct.pack_into("<Q", content, 16, len(content) // CONTENT * PAGE)
    struct.pack_into("<Q", content, 32, len(xml))
    pages = (bytes(content[at : at + CONTENT]) for at in range(0, len(content), CONTENT))
    path.write_bytes(b"".join(page + struct.pack(">I", _crc32c(page)) for page in pages))


def xml_place(path):
    """Where in the content of its page the XML section begins."""
    return _content(path)[1] % CONTENT


def _content(path):
    raw = path.read_bytes()
    place, length = HEADER.unpack_from(raw)[4:6]
    content = b"".join(raw[at : at + CONTENT] for at in range(0, len(raw), PAGE))
    return content, place // PAGE * CONTENT + place % PAGE, length


def _crc32c(data):
    """CRC-32C (Castagnoli), as ASTM E2807 has it."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF

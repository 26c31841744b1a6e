"""Sections for tests: of trimesh's meshes, and what DXF and SVG files hold of them, read back."""

import xml.etree.ElementTree as ET

import ezdxf
import numpy as np

from nightbay.meshes.surface import Surface
from nightbay.sections import cutting, section

SVG = "{http://www.w3.org/2000/svg}"


def surface_of(mesh, filled=None):
    """A trimesh mesh as a surface; ``filled``: marks of its faces."""
    marks = {} if filled is None else {"filled": np.asarray(filled).astype(np.uint8)}
    return Surface(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.int32), face=marks)


def sections_of(mesh, planes, chord_mm=0.1, curve_mm=0.2, filled=None):
    """The sections of a mesh in planes."""
    found = cutting.through(surface_of(mesh, filled), planes)
    return [section.section(plane, lines, chord_mm, curve_mm) for plane, lines in found]


def dxf_lines(path):
    """Polylines, (k, 3) each, of a DXF file by layer and the description of their group; closed ones return."""
    document = ezdxf.readfile(path)
    found = {}
    for _, group in document.groups:
        for entity in group:
            if entity.dxftype() == "POLYLINE":
                points = np.array([vertex.dxf.location for vertex in entity.vertices])
                points = np.vstack([points, points[:1]]) if entity.is_closed else points
                found.setdefault((entity.dxf.layer, group.dxf.description), []).append(points)
    return found


def svg_lines(path):
    """Polylines, (k, 2) each, of an SVG file by class and the name of their section; closed ones return."""
    found = {}
    for group in ET.parse(path).iter(f"{SVG}g"):
        for line in group.findall(f"{SVG}path") if "id" in group.attrib else ():
            for one in line.attrib["d"].split("M")[1:]:
                points = np.array([point.split() for point in one.removesuffix("Z").split("L")], float)
                points = np.vstack([points, points[:1]]) if one.endswith("Z") else points
                found.setdefault((line.attrib["class"], group.attrib["id"]), []).append(points)
    return found

"""The 3D view of a part on its page: the surface of a level as compact data, and the library that draws it.

The data are one block of bytes, compressed by gzip, in base64 (:func:`encode`); ``workflow/report/model_3d.js`` reads
them. Three.js comes from the wheel of trimesh, which carries it for a viewer of its own, and goes into each page.
"""

import base64
import gzip
import io
import json
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from nightbay.core.language import decimal_sign, say
from nightbay.meshes.surface import Surface
from nightbay.reduce.result import Level
from nightbay.report import picture
from nightbay.report.drawing import Drawing

STEPS = 65535  # of a coordinate along the longest side
UNKNOWN = 255  # of a scatter that is not known; the others are 0 to 254
VIEWER = Path("resources", "templates", "viewer.zip")
THREE = re.compile(
    r"/\*\*\s+\* @license\s+\* Copyright [\d-]+ Three\.js Authors\s.*?\*/\s*!function[^\n]*\n", re.DOTALL
)


@dataclass(frozen=True)
class Model:
    """A part's 3D view: ``header`` (JSON) and ``data`` (base64) of :func:`encode`; the ``level`` that it shows and its
    ``numbers`` of reduce; ``step_mm``, to which positions are rounded; the ``shadings`` by name with their titles; the
    ``still`` picture, which stands in where the view can't be shown; ``library``, Three.js."""

    header: str
    data: str
    level: str
    numbers: Level
    step_mm: float
    shadings: dict[str, str]
    still: Drawing
    library: str


def encode(mesh: Surface, scatter_mm: float | None) -> tuple[dict[str, Any], bytes]:
    """A surface as numbers that describe it and bytes.

    ``scatter_mm``: high end of the scale of scatter, None without scatter. The bytes, little-endian, before gzip:
    differences of neighbouring vertices' x, then y, then z, uint16 in steps of ``step_mm`` from ``low_mm``; differences
    of neighbouring corners' vertex numbers, int32, measured faces first; then one byte a vertex for each of the
    ``values``: confidence 0 to 255, scatter 0 to 254 of its scale or :data:`UNKNOWN`, red, green and blue.
    """
    used, corners = np.unique(mesh.faces, return_inverse=True)
    faces = corners.reshape(-1, 3)
    filled = mesh.face.get("filled", np.zeros(len(faces), np.uint8)).astype(bool)
    faces = np.concatenate([faces[~filled], faces[filled]])
    points = mesh.vertices_mm[used].astype(np.float64)
    low_mm = points.min(axis=0)
    step_mm = max(float((points.max(axis=0) - low_mm).max()), 1e-3) / STEPS
    grid = np.rint((points - low_mm) / step_mm).astype(np.int64)
    blocks = [np.diff(grid, axis=0, prepend=0).astype("<u2").T.tobytes()]
    blocks.append(np.diff(faces.ravel(), prepend=0).astype("<i4").tobytes())
    values = _values(mesh, used, scatter_mm)
    blocks += [column.tobytes() for column in values.values()]
    numbers = {
        "vertices": len(used),
        "faces": len(faces),
        "measured": int(np.count_nonzero(~filled)),
        "low_mm": low_mm.tolist(),
        "step_mm": step_mm,
        "values": list(values),
    }
    return numbers, gzip.compress(b"".join(blocks), 9, mtime=0)


def _values(mesh: Surface, used: np.ndarray, scatter_mm: float | None) -> dict[str, np.ndarray]:
    """The bytes of the vertices' attributes, (n,) uint8 each, by name."""
    values = {}
    if "confidence" in mesh.vertex:
        confidence = np.nan_to_num(mesh.vertex["confidence"][used].astype(np.float64))
        values["confidence"] = np.rint(255 * np.clip(confidence, 0, 1)).astype(np.uint8)
    if scatter_mm is not None:
        spread = mesh.vertex["spread_mm"][used].astype(np.float64)
        share = np.rint(254 * np.clip(np.nan_to_num(spread) / scatter_mm, 0, 1))
        values["scatter"] = np.where(np.isnan(spread), UNKNOWN, share).astype(np.uint8)
    for name in ("red", "green", "blue"):
        if name in mesh.vertex:
            values[name] = mesh.vertex[name][used].astype(np.uint8)
    return values


def model_of(
    mesh: Surface,
    level: str,
    numbers: Level,
    scene: picture.Scene,
    still: Drawing,
    scatter_mm: float | None,
    maps: Mapping[str, str],
) -> Model:
    """The 3D view of a level.

    ``scene`` of the part's pictures: its axes, its front, and whether backs are left out; ``scatter_mm``: high end of
    its scale, None without scatter; ``maps``: names of Matplotlib's colour maps for "confidence" and "scatter".
    """
    described, data = encode(mesh, scatter_mm)
    shadings = {"plain": say("Plain")}
    if "red" in described["values"]:
        shadings["colour"] = say("Colour of the scan")
    if "confidence" in described["values"]:
        shadings["confidence"] = say("Coverage (confidence)")
    if "scatter" in described["values"]:
        shadings["scatter"] = say("Scatter")
    shadings["provenance"] = say("Measured or filled")
    described |= {
        "forward": scene.convention.forward,
        "left": scene.convention.left,
        "front": None if scene.front is None else say(scene.front),
        "decimal": decimal_sign(),
        "backs": not scene.cull,
        "first": "colour" if _mostly_coloured(mesh) else "plain",
        "maps": {name: picture.bar(colours, 256) for name, colours in maps.items() if name in described["values"]},
    }
    header = json.dumps(described, sort_keys=True).replace("<", "\\u003c")
    text = base64.b64encode(data).decode("ascii")
    return Model(header, text, level, numbers, described["step_mm"], shadings, still, library())


def _mostly_coloured(mesh: Surface) -> bool:
    """Whether most vertices have a colour; those that no coloured point is near are black."""
    if "red" not in mesh.vertex:
        return False
    coloured = (mesh.vertex["red"] > 0) | (mesh.vertex["green"] > 0) | (mesh.vertex["blue"] > 0)
    return bool(coloured.mean() > 0.5)


def library() -> str:
    """The source of Three.js with its licence, as trimesh's wheel carries it.

    Raises RuntimeError where the installed trimesh has none.
    """
    package = Path(trimesh.__file__).parent
    try:
        with zipfile.ZipFile(io.BytesIO((package / VIEWER).read_bytes())) as archive:
            page = archive.read("viewer.html.template").decode("utf-8")
    except (OSError, KeyError, zipfile.BadZipFile):
        page = ""
    found = THREE.search(page)
    if found is None:
        raise RuntimeError(
            f"{package / VIEWER}: trimesh {trimesh.__version__} carries no Three.js for the 3D view; install the "
            "version that envs/requirements.lock names."
        )
    return found.group()

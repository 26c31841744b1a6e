"""Surfaces with holes, made of whole ones."""

from dataclasses import replace

import numpy as np

from nightbay.meshes import surface


def keep_faces(whole, keep):
    """The surface of the faces that ``keep``, (m,) bool, selects, without the vertices that none of them uses."""
    faces = surface.kept(whole.faces, keep)
    used = surface.in_use(faces, len(whole.vertices_mm))
    surface.renumber(faces, np.cumsum(used, dtype=np.int32) - 1)
    return replace(
        whole,
        vertices_mm=whole.vertices_mm[used],
        faces=faces,
        vertex={name: values[used] for name, values in whole.vertex.items()},
        face={name: values[keep] for name, values in whole.face.items()},
    )

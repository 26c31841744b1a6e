"""Reduces triangle meshes by edge collapse, a block of the vehicle at a time where the mesh is large."""

import fast_simplification
import numpy as np

from nightbay import surface

BLOCK_FACES = 1_000_000  # faces reduced at once: about 350 MB in the library
WHOLE_FACES = 3_000_000  # meshes up to this size are reduced in one go
BLOCK_MM = 400.0  # edge of the cells that blocks are made of


def halve(mesh, round_number=0):
    """About half as many faces; every boundary vertex stays as it is. Attributes are not carried along.

    A large mesh is parted into blocks whose borders stay too; ``round_number`` shifts them, so that no border is kept
    dense through several rounds. The outcome does not depend on threads.
    """
    return to_faces(mesh, len(mesh.faces) // 2, round_number)


def to_faces(mesh, faces, round_number=0):
    """Reduce to about ``faces`` faces, or as near as the boundaries allow; see :func:`halve`."""
    if len(mesh.faces) <= WHOLE_FACES:
        vertices, triangles = _collapse(mesh.vertices_mm, mesh.faces, faces)
        return surface.Surface(vertices, triangles)
    share = faces / len(mesh.faces)
    block = _blocks(mesh, round_number)
    order = np.argsort(block, kind="stable")
    bounds = np.r_[np.flatnonzero(np.diff(block[order], prepend=-1)), len(order)]
    uses = np.zeros(len(mesh.vertices_mm), np.uint8)
    pieces = []
    for start, stop in zip(bounds[:-1], bounds[1:], strict=True):
        used, local = np.unique(mesh.faces[order[start:stop]], return_inverse=True)
        uses[used] = np.minimum(uses[used], 1) + 1
        pieces.append(_collapse(mesh.vertices_mm[used], local.reshape(-1, 3), int(share * (stop - start))))
    return _join(pieces, mesh.vertices_mm[uses > 1])


def _join(pieces, border_mm):
    """One mesh of blocks, (vertices, faces) each; the vertices on the blocks' borders, (b, 3), become one again."""
    offsets = np.cumsum([0, *(len(vertices) for vertices, _ in pieces)])
    vertices = np.concatenate([vertices for vertices, _ in pieces])
    faces = np.concatenate([faces + offset for (_, faces), offset in zip(pieces, offsets, strict=False)])
    border = np.unique(_bytes(border_mm))
    keys = _bytes(vertices)
    at = np.minimum(np.searchsorted(border, keys), len(border) - 1)
    on_border = border[at] == keys
    first = np.full(len(border), len(vertices))
    np.minimum.at(first, at[on_border], np.flatnonzero(on_border))
    one = np.arange(len(vertices))
    one[on_border] = first[at[on_border]]
    used, local = np.unique(one[faces], return_inverse=True)
    return surface.Surface(vertices[used], local.reshape(-1, 3).astype(np.int32))


def _bytes(points_mm):
    """Points, (n, 3) float32, as keys that compare and sort."""
    return np.ascontiguousarray(points_mm, np.float32).view(np.dtype([("", "<i4")] * 3)).ravel()


def _collapse(vertices_mm, faces, target):
    centre = vertices_mm.mean(axis=0, dtype=np.float64)  # squares of large coordinates would eat the quadrics' digits
    points, triangles = fast_simplification.simplify(
        vertices_mm - centre, np.ascontiguousarray(faces, np.int32), target_count=target, preserve_border=True
    )
    return (points + centre).astype(np.float32), triangles.astype(np.int32)


def _blocks(mesh, round_number):
    """Block number of each face, (m,) int64: neighbouring cells together until a block is full."""
    shift = BLOCK_MM / 2 * (round_number % 2)
    cell = np.floor((mesh.vertices_mm[mesh.faces[:, 0]] + np.float32(shift)) / np.float32(BLOCK_MM)).astype(np.int64)
    cell -= cell.min(axis=0)
    spans = cell.max(axis=0) + 1
    _, number, counts = np.unique(
        (cell[:, 0] * spans[1] + cell[:, 1]) * spans[2] + cell[:, 2], return_inverse=True, return_counts=True
    )
    return (np.cumsum(counts) // BLOCK_FACES)[number]

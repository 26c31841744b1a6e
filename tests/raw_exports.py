"""Raw exports for the tests of the readers: points of our own choosing, files of them, and how they are read back."""

import numpy as np
import pytest
import trimesh

from nightbay import readers
from nightbay.core.errors import Rejected

COUNT = 500


def points():
    """Points, unit normals and colours, (n, 3) each."""
    rng = np.random.default_rng(11)
    normal = rng.normal(size=(COUNT, 3))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return rng.uniform(-2000, 2000, (COUNT, 3)), normal, rng.integers(0, 256, (COUNT, 3)).astype(np.uint8)


POINTS = points()


def sphere():
    """A mesh of 642 vertices and 1280 faces, radius 1000."""
    return trimesh.creation.icosphere(3, 1000.0)


def read(path, columns=None):
    blocks = list(readers.blocks(path, path.name, columns))
    return (
        np.concatenate([block.xyz for block in blocks]),
        None if blocks[0].normal is None else np.concatenate([block.normal for block in blocks]),
        None if blocks[0].colour is None else np.concatenate([block.colour for block in blocks]),
        sum(block.invalid for block in blocks),
    )


def refusal(path, columns=None):
    """The sentence that a file is refused with."""
    with pytest.raises(Rejected) as caught:
        list(readers.blocks(path, path.name, columns))
    sentence = str(caught.value)
    assert sentence.startswith(path.name) and sentence.endswith(".") and "\n" not in sentence
    return sentence


def write_ply(path, order, kind, xyz, normal=None, colour=None, before=b"", head=""):
    """A PLY file; ``order``: '<', '>' or 'ascii'; ``kind``: 'f4' or 'f8'."""
    columns = [(axis, kind) for axis in "xyz"]
    columns += [(axis, "f4") for axis in ("nx", "ny", "nz")] if normal is not None else []
    columns += [("scan", "u2")] + ([(one, "u1") for one in ("red", "green", "blue")] if colour is not None else [])
    names = {"f4": "float", "f8": "double", "u1": "uchar", "u2": "ushort"}
    records = np.zeros(len(xyz), [(name, (order if order != "ascii" else "<") + type_) for name, type_ in columns])
    for values, group in ((xyz, "xyz"), (normal, ("nx", "ny", "nz")), (colour, ("red", "green", "blue"))):
        if values is not None:
            for at, name in enumerate(group):
                records[name] = values[:, at]
    words = {"<": "binary_little_endian", ">": "binary_big_endian", "ascii": "ascii"}[order]
    text = f"ply\nformat {words} 1.0\n{head}element vertex {len(xyz)}\n"
    text += "".join(f"property {names[type_]} {name}\n" for name, type_ in columns) + "end_header\n"
    body = records.tobytes()
    if order == "ascii":
        body = "".join(" ".join(f"{value:.9g}" for value in row) + "\n" for row in records.tolist()).encode()
    path.write_bytes(text.encode() + before + body)

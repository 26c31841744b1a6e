"""Headers of PLY files: what is written is read again, and what is no header is refused."""

import io

import pytest

from nightbay.core import ply_header
from nightbay.core.ply_header import Element, Property


def test_a_header_that_is_written_is_read_again():
    vertex = Element("vertex", 7, [Property("x", "f4"), Property("flag", "u1")])
    face = Element("face", 2, [Property("vertex_indices", "i4", "u1")])
    text = ply_header.write([vertex, face], ["units mm"], ["origin_mm 1.0 2.0 3.0"])
    assert b"property list uchar int vertex_indices\n" in text
    header = ply_header.read(io.BytesIO(text + b"data"))
    assert list(header.elements) == [vertex, face]
    assert (header.order, header.offset, header.lines) == ("<", len(text), text.count(b"\n"))
    assert list(header.obj_info) == [["origin_mm", "1.0", "2.0", "3.0"]]


@pytest.mark.parametrize(
    ("text", "error"),
    [
        (b"", ply_header.NoMagic),
        (b"ply\nformat ascii 1.0\n", ply_header.NoEnd),
        (b"ply\n" + b"comment\n" * 20_000, ply_header.NoEnd),
        (b"ply\nend_header\n", ply_header.NoFormat),
        (b"ply\nproperty float x\nend_header\n", ply_header.BadLine),
        (b"ply\nelement vertex 1\nproperty\n", ply_header.BadLine),
    ],
)
def test_what_is_no_header_is_refused(text, error):
    with pytest.raises(error):
        ply_header.read(io.BytesIO(text))

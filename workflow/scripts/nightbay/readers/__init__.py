"""Readers of raw exports, one module a format; each yields blocks of points in the units of its file."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from nightbay.core.errors import Rejected
from nightbay.readers.block import Block

TEXT = (".xyz", ".csv", ".asc", ".txt")


def blocks(
    path: Path | str, name: str, columns: Sequence[str] | None = None, units: str | None = None
) -> Iterator[Block]:
    """Yield the blocks of a raw export in the format that its extension names.

    ``name``: name of the file in messages; ``columns``: the columns that the job sheet declares for delimited text;
    ``units``: the units that it declares, which are compared with those that a header names. Raises
    :class:`Rejected` for a file that is not of its format, is damaged or is incomplete.
    """
    path = Path(path)
    kind = path.suffix.lower()
    reader = None if kind in TEXT else _reader(kind, name)
    if path.stat().st_size == 0:
        raise Rejected(f"{name} is empty (0 bytes): copy or export it again.")
    if reader is None:
        from nightbay.readers import text

        yield from text.blocks(path, name, columns, units)
    elif columns is not None:
        raise Rejected(f"{name}: 'columns' are declared, but only delimited text has them: remove them.")
    else:
        yield from reader(path, name)


def _reader(kind: str, name: str) -> Callable[[Path, str], Iterator[Block]]:
    """The reader of a format that describes itself. Only its own libraries are imported."""
    if kind == ".ply":
        from nightbay.readers import ply

        return ply.blocks
    if kind == ".e57":
        from nightbay.readers import e57

        return e57.blocks
    if kind in (".las", ".laz"):
        from nightbay.readers import las

        return las.blocks
    if kind == ".obj":
        from nightbay.readers import obj

        return obj.blocks
    if kind == ".stl":
        from nightbay.readers import stl

        return stl.blocks
    raise Rejected(
        f"{name}: the format '{kind}' is not read; export it as PLY, E57, delimited text (xyz, csv, asc, txt), "
        "LAS, LAZ, OBJ or STL."
    )

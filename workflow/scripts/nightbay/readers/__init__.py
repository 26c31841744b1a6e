"""Readers of raw exports, one format a module; each yields blocks of points in the units of its file."""

from pathlib import Path

from nightbay.core.errors import Rejected

TEXT = (".xyz", ".csv", ".asc", ".txt")


def blocks(path, name, columns=None, units=None):
    """Yield the :class:`nightbay.readers.block.Block` of a raw export, whatever its format.

    ``name`` is what sentences call the file; ``columns``: what a job sheet declares for delimited text; ``units`` that
    it declares, checked where a header names some. Raises :class:`Rejected` for a file that is not what its name says,
    or not whole.
    """
    path = Path(path)
    reader = _reader(path, name)
    if path.stat().st_size == 0:
        raise Rejected(f"{name} is empty (0 bytes): copy or export it again.")
    if path.suffix.lower() in TEXT:
        yield from reader(path, name, columns, units)
    elif columns is not None:
        raise Rejected(f"{name}: 'columns' are declared, but only delimited text has them: remove them.")
    else:
        yield from reader(path, name)


def _reader(path, name):
    kind = path.suffix.lower()
    if kind == ".ply":
        from nightbay.readers import ply as module
    elif kind == ".e57":
        from nightbay.readers import e57 as module
    elif kind in TEXT:
        from nightbay.readers import text as module
    elif kind in (".las", ".laz"):
        from nightbay.readers import las as module
    elif kind == ".obj":
        from nightbay.readers import obj as module
    elif kind == ".stl":
        from nightbay.readers import stl as module
    else:
        raise Rejected(
            f"{name}: the format '{kind}' is not read; export it as PLY, E57, delimited text (xyz, csv, asc, txt), "
            "LAS, LAZ, OBJ or STL."
        )
    return module.blocks

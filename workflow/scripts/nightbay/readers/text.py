"""Reads points from delimited text: xyz, csv, asc, txt."""

import warnings
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import layout, refusals
from nightbay.readers.block import MOST, Block, colour_of, normals_of

SHADES = ("red", "green", "blue")


def blocks(path: Path, name: str, columns: Sequence[str] | None = None, units: str | None = None) -> Iterator[Block]:
    """Yield the blocks of a text file.

    ``columns``: those that the job sheet declares, or None to find them; ``units``: those that it declares, compared
    with the units that a header names. Raises :class:`Rejected` for a layout that is not clear, a field that is no
    number, and fewer points than the first line promises.
    """
    form = layout.find(path, name, columns)
    if units is not None:
        layout.check_units(form, units, name)
    field_of = {column: form.columns.index(column) for column in form.columns if column not in ("-", "id", "diameter")}
    used = sorted(field_of.values())
    where = {column: used.index(field) for column, field in field_of.items()}
    count = 0
    with open(path, encoding="utf-8-sig") as file:
        lines = _rows(file, name, form)
        while True:
            table = _table(lines, path, name, form, used)
            if not len(table):
                break
            yield Block(
                table[:, [where[axis] for axis in "xyz"]],
                normals_of(table[:, [where[f"n{axis}"] for axis in "xyz"]]) if "nx" in where else None,
                colour_of(table[:, [where[shade] for shade in SHADES]], name) if "red" in where else None,
                first=count + 1,
                time=table[:, where["time"]] if "time" in where else None,
            )
            count += len(table)
    if form.promised is not None and count < form.promised:
        raise refusals.too_short(name, form.promised, count, where="first line")


def _rows(file: Iterable[str], name: str, form: layout.Layout) -> Iterator[str]:
    """Yield the rows of a file without comments, each with as many fields as the layout has.

    Rows without quotes have as many fields as their delimiters say: only the first row with a number of delimiters is
    split to count them.
    """
    sound: set[int] = set()  # numbers of delimiters that give the right number of fields
    for number, line in enumerate(file, start=1):
        if number <= form.skip:
            continue
        row = layout.uncommented(line)
        if not row:
            continue
        marks = row.count(form.delimiter) if form.delimiter else len(row.split())
        if marks not in sound or '"' in row:
            layout.fields(row, form, name, number)
            if '"' not in row:
                sound.add(marks)
        yield row


def _table(lines: Iterator[str], path: Path, name: str, form: layout.Layout, used: list[int]) -> np.ndarray:
    """The next rows, at most :data:`MOST`, as numbers of the fields ``used``, (m, k) float64; none at the end."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*input contained no data")
        try:
            return np.loadtxt(
                lines, delimiter=form.delimiter, usecols=used, max_rows=MOST, ndmin=2, comments=None, quotechar='"'
            )
        except (ValueError, IndexError) as error:
            fault = _fault(path, name, form, used) or (
                f"{name} can't be read as numbers ({refusals.cause(error)}): export it again."
            )
            raise Rejected(fault) from error


def _fault(path: Path, name: str, form: layout.Layout, used: list[int]) -> str | None:
    """The sentence on the first field that is no number, found by reading the file again line by line."""
    with open(path, encoding="utf-8-sig", errors="replace") as file:
        for number, line in enumerate(file, start=1):
            text = layout.uncommented(line)
            if number <= form.skip or not text:
                continue
            words = layout.fields(text, form, name, number)
            for field in used:
                if not layout.NUMBER.fullmatch(words[field]):
                    return (
                        f"{name}, line {number}, column {field + 1} ({form.columns[field]}): '{words[field][:40]}' is "
                        "not a number: export it again."
                    )
    return None

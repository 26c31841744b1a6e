"""Reads points from delimited text: xyz, csv, asc, txt."""

import warnings

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.readers import layout
from nightbay.readers.block import MOST, Block, colour_of


def blocks(path, name, columns=None, units=None):
    """Yield :class:`Block` of a text file.

    ``columns`` as the job sheet declares them, or None to find them; ``units`` that it declares, checked against those
    that a header names.
    """
    form = layout.find(path, name, columns)
    if units is not None:
        layout.check_units(form, units, name)
    at = {column: form.columns.index(column) for column in form.columns if column not in ("-", "id", "diameter")}
    used = sorted(at.values())
    where = {column: used.index(place) for column, place in at.items()}
    count = 0
    with open(path, encoding="utf-8-sig") as file:
        lines = _rows(file, name, form)
        while True:
            table = _table(lines, path, name, form, used)
            if not len(table):
                break
            yield Block(
                table[:, [where[axis] for axis in "xyz"]],
                table[:, [where[f"n{axis}"] for axis in "xyz"]].astype(np.float32) if "nx" in where else None,
                colour_of(table[:, [where[one] for one in ("red", "green", "blue")]]) if "red" in where else None,
                first=count + 1,
            )
            count += len(table)
    if form.promised is not None and count < form.promised:
        raise Rejected(
            f"{name}: its first line promises {form.promised} points, the file holds {count}: it was cut short, copy "
            "or export it again."
        )


def _rows(file, name, form):
    """Yield the rows of a file without comments, each with as many fields as the layout has.

    Fields of a plain line are told by its delimiters alone: what was once taken apart is known by their number.
    """
    sound = set()
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


def _table(lines, path, name, form, used):
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*input contained no data")
        try:
            return np.loadtxt(
                lines, delimiter=form.delimiter, usecols=used, max_rows=MOST, ndmin=2, comments=None, quotechar='"'
            )
        except (ValueError, IndexError) as error:
            raise Rejected(_fault(path, name, form, used) or f"{name} can't be read as numbers ({error}).") from error


def _fault(path, name, form, used):
    """The sentence on the first field that is no number, found by reading again line by line."""
    with open(path, encoding="utf-8-sig", errors="replace") as file:
        for number, line in enumerate(file, start=1):
            text = layout.uncommented(line)
            if number <= form.skip or not text:
                continue
            words = layout.fields(text, form, name, number)
            for place in used:
                if not layout.NUMBER.fullmatch(words[place]):
                    return (
                        f"{name}, line {number}, column {place + 1} ({form.columns[place]}): '{words[place][:40]}' is "
                        "not a number: export it again."
                    )
    return None

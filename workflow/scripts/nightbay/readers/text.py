"""Reads points from delimited text: xyz, csv, asc, txt."""

import warnings

import numpy as np

from nightbay import layout
from nightbay.errors import Rejected
from nightbay.readers.block import MOST, Block, colour_of


def blocks(path, name, columns=None):
    """Yield :class:`Block` of a text file; ``columns`` as the job sheet declares them, or None to find them."""
    form = layout.find(path, name, columns)
    at = {column: form.columns.index(column) for column in form.columns if column not in ("-", "id", "diameter")}
    used = sorted(at.values())
    where = {column: used.index(place) for column, place in at.items()}
    count = 0
    with open(path, encoding="utf-8-sig") as file:
        for _ in range(form.skip):
            file.readline()
        while True:
            table = _table(file, path, name, form, used)
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


def _table(file, path, name, form, used):
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*input contained no data")
        try:
            return np.loadtxt(
                file, delimiter=form.delimiter, usecols=used, max_rows=MOST, ndmin=2, comments=layout.COMMENTS
            )
        except (ValueError, IndexError) as error:
            raise Rejected(_fault(path, name, form, used) or f"{name} can't be read as numbers ({error}).") from error


def _fault(path, name, form, used):
    """The sentence on the first line that can't be read, found by reading again line by line."""
    with open(path, encoding="utf-8-sig", errors="replace") as file:
        for number, line in enumerate(file, start=1):
            text = line.split("#")[0].strip()
            if number <= form.skip or not text or text.startswith(layout.COMMENTS):
                continue
            words = layout.split(text, form.delimiter)
            if len(words) <= used[-1]:
                return (
                    f"{name}, line {number}: {len(words)} columns are there, {used[-1] + 1} are needed: the file was "
                    "cut short or damaged, copy or export it again."
                )
            for place in used:
                if not layout.NUMBER.fullmatch(words[place]):
                    return (
                        f"{name}, line {number}, column {place + 1} ({form.columns[place]}): '{words[place][:40]}' is "
                        "not a number: export it again."
                    )
    return None

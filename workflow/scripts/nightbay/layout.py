"""Finds out how a delimited text file is laid out: what stands before the numbers, the delimiter, the columns.

Columns are declared in the job sheet, named in a header line, or recognised by their count where that leaves no doubt;
nothing is guessed beyond that.
"""

import re
from dataclasses import dataclass

import numpy as np

from nightbay.errors import Rejected

COMMENTS = ("#", "//", "%", "!")
NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?|[-+]?(nan|inf|infinity)", re.IGNORECASE)
COMMA_NUMBER = re.compile(r"[-+]?\d+,\d+")
HEAD_LINES = 50  # lines looked at to find the layout
# Header words that are in common use, in small letters and without what stands in brackets.
NAMES = {
    **{axis: axis for axis in ("x", "y", "z", "nx", "ny", "nz")},
    **{f"{axis}{word}": axis for axis in "xyz" for word in ("coord", "coordinate", "position")},
    **{f"normal{axis}": f"n{axis}" for axis in "xyz"},
    **{"r": "red", "g": "green", "b": "blue", "red": "red", "green": "green", "blue": "blue"},
    **{"id": "id", "name": "id", "label": "id", "number": "id", "no": "id", "nr": "id", "target": "id", "point": "id"},
    **{"diameter": "diameter", "d": "diameter", "size": "diameter"},
}
UNITS = {"mm": "mm", "cm": "cm", "m": "m", "in": "inch", "inch": "inch"}


@dataclass(frozen=True)
class Layout:
    """``skip``: lines before the first row; ``delimiter``: None for blanks; ``columns``: what each column holds, '-'
    for what is not used; ``promised``: number of rows that the file says it has, or None."""

    skip: int
    delimiter: str | None
    columns: list
    promised: int | None = None


def find(path, name, columns=None):
    """The :class:`Layout` of a text file; ``name`` is what sentences call it. Raises :class:`Rejected`."""
    lines = _head(path, name)
    delimiter, promised, header, at = None, None, None, 0
    for at, line in enumerate(lines):
        text = line.strip()
        if not text or text.startswith(COMMENTS):
            words = text.lstrip("#/%! ")
            header = header or _header(words)
            continue
        if promised is None and re.fullmatch(r"\d+", text) and at + 1 < len(lines):
            promised = int(text)
            continue
        if not any(NUMBER.fullmatch(word) for word in split(text, _delimiter(text))):
            if _comma_decimal(text):
                break
            header = _header(text)
            if header is None and columns is None:
                raise Rejected(
                    f"{name}, line {at + 1}: the header '{text[:60]}' names no columns x, y and z: name them, or "
                    "declare 'columns' in the job sheet."
                )
            continue
        break
    else:
        raise Rejected(f"{name} holds no row of numbers: export it again.")
    rows = [line.strip() for line in lines[at:] if line.strip() and not line.strip().startswith(COMMENTS)]
    if any(_comma_decimal(row) for row in rows):
        raise Rejected(
            f"{name}, line {at + 1}: '{rows[0][:60]}' has commas as decimal marks, which can't be told from commas "
            "between columns: export it with points as decimal marks."
        )
    delimiter = _delimiter(rows[0])
    table = [split(row, delimiter) for row in rows]
    if columns is None:
        columns = header if header is not None else _by_count(table, name, at, delimiter)
    if len(columns) > len(table[0]):
        raise Rejected(
            f"{name}, line {at + 1}: {len(table[0])} columns are there, {len(columns)} are declared "
            f"({', '.join(columns)}): correct 'columns' or the header."
        )
    for axis in "xyz":
        if columns.count(axis) != 1:
            raise Rejected(
                f"{name}: the columns {', '.join(columns)} hold {columns.count(axis)} times '{axis}'; exactly one is "
                "needed."
            )
    return Layout(at, delimiter, list(columns), promised)


def split(text, delimiter):
    """Fields of one line."""
    return [word.strip().strip('"') for word in (text.split(delimiter) if delimiter else text.split())]


def units_in_header(path, name):
    """The unit that a header names in brackets or after the axis (``x_mm``, ``X [m]``), or None."""
    for line in _head(path, name):
        text = line.strip().lstrip("#/%! ").lower()
        found = re.match(r"""["']?x\s*(?:_|\[|\(|\s)\s*(mm|cm|m|inch|in)\b""", text)
        if found:
            return UNITS[found[1]]
    return None


def _head(path, name):
    try:
        with open(path, encoding="utf-8-sig") as file:
            return [line for _, line in zip(range(HEAD_LINES), file, strict=False)]
    except UnicodeDecodeError as error:
        raise Rejected(f"{name} is not text in UTF-8: export it as delimited text.") from error


def _delimiter(text):
    return next((mark for mark in (";", "\t", ",") if mark in text), None)


def _comma_decimal(row):
    """Whether a row can only be read with commas as decimal marks."""
    delimiter = ";" if ";" in row else "\t" if "\t" in row else None
    words = split(row, delimiter)
    found = sum(bool(COMMA_NUMBER.fullmatch(word)) for word in words)
    return len(words) >= 2 and found >= (1 if delimiter else 2)


def _header(text):
    """Columns that a line of words names, or None where it does not name x, y and z."""
    words = [re.sub(r"[\[(].*?[\])]", "", word).strip().lower() for word in split(text, _delimiter(text))]
    words = [re.sub(r"_(mm|cm|m|inch|in)$", "", word) for word in words if word]
    columns = [NAMES.get(word.replace("_", "").replace(" ", ""), "-") for word in words]
    return columns if all(axis in columns for axis in "xyz") else None


def _by_count(table, name, at, delimiter):
    """Columns of a file without header: only counts that leave one reading are taken."""
    width = len(table[0])
    if width == 3:
        return ["x", "y", "z"]
    if width in (4, 7) and _ids([row[0] for row in table]):
        return ["id", *_by_count([row[1:] for row in table], name, at, delimiter)]
    if width == 6:
        extra = np.array([[_float(word) for word in row[3:6]] for row in table if len(row) == 6])
        length = np.linalg.norm(extra, axis=1)
        if np.all(np.abs(length - 1) < 0.01):  # unit length within the rounding of two decimals
            return ["x", "y", "z", "nx", "ny", "nz"]
        whole = delimiter == "," and all(
            re.fullmatch(r"\d+", word) for word in table[0][:3]
        )  # 1,5,2,5,3,5 is 1.5 2.5 3.5?
        if not whole and np.all((extra >= 0) & (extra <= 255) & (extra == np.round(extra))):
            return ["x", "y", "z", "red", "green", "blue"]
    raise Rejected(
        f"{name}, line {at + 1}: what its {width} columns hold is not clear without a header: name them in one, or "
        "declare 'columns' in the job sheet."
    )


def _ids(words):
    """Whether these can be names of rows: words, or different whole numbers."""
    whole = all(re.fullmatch(r"\d+", word) for word in words)
    text = all(not NUMBER.fullmatch(word) for word in words)
    return len(set(words)) == len(words) and (whole or text)


def _float(word):
    return float(word) if NUMBER.fullmatch(word) else np.nan

"""Finds the layout of a delimited text file: the lines before the numbers, the delimiter, the columns.

Columns are declared in the job sheet, named in a header line, or recognised by their count where only one reading is
possible; nothing else is guessed.
"""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from nightbay.core.errors import Rejected

COMMENTS = ("#", "//", "%", "!")
QUOTED = '"[^"]*"'
# A comment begins at the start of a line, or after a blank or a delimiter: a target may be called T#5.
QUOTED_OR_COMMENT = re.compile(rf"({QUOTED})|(?:^|(?<=[\s,;]))(?:#|//|%|!).*", re.DOTALL)
# Digits of ASCII only, as NumPy's reader takes them.
NUMBER = re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)(e[-+]?[0-9]+)?|[-+]?(nan|inf|infinity)", re.IGNORECASE | re.ASCII)
COMMA_NUMBER = re.compile(r"[-+]?[0-9]+,[0-9]+")
PROMISE = re.compile(r"[0-9]{1,15}")  # a line of nothing but the number of rows; what is longer is no count
HEAD_LINES = 50  # lines that are examined to find the layout
LONGEST_LINE = 50_000  # characters; a row of a dozen columns has some 200
# Words of headers in common use, in small letters and without brackets and what they hold.
HEADER_WORDS = {
    **{axis: axis for axis in ("x", "y", "z", "nx", "ny", "nz")},
    **{f"{axis}{word}": axis for axis in "xyz" for word in ("coord", "coordinate", "position")},
    **{f"normal{axis}": f"n{axis}" for axis in "xyz"},
    **{"r": "red", "g": "green", "b": "blue", "red": "red", "green": "green", "blue": "blue"},
    **{"id": "id", "name": "id", "label": "id", "number": "id", "no": "id", "nr": "id", "target": "id", "point": "id"},
    **{"time": "time", "timestamp": "time", "gpstime": "time", "frame": "time"},
    **{"diameter": "diameter", "d": "diameter", "size": "diameter"},
}
# Units that a job sheet can't declare are listed too: a header that names one contradicts every job sheet.
UNITS = {
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), "cm"),
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("in", "inch", "inches"), "inch"),
    **dict.fromkeys(("ft", "foot", "feet"), "ft"),
    **{unit: unit for unit in ("um", "dm", "km")},
}
UNIT = "|".join(sorted(UNITS, key=len, reverse=True))
UNIT_OF_AXIS = re.compile(
    rf"\b[xyz](?:[ _]?(?:coord|coordinate|position))?(?:\s*[\[(]\s*(?:in\s+)?({UNIT})\s*[\])]|_({UNIT})\b)"
)
UNIT_OF_FIELD = re.compile(rf"(?:_|\s+(?:in\s+)?)({UNIT})$")
UNIT_OF_FILE = re.compile(rf"\W*units?\s*[:=]\s*({UNIT})\b(?!/)")
TRIPLES = (("red", "green", "blue"), ("nx", "ny", "nz"))  # columns that have a meaning only together


@dataclass(frozen=True)
class Layout:
    """Layout of a delimited text file.

    ``skip``: lines before the first row; ``delimiter``: None for blanks; ``columns``: what each column holds, '-' for a
    column that is not used; ``width``: fields of every row; ``units``: those that the lines before the rows name;
    ``promised``: number of rows that the file says it has, or None.
    """

    skip: int
    delimiter: str | None
    columns: list[str]
    width: int
    units: tuple[str, ...] = ()
    promised: int | None = None


@dataclass(frozen=True)
class _Head:
    """The lines before the first row: ``skip`` of them, the ``columns`` that a header names, and ``promised`` rows."""

    skip: int
    columns: list[str] | None
    promised: int | None


def find(path: Path, name: str, columns: Sequence[str] | None = None) -> Layout:
    """The layout of a text file, from its first lines.

    ``name``: name of the file in messages; ``columns``: those that the job sheet declares, or None to find them. Raises
    :class:`Rejected` for a file that is not text, holds no row of numbers, or whose columns are not clear.
    """
    lines = _first_lines(path, name)
    head = _read_head(lines, name, columns is not None)
    rows = [row for line in lines[head.skip :] if (row := uncommented(line))]
    if any(_has_decimal_commas(row) for row in rows):
        raise Rejected(
            f"{name}, line {head.skip + 1}: '{rows[0][:60]}' has commas as decimal marks, which look the same as "
            "commas between columns: export it with points as decimal marks."
        )
    delimiter = _delimiter(rows[0])
    table = [_without_empty_end(split(row, delimiter)) for row in rows]
    if columns is not None:
        found = list(columns)
        width = max(len(found), len(table[0]))
    else:
        found = head.columns if head.columns is not None else _columns_by_count(table, name, head.skip, delimiter)
        width = len(found)
    for axis in "xyz":
        if found.count(axis) != 1:
            raise Rejected(
                f"{name}: the columns {', '.join(found)} hold {found.count(axis)} times '{axis}'; exactly one is "
                "needed."
            )
    layout = Layout(
        head.skip, delimiter, _without_partial_triples(found), width, _units(lines[: head.skip]), head.promised
    )
    fields(rows[0], layout, name, head.skip + 1)
    return layout


def _read_head(lines: list[str], name: str, declared: bool) -> _Head:
    """The :class:`_Head` of a file; ``declared``: the columns are known, so a header need not name them."""
    promised, columns = None, None
    for at, line in enumerate(lines):
        text = line.strip()
        if not text or text.startswith(COMMENTS):
            columns = columns or _header_columns(text.lstrip("#/%! "))
            continue
        if promised is None and PROMISE.fullmatch(text) and at + 1 < len(lines):
            promised = int(text)
            continue
        if any(NUMBER.fullmatch(word) for word in split(text, _delimiter(text))) or _has_decimal_commas(text):
            return _Head(at, columns, promised)
        columns = _header_columns(text)
        if columns is None and not declared:
            raise Rejected(
                f"{name}, line {at + 1}: the header '{text[:60]}' names no columns x, y and z: name them, or "
                "declare 'columns' in the job sheet."
            )
    raise Rejected(f"{name} holds no row of numbers: export it again.")


def split(text: str, delimiter: str | None) -> list[str]:
    """Fields of one line, without surrounding blanks; a delimiter in quotes separates nothing."""
    if '"' in text:
        words = next(csv.reader([text], delimiter=delimiter or " ", skipinitialspace=True))
    else:
        words = text.split(delimiter) if delimiter else text.split()
    return [word.strip() for word in words]


def uncommented(line: str) -> str:
    """A line without the comment at its end and surrounding blanks; tabs stay, since they may be empty fields."""
    if "#" in line or "//" in line or "%" in line or "!" in line:
        line = QUOTED_OR_COMMENT.sub(lambda found: found[1] or "", line)
    return line.strip(" \r\n") if not line.isspace() else ""


def fields(row: str, layout: Layout, name: str, line: int) -> list[str]:
    """The ``layout.width`` fields of a row; more delimiters at its end are allowed.

    ``name``, ``line``: file and number of the line for sentences. Raises :class:`Rejected` for a row with fewer or more
    fields: it is then not known which column a field belongs to.
    """
    _check_length(row, name, line)
    words = split(row, layout.delimiter)
    if len(words) < layout.width:
        raise Rejected(
            f"{name}, line {line}: {len(words)} columns are there, {layout.width} are needed "
            f"({', '.join(layout.columns)}): the file was cut short or damaged, copy or export it again, or correct "
            "its header or 'columns'."
        )
    if any(words[layout.width :]):
        raise Rejected(
            f"{name}, line {line}: {len(words)} columns are there, {layout.width} are expected "
            f"({', '.join(layout.columns)}): put text that holds the delimiter in quotes, name every column in the "
            "header, or declare 'columns' in the job sheet."
        )
    return words[: layout.width]


def _check_length(text: str, name: str, line: int) -> None:
    if len(text) > LONGEST_LINE:
        raise Rejected(
            f"{name}, line {line}: it has {len(text)} characters or more, at most {LONGEST_LINE} are allowed, so it is "
            "no row of a table: export it again as delimited text."
        )


def check_units(layout: Layout, units: str, name: str) -> None:
    """Raise :class:`Rejected` for a file whose header names other units than ``units``, those of the job sheet."""
    other = next((unit for unit in layout.units if unit != units), None)
    if other is not None:
        raise Rejected(f"{name}: its header gives {other}, the job sheet {units}: correct the one that is wrong.")


def _units(lines: list[str]) -> tuple[str, ...]:
    """The units that lines before the rows name for x, y and z or for all (``x_mm``, ``X [m]``, ``units: cm``)."""
    found = []
    for line in lines:
        text = line.strip().lstrip("#/%! ").lower()
        found += [in_brackets or after_underscore for in_brackets, after_underscore in UNIT_OF_AXIS.findall(text)]
        axes = [word for word in split(text, _delimiter(text)) if HEADER_WORDS.get(_bare(word)) in ("x", "y", "z")]
        found += [match[1] for word in axes if (match := UNIT_OF_FIELD.search(word))]
        found += [match[1]] if (match := UNIT_OF_FILE.match(text)) else []
    return tuple(dict.fromkeys(UNITS[unit] for unit in found))


def _first_lines(path: Path, name: str) -> list[str]:
    """The first :data:`HEAD_LINES` lines of the file."""
    try:
        with open(path, encoding="utf-8-sig") as file:
            lines = [file.readline(LONGEST_LINE + 2) for _ in range(HEAD_LINES)]
    except UnicodeDecodeError as error:
        raise Rejected(f"{name} is not text in UTF-8: export it as delimited text.") from error
    for number, line in enumerate(lines, start=1):
        _check_length(line.rstrip("\r\n"), name, number)
    if any("\0" in line for line in lines):
        raise Rejected(f"{name} is not text (it holds zero bytes): export it as delimited text in UTF-8.")
    return [line for line in lines if line]


def _delimiter(text: str) -> str | None:
    """The delimiter of a line, None for blanks."""
    bare = re.sub(QUOTED, "", text).strip()
    return next((mark for mark in (";", "\t", ",") if mark in bare), None)


def _has_decimal_commas(row: str) -> bool:
    """Whether commas can only be the decimal marks of a row."""
    delimiter = ";" if ";" in row else "\t" if "\t" in row else None
    words = split(row, delimiter)
    found = sum(bool(COMMA_NUMBER.fullmatch(word)) for word in words)
    return len(words) >= 2 and found >= (1 if delimiter else 2)


def _header_columns(text: str) -> list[str] | None:
    """The columns that a line of words names, or None where it does not name x, y and z."""
    text = re.sub(r"^\w[\w ]*:\s", "", text)  # "columns: x y z"
    text = re.sub(r"[\[(].*?[\])]", "", text)
    words = _without_empty_end(split(text, _delimiter(text)))
    columns = [HEADER_WORDS.get(_bare(word), "-") for word in words]
    return columns if all(axis in columns for axis in "xyz") else None


def _bare(word: str) -> str:
    """A word of a header without unit, underscores and blanks, as :data:`HEADER_WORDS` lists it."""
    return UNIT_OF_FIELD.sub("", word.lower()).replace("_", "").replace(" ", "")


def _without_empty_end(words: list[str]) -> list[str]:
    """Fields without the empty fields at the end, which delimiters there make."""
    last = max((at for at, word in enumerate(words) if word), default=-1)
    return words[: last + 1]


def _without_partial_triples(columns: list[str]) -> list[str]:
    """Columns with '-' for a red without green and blue, or a component of a normal without the others."""
    parts = [
        column for triple in TRIPLES if not all(columns.count(member) == 1 for member in triple) for column in triple
    ]
    return ["-" if column in parts else column for column in columns]


def _columns_by_count(table: list[list[str]], name: str, at: int, delimiter: str | None) -> list[str]:
    """Columns of a file without header, for counts of fields that allow one reading only."""
    width = len(table[0])
    if width == 3:
        return ["x", "y", "z"]
    if width in (4, 7) and _are_row_names([row[0] for row in table if row]):
        return ["id", *_columns_by_count([row[1:] for row in table], name, at, delimiter)]
    if width == 6:
        extra = np.array([[_float(word) for word in row[3:6]] for row in table if len(row) == 6])
        length = np.linalg.norm(extra, axis=1)
        if np.all(np.abs(length - 1) < 0.01):  # unit length within the rounding of two decimals
            return ["x", "y", "z", "nx", "ny", "nz"]
        # 1,5,2,5,3,5 could also be the point 1.5 2.5 3.5.
        ambiguous = delimiter == "," and all(re.fullmatch(r"\d+", word) for word in table[0][:3])
        if not ambiguous and np.all((extra >= 0) & (extra <= 255) & (extra == np.round(extra))):
            return ["x", "y", "z", "red", "green", "blue"]
    raise Rejected(
        f"{name}, line {at + 1}: what its {width} columns hold is not clear without a header: name them in one, or "
        "declare 'columns' in the job sheet."
    )


def _are_row_names(words: list[str]) -> bool:
    """Whether these can be names of rows: all are different, and all are words or all are whole numbers."""
    whole = all(re.fullmatch(r"\d+", word) for word in words)
    text = all(not NUMBER.fullmatch(word) for word in words)
    return len(set(words)) == len(words) and (whole or text)


def _float(word: str) -> float:
    return float(word) if NUMBER.fullmatch(word) else np.nan

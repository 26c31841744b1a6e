"""Finds out how a delimited text file is laid out: what stands before the numbers, the delimiter, the columns.

Columns are declared in the job sheet, named in a header line, or recognised by their count where that leaves no doubt;
nothing is guessed beyond that.
"""

import csv
import re
from dataclasses import dataclass

import numpy as np

from nightbay.core.errors import Rejected

COMMENTS = ("#", "//", "%", "!")
QUOTED = '"[^"]*"'
# A comment begins with its line or after a blank or a delimiter: a target may be called T#5.
QUOTED_OR_COMMENT = re.compile(rf"({QUOTED})|(?:^|(?<=[\s,;]))(?:#|//|%|!).*", re.DOTALL)
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
# Those that a job sheet can't declare are here so that a header that names one is not passed over.
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
WHOLE = (("red", "green", "blue"), ("nx", "ny", "nz"))  # columns that mean something together only


@dataclass(frozen=True)
class Layout:
    """``skip``: lines before the first row; ``delimiter``: None for blanks; ``columns``: what each column holds, '-'
    for what is not used; ``width``: fields of every row; ``units``: those that the lines before the rows name;
    ``promised``: number of rows that the file says it has, or None."""

    skip: int
    delimiter: str | None
    columns: list
    width: int
    units: tuple = ()
    promised: int | None = None


def find(path, name, columns=None):
    """The :class:`Layout` of a text file; ``name`` is what sentences call it. Raises :class:`Rejected`."""
    lines = _head(path, name)
    promised, header, at = None, None, 0
    for at, line in enumerate(lines):
        text = line.strip()
        if not text or text.startswith(COMMENTS):
            header = header or _header(text.lstrip("#/%! "))
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
    rows = [row for line in lines[at:] if (row := uncommented(line))]
    if any(_comma_decimal(row) for row in rows):
        raise Rejected(
            f"{name}, line {at + 1}: '{rows[0][:60]}' has commas as decimal marks, which can't be told from commas "
            "between columns: export it with points as decimal marks."
        )
    delimiter = _delimiter(rows[0])
    table = [_without_end(split(row, delimiter)) for row in rows]
    if columns is not None:
        width = max(len(columns), len(table[0]))
    else:
        columns = header if header is not None else _by_count(table, name, at, delimiter)
        width = len(columns)
    for axis in "xyz":
        if columns.count(axis) != 1:
            raise Rejected(
                f"{name}: the columns {', '.join(columns)} hold {columns.count(axis)} times '{axis}'; exactly one is "
                "needed."
            )
    form = Layout(at, delimiter, _whole(columns), width, _units(lines[:at]), promised)
    fields(rows[0], form, name, at + 1)
    return form


def split(text, delimiter):
    """Fields of one line; a delimiter in quotes is none."""
    if '"' in text:
        words = next(csv.reader([text], delimiter=delimiter or " ", skipinitialspace=True))
    else:
        words = text.split(delimiter) if delimiter else text.split()
    return [word.strip() for word in words]


def uncommented(line):
    """A line without the comment that it may end in and without blanks about it; tabs may stand for empty fields."""
    if "#" in line or "//" in line or "%" in line or "!" in line:
        line = QUOTED_OR_COMMENT.sub(lambda found: found[1] or "", line)
    return line.strip(" \r\n") if not line.isspace() else ""


def fields(row, form, name, line):
    """The fields of a row, ``form.width`` of them; delimiters at its end are harmless.

    Raises :class:`Rejected` for a row with fewer or more: which field belongs to which column is then not known.
    """
    words = split(row, form.delimiter)
    if len(words) < form.width:
        raise Rejected(
            f"{name}, line {line}: {len(words)} columns are there, {form.width} are needed "
            f"({', '.join(form.columns)}): the file was cut short or damaged, copy or export it again, or correct its "
            "header or 'columns'."
        )
    if any(words[form.width :]):
        raise Rejected(
            f"{name}, line {line}: {len(words)} columns are there, {form.width} are expected "
            f"({', '.join(form.columns)}): put text that holds the delimiter in quotes, name every column in the "
            "header, or declare 'columns' in the job sheet."
        )
    return words[: form.width]


def check_units(form, units, name):
    """Refuse a file whose header names other units than the job sheet declares."""
    other = next((unit for unit in form.units if unit != units), None)
    if other is not None:
        raise Rejected(f"{name}: its header says {other}, the job sheet says {units}: correct the one that is wrong.")


def _units(lines):
    """The units that lines before the rows name for x, y and z or for all (``x_mm``, ``X [m]``, ``units: cm``)."""
    found = []
    for line in lines:
        text = line.strip().lstrip("#/%! ").lower()
        found += [one or other for one, other in UNIT_OF_AXIS.findall(text)]
        names = [word for word in split(text, _delimiter(text)) if NAMES.get(_named(word)) in ("x", "y", "z")]
        found += [match[1] for word in names if (match := UNIT_OF_FIELD.search(word))]
        found += [match[1]] if (match := UNIT_OF_FILE.match(text)) else []
    return tuple(dict.fromkeys(UNITS[unit] for unit in found))


def _head(path, name):
    try:
        with open(path, encoding="utf-8-sig") as file:
            return [line for _, line in zip(range(HEAD_LINES), file, strict=False)]
    except UnicodeDecodeError as error:
        raise Rejected(f"{name} is not text in UTF-8: export it as delimited text.") from error


def _delimiter(text):
    bare = re.sub(QUOTED, "", text).strip()
    return next((mark for mark in (";", "\t", ",") if mark in bare), None)


def _comma_decimal(row):
    """Whether a row can only be read with commas as decimal marks."""
    delimiter = ";" if ";" in row else "\t" if "\t" in row else None
    words = split(row, delimiter)
    found = sum(bool(COMMA_NUMBER.fullmatch(word)) for word in words)
    return len(words) >= 2 and found >= (1 if delimiter else 2)


def _header(text):
    """Columns that a line of words names, or None where it does not name x, y and z."""
    text = re.sub(r"^\w[\w ]*:\s", "", text)  # "columns: x y z"
    text = re.sub(r"[\[(].*?[\])]", "", text)
    words = _without_end(split(text, _delimiter(text)))
    columns = [NAMES.get(_named(word), "-") for word in words]
    return columns if all(axis in columns for axis in "xyz") else None


def _named(word):
    """A word of a header as :data:`NAMES` has it."""
    return UNIT_OF_FIELD.sub("", word.lower()).replace("_", "").replace(" ", "")


def _without_end(words):
    """Fields without the empty ones at the end, which a delimiter there makes."""
    last = max((at for at, word in enumerate(words) if word), default=-1)
    return words[: last + 1]


def _whole(columns):
    """Columns with '-' for a red without green and blue, or a normal's part without the others."""
    parts = [column for three in WHOLE if not all(columns.count(one) == 1 for one in three) for column in three]
    return ["-" if column in parts else column for column in columns]


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

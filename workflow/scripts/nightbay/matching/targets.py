"""Reads lists of reference targets: delimited text with optional id, normal and diameter of each."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import unchanged
from nightbay.core.errors import Rejected
from nightbay.core.printable import printable
from nightbay.core.units import FARTHEST_MM, MM
from nightbay.readers import layout

# A vehicle has some hundred targets. Matching holds the distances between all of a list; more are a point cloud.
LARGEST_BYTES, MOST_TARGETS = 1_000_000, 2000
LONGEST_ID = 60  # as in the schema of job sheets


@dataclass(frozen=True)
class Targets:
    """Targets of one list in the order of the file.

    ``id``: list of str or None; ``xyz_mm`` (n, 3) float64 in the file's frame; ``normal`` (n, 3) float64 unit or None;
    ``diameter_mm`` (n,) float64 or None.
    """

    id: list[str] | None
    xyz_mm: np.ndarray
    normal: np.ndarray | None
    diameter_mm: np.ndarray | None

    def __len__(self) -> int:
        return len(self.xyz_mm)


def read(raw: Mapping[str, Any], day: str | Path = ".") -> Targets:
    """The :class:`Targets` of a file as a job sheet hands it over.

    ``raw``: ``{"file", "sha256", "bytes", "unreadable", "units", "columns"}``, the file relative to the folder ``day``.
    Raises :class:`Rejected` for a file that can't be read or changed after it was planned, text in a column of numbers,
    a row of another length, a value that is not finite, a normal without length, or more than a list of targets holds.
    """
    name = raw["file"]
    if raw["unreadable"]:
        raise Rejected(raw["unreadable"])
    path = Path(day) / name
    with unchanged.while_read(path, raw):
        return _read(path, name, raw)


def _read(path, name, raw):
    size = path.stat().st_size
    if size == 0:
        raise Rejected(f"{name} is empty: export the list of targets again.")
    if size > LARGEST_BYTES:
        raise Rejected(
            f"{name} has {size} bytes; a list of targets has at most {LARGEST_BYTES}: name the list, not a point cloud."
        )
    form = layout.find(path, name, raw["columns"])
    layout.check_units(form, raw["units"], name)
    scale = MM[raw["units"]]
    rows = _rows(path, name, form, FARTHEST_MM / scale)
    if form.promised is not None and form.promised != len(rows):
        raise Rejected(
            f"{name}: its first line promises {form.promised} targets, {len(rows)} are there: export it again."
        )
    if len(rows) > MOST_TARGETS:
        raise Rejected(
            f"{name} holds {len(rows)} targets; at most {MOST_TARGETS} are allowed: name the list, not a point cloud."
        )
    at = {column: form.columns.index(column) for column in form.columns if column != "-"}
    table = np.array([[row[at[axis]] for axis in "xyz"] for row in rows], dtype=np.float64)
    normal = None
    if all(column in at for column in ("nx", "ny", "nz")):
        normal = np.array([[row[at[column]] for column in ("nx", "ny", "nz")] for row in rows], dtype=np.float64)
        length = np.linalg.norm(normal, axis=1)
        if np.any(length < 0.5):
            row = int(np.argmax(length < 0.5))
            raise Rejected(
                f"{name}, target {row + 1}: its normal has the length {length[row]:.3g}; 1 is needed: export the list "
                "with unit normals or without any."
            )
        normal /= length[:, None]
    return Targets(
        [row[at["id"]] for row in rows] if "id" in at else None,
        table * scale,
        normal,
        np.array([row[at["diameter"]] for row in rows]) * scale if "diameter" in at else None,
    )


def _rows(path, name, form, most):
    """Rows of the file, numbers of at most ``most`` as float, ids as text."""
    rows = []
    try:
        lines = path.read_text(encoding="utf-8-sig").split("\n")
    except UnicodeDecodeError as error:
        raise Rejected(f"{name} is not text in UTF-8: export it as delimited text.") from error
    for number, line in enumerate(lines, start=1):
        text = layout.uncommented(line)
        if number <= form.skip or not text:
            continue
        words = layout.fields(text, form, name, number)
        rows.append(
            [
                word if column == "-" else _field(word, column, f"{name}, line {number}, column {at} ({column})", most)
                for at, (word, column) in enumerate(zip(words, form.columns, strict=False), start=1)
            ]
        )
    return rows


def _field(word, column, where, most):
    """A field as text, where it is an id, or as a number; ``where``: file and place for sentences."""
    if column == "id":
        if printable(word) != word or len(word) > LONGEST_ID:
            raise Rejected(
                f"{where}: '{word[:LONGEST_ID]}' is no id; at most {LONGEST_ID} characters that can be seen are "
                "allowed: correct it."
            )
        return word
    value = float(word) if layout.NUMBER.fullmatch(word) else np.nan
    if not np.isfinite(value):
        raise Rejected(f"{where}: '{word[:40]}' is not a number: correct it.")
    if abs(value) > most:
        raise Rejected(f"{where}: {value:g} is too large; at most {most:g} is allowed: correct it, or 'units'.")
    return value

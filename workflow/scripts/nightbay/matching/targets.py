"""Reads lists of reference targets: delimited text with optional id, normal and diameter of each."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import unchanged
from nightbay.core.errors import Rejected
from nightbay.core.units import MM
from nightbay.readers import layout


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
    a row of another length, a value that is not finite, or a normal without length.
    """
    name = raw["file"]
    if raw["unreadable"]:
        raise Rejected(raw["unreadable"])
    path = Path(day) / name
    with unchanged.while_read(path, raw):
        return _read(path, name, raw)


def _read(path, name, raw):
    if path.stat().st_size == 0:
        raise Rejected(f"{name} is empty: export the list of targets again.")
    form = layout.find(path, name, raw["columns"])
    layout.check_units(form, raw["units"], name)
    rows = _rows(path, name, form)
    if form.promised is not None and form.promised != len(rows):
        raise Rejected(
            f"{name}: its first line promises {form.promised} targets, {len(rows)} are there: export it again."
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
    scale = MM[raw["units"]]
    return Targets(
        [row[at["id"]] for row in rows] if "id" in at else None,
        table * scale,
        normal,
        np.array([row[at["diameter"]] for row in rows]) * scale if "diameter" in at else None,
    )


def _rows(path, name, form):
    """Rows of the file, numbers as float, ids as text."""
    rows = []
    with open(path, encoding="utf-8-sig") as file:
        for number, line in enumerate(file, start=1):
            text = layout.uncommented(line)
            if number <= form.skip or not text:
                continue
            words = layout.fields(text, form, name, number)
            rows.append(
                [
                    _number(word, column, name, number, at) if column not in ("id", "-") else word
                    for at, (word, column) in enumerate(zip(words, form.columns, strict=False), start=1)
                ]
            )
    return rows


def _number(word, column, name, line, at):
    try:
        value = float(word)
    except ValueError:
        value = None
    if value is None or not np.isfinite(value):
        raise Rejected(f"{name}, line {line}, column {at} ({column}): '{word[:40]}' is not a number: correct it.")
    return value

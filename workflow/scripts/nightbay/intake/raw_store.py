"""Raw exports in millimetres on disk: intake reads them once, checks them, and then sorts them into a working cloud."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from nightbay import readers
from nightbay.clouds.cloud import Cloud
from nightbay.core.errors import Rejected
from nightbay.core.units import FARTHEST_MM, MM
from nightbay.readers import bounded, mesh
from nightbay.readers.block import MOST, Block

if TYPE_CHECKING:  # takes longer to import than most files take to read
    from nightbay.tracking.slips import Track

COLUMNS = {
    "xyz": np.dtype(("<f8", 3)),
    "normal": np.dtype(("<f4", 3)),
    "colour": np.dtype(("u1", 3)),
    "time": np.dtype("<f8"),
}


@dataclass(frozen=True)
class RawStore:
    """Points of one export in a folder, a file a column.

    ``count`` points; ``invalid``: points that the export marks as such, left out; ``low_mm`` and ``high_mm`` (3,):
    bounds; ``columns``: which of normal, colour and time all points have; ``partly``: which of them only some
    have, and are therefore dropped; ``step_mm``: coarsest step that the types of the coordinates allow.
    """

    folder: Path
    count: int
    invalid: int
    low_mm: np.ndarray
    high_mm: np.ndarray
    columns: tuple[str, ...]
    partly: tuple[str, ...]
    step_mm: float

    def column(self, name: str) -> np.ndarray:
        """All values of a column, (n, 3) or (n,), mapped from disk."""
        shape = (self.count, *COLUMNS[name].shape)
        return np.memmap(self.folder / f"{name}.part", COLUMNS[name].base, "r", shape=shape)

    def if_whole(self, name: str) -> np.ndarray | None:
        """A column that all points have, None where some lack it."""
        return self.column(name) if name in self.columns else None

    def sample(self, most: int) -> np.ndarray:
        """At most ``most`` points, evenly through the file, (k, 3) float64 mm."""
        return np.array(self.column("xyz")[:: max(1, -(-self.count // most))])

    def blocks(self, origin_mm: np.ndarray, track: "Track") -> Iterator[Cloud]:
        """Yield the points about ``origin_mm``, (3,), as :class:`Cloud`, in the file's order; normals are unit or
        zero. Those after a slip lie where ``track`` places them."""
        columns = {name: self.column(name) for name in ("xyz", *self.columns) if name != "time"}
        for start in range(0, self.count, MOST):
            piece = slice(start, min(start + MOST, self.count))
            normal = mesh.unit(columns["normal"][piece]) if "normal" in columns else None
            xyz_mm, normal = track.placed(columns["xyz"][piece], normal, start)
            yield Cloud(
                (xyz_mm - origin_mm).astype(np.float32),
                None if normal is None else normal.astype(np.float32, copy=False),
                np.array(columns["colour"][piece]) if "colour" in columns else None,
            )

    def remove(self) -> None:
        """Delete the files."""
        for name in COLUMNS:
            (self.folder / f"{name}.part").unlink(missing_ok=True)


def read(path: Path, name: str, columns: Sequence[str] | None, units: str, folder: Path) -> RawStore:
    """Read an export, whose coordinates are in ``units``, into ``folder``, in a process of its own.

    ``name``: its name in messages; ``columns``: of delimited text, as the job sheet declares them. Raises
    :class:`Rejected` for what the readers refuse, for coordinates that are not finite, with their number, and for a
    file whose reading ends that process or takes more than it may.
    """
    arguments = {"path": str(path), "name": name, "columns": columns, "units": units, "folder": str(folder)}
    return from_plain(bounded.call(f"{__name__}:read_here", path, name, arguments), folder)


def read_here(path: str, name: str, columns: Sequence[str] | None, units: str, folder: str) -> dict[str, Any]:
    """As :func:`read`, in this process and as :func:`plain` data."""
    return plain(store(readers.blocks(path, name, columns, units), name, units, Path(folder)))


def plain(stored: RawStore) -> dict[str, Any]:
    """A store without its folder as data for JSON, which :func:`from_plain` reads."""
    return {
        **{key: getattr(stored, key) for key in ("count", "invalid", "columns", "partly", "step_mm")},
        **{key: getattr(stored, key).tolist() for key in ("low_mm", "high_mm")},
    }


def from_plain(values: Mapping[str, Any], folder: Path) -> RawStore:
    """The store in ``folder`` that :func:`plain` described."""
    arrays = {key: np.array(values[key]) for key in ("low_mm", "high_mm")}
    names = {key: tuple(values[key]) for key in ("columns", "partly")}
    return RawStore(folder, **{**values, **arrays, **names})


def store(blocks: Iterable[Block], name: str, units: str, folder: Path) -> RawStore:
    """Write blocks of points, whose coordinates are in ``units``, into ``folder``; ``name``: as in :func:`read`.

    Raises :class:`Rejected` as :func:`read` does.
    """
    writer = _Writer(name, folder, MM[units])
    try:
        with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is counted, and refused in the end
            for block in blocks:
                writer.add(block)
    finally:
        writer.close()
    return writer.finish()


class _Writer:
    """Writes blocks of points into a file a column and sums up what they hold."""

    def __init__(self, name: str, folder: Path, scale: float) -> None:
        self.folder, self.scale, self.misplaced = folder, scale, _Misplaced(name, FARTHEST_MM / scale)
        self.files = {column: open(folder / f"{column}.part", "wb") for column in COLUMNS}  # noqa: SIM115  see close
        self.low, self.high = np.full(3, np.inf), np.full(3, -np.inf)
        self.count, self.invalid, self.step = 0, 0, 0.0
        self.held = {"normal": 0, "colour": 0, "time": 0}  # points that have one

    def add(self, block: Block) -> None:
        self.misplaced.look(block)
        xyz = block.xyz * self.scale
        if len(xyz):
            self.low, self.high = np.minimum(self.low, xyz.min(axis=0)), np.maximum(self.high, xyz.max(axis=0))
        self._write("xyz", xyz)
        for column, values in (("normal", block.normal), ("colour", block.colour), ("time", block.time)):
            if values is not None:
                self._write(column, values)
                self.held[column] += len(values)
        self.count += len(xyz)
        self.invalid += block.invalid
        self.step = max(self.step, block.step)

    def _write(self, column: str, values: np.ndarray) -> None:
        # Not tofile: it does not say why it fails.
        self.files[column].write(np.ascontiguousarray(values, COLUMNS[column].base).data)

    def close(self) -> None:
        for file in self.files.values():
            file.close()

    def finish(self) -> RawStore:
        self.misplaced.refuse(self.count)
        return RawStore(
            self.folder,
            self.count,
            self.invalid,
            self.low,
            self.high,
            tuple(column for column, held in self.held.items() if held == self.count),
            tuple(column for column, held in self.held.items() if 0 < held < self.count and column != "time"),
            self.step * self.scale,
        )


class _Misplaced:
    """Counts points whose coordinates are not finite or too large and remembers the first."""

    def __init__(self, name: str, most: float) -> None:
        self.name, self.most, self.count, self.first = name, most, 0, ""

    def look(self, block: Block) -> None:
        wrong = ~(np.abs(block.xyz) <= self.most)
        rows = wrong.any(axis=1)
        if not self.count and rows.any():
            row = int(np.argmax(rows))
            axis = int(np.argmax(wrong[row]))
            self.first = f"point {block.first + row} has {'xyz'[axis]} = {block.xyz[row, axis]}"
        self.count += int(np.count_nonzero(rows))

    def refuse(self, count: int) -> None:
        if self.count:
            raise Rejected(
                f"{self.name}: {self.count} of {count} points have no coordinates that are finite and at most "
                f"{self.most:g} ({self.first}): export it again without them."
            )

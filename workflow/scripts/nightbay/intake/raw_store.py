"""Raw exports in millimetres on disk: what intake reads once, checks, and then sorts into a working cloud."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from nightbay import readers
from nightbay.clouds.cloud import Cloud
from nightbay.core.errors import Rejected
from nightbay.core.units import MM
from nightbay.readers import mesh
from nightbay.readers.block import MOST

COLUMNS = {"xyz": np.dtype(("<f8", 3)), "normal": np.dtype(("<f4", 3)), "colour": np.dtype(("u1", 3))}


@dataclass(frozen=True)
class Spill:
    """Points of one export in a folder, a file a column; ``columns``: which of normal and colour all points have;
    ``partly``: which of them only some have, and so none keeps; ``step_mm``: coarsest step that the types allow."""

    folder: Path
    count: int
    invalid: int
    low_mm: np.ndarray
    high_mm: np.ndarray
    columns: tuple
    partly: tuple
    step_mm: float

    def column(self, name):
        """All values of a column, (n, 3), mapped from disk."""
        return np.memmap(self.folder / f"{name}.part", COLUMNS[name].base, "r", shape=(self.count, 3))

    def sample(self, most):
        """At most ``most`` points, evenly through the file, (k, 3) float64 mm."""
        return np.array(self.column("xyz")[:: max(1, -(-self.count // most))])

    def blocks(self, origin_mm):
        """Yield the points about ``origin_mm`` as :class:`Cloud`, in the file's order; normals are unit or zero."""
        columns = {name: self.column(name) for name in ("xyz", *self.columns)}
        for start in range(0, self.count, MOST):
            piece = slice(start, min(start + MOST, self.count))
            yield Cloud(
                (columns["xyz"][piece] - origin_mm).astype(np.float32),
                mesh.unit(columns["normal"][piece]) if "normal" in columns else None,
                np.array(columns["colour"][piece]) if "colour" in columns else None,
            )

    def remove(self):
        """Delete the files."""
        for name in COLUMNS:
            (self.folder / f"{name}.part").unlink(missing_ok=True)


def read(path, name, columns, units, folder):
    """Read an export, whose coordinates are in ``units``, into ``folder``. Returns the :class:`Spill`.

    Raises :class:`Rejected` for what the readers refuse and for coordinates that are not finite, with their number.
    """
    folder, scale = Path(folder), MM[units]
    files = {one: open(folder / f"{one}.part", "wb") for one in COLUMNS}  # noqa: SIM115  closed below, all together
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    count, invalid, step, holding, broken = 0, 0, 0.0, dict.fromkeys(("normal", "colour"), 0), _Broken(name)
    try:
        for block in readers.blocks(path, name, columns, units):
            broken.look(block)
            xyz = block.xyz * scale
            if len(xyz):
                low, high = np.minimum(low, xyz.min(axis=0)), np.maximum(high, xyz.max(axis=0))
            for column, values in (("xyz", xyz), ("normal", block.normal), ("colour", block.colour)):
                if values is not None:
                    values.astype(COLUMNS[column].base, copy=False).tofile(files[column])
                    if column != "xyz":
                        holding[column] += len(values)
            count += len(xyz)
            invalid += block.invalid
            step = max(step, block.step)
    finally:
        for file in files.values():
            file.close()
    broken.refuse(count)
    return Spill(
        folder,
        count,
        invalid,
        low,
        high,
        tuple(column for column, held in holding.items() if held == count),
        tuple(column for column, held in holding.items() if 0 < held < count),
        step * scale,
    )


class _Broken:
    """Counts points without finite coordinates and remembers the first."""

    def __init__(self, name):
        self.name, self.count, self.first = name, 0, None

    def look(self, block):
        wrong = ~np.isfinite(block.xyz).all(axis=1)
        if self.first is None and wrong.any():
            row = int(np.argmax(wrong))
            axis = int(np.argmax(~np.isfinite(block.xyz[row])))
            self.first = f"point {block.first + row} has {'xyz'[axis]} = {block.xyz[row, axis]}"
        self.count += int(np.count_nonzero(wrong))

    def refuse(self, count):
        if self.count:
            raise Rejected(
                f"{self.name}: {self.count} of {count} points have no finite coordinates ({self.first}): export it "
                "again without them."
            )

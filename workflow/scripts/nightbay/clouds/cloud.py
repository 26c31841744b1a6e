"""Working clouds: points in millimetres, sorted into cubic tiles, so that a stage reads only the tile it works on.

A working cloud is a folder with two files: ``cloud.ply`` (binary, little endian; any viewer opens it) and ``tiles.npy``
(one row a tile, see :data:`TILE`). Coordinates are float32 about an origin, which the PLY's header gives as
``obj_info origin_mm X Y Z``. For the largest vehicle their resolution is 0.001 mm.
"""

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from nightbay.core import ply_header

# One row of tiles.npy: grid index, first point, number of points, bounds of the points about the origin.
TILE = np.dtype([("index", "<i4", 3), ("start", "<i8"), ("count", "<i8"), ("low_mm", "<f4", 3), ("high_mm", "<f4", 3)])
BLOCK = 2_000_000  # points read or written at a time: 62 MB with normals, colour and flag
CELLS_A_TILE = 32  # points of a tile are sorted by cells of a 32nd of its edge: neighbours in space are near in memory

# attribute of a Cloud -> PLY properties of one point
PROPERTIES = {
    "xyz_mm": (("x", "<f4"), ("y", "<f4"), ("z", "<f4")),
    "normal": (("nx", "<f4"), ("ny", "<f4"), ("nz", "<f4")),
    "colour": (("red", "u1"), ("green", "u1"), ("blue", "u1")),
    "flag": (("flag", "u1"),),
}


@dataclass(frozen=True)
class Cloud:
    """A block of points in memory; every array has one row a point.

    ``xyz_mm`` (n, 3) float32 about the cloud's origin; ``normal`` (n, 3) float32 unit, outward (towards the scanner);
    ``colour`` (n, 3) uint8; ``flag`` (n,) uint8, bits set by stages (see clean). Absent attributes are None.
    """

    xyz_mm: np.ndarray
    normal: np.ndarray | None = None
    colour: np.ndarray | None = None
    flag: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.xyz_mm)

    def __getitem__(self, rows: np.ndarray | slice) -> "Cloud":
        return replace(self, **{name: getattr(self, name)[rows] for name in self.attributes})

    @property
    def attributes(self) -> tuple[str, ...]:
        """Names of the attributes that are present, in the order in which a file holds them."""
        return tuple(field.name for field in fields(self) if getattr(self, field.name) is not None)


class CloudFile:
    """A working cloud on disk, read a tile or a box at a time through a memory map.

    ``turned``, (n,) bool or None: points whose normals are returned with the opposite sign of the file's.
    ``scale``: factor of all coordinates that are returned, those of tiles and origin too. ``tiles``: a row each,
    see :data:`TILE`; ``origin_mm`` (3,); ``tile_mm``: edge of a tile in the file; ``count`` points; ``attributes``:
    names of those that the file holds.
    """

    def __init__(self, folder: Path, turned: np.ndarray | None = None, scale: float = 1.0) -> None:
        self.folder, self.turned, self.scale = Path(folder), turned, scale
        self.tiles = np.load(self.folder / "tiles.npy")
        with open(self.folder / "cloud.ply", "rb") as file:
            found = ply_header.read(file)
        info = {words[0]: words[1:] for words in found.obj_info}
        self.origin_mm = np.array(info["origin_mm"], dtype=np.float64)
        self.tile_mm = float(info["tile_mm"][0])
        if scale != 1.0:
            self.origin_mm *= scale
            self.tiles["low_mm"] *= scale
            self.tiles["high_mm"] *= scale
        self.count = found.elements[0].count
        present = {declared.name for declared in found.elements[0].properties}
        self.attributes = tuple(name for name, columns in PROPERTIES.items() if columns[0][0] in present)
        dtype = record_type(self.attributes)
        self._points = (
            np.memmap(self.folder / "cloud.ply", dtype=dtype, mode="r", offset=found.offset, shape=(self.count,))
            if self.count
            else np.empty(0, dtype)
        )

    def __len__(self) -> int:
        return self.count

    def block(self, start: int, stop: int) -> Cloud:
        """Points start..stop as a :class:`Cloud` (copied into memory)."""
        return self.take(slice(start, stop))

    def take(self, rows: np.ndarray | slice) -> Cloud:
        """The points of the given rows, a slice or (n,) int."""
        # numpy's take copies whole records, indexing goes through their fields one by one: a twelfth of the time
        records = self._points[rows] if isinstance(rows, slice) else self._points.take(rows)
        taken = unpack(records, self.attributes)
        if self.scale != 1.0:
            np.multiply(taken.xyz_mm, np.float32(self.scale), out=taken.xyz_mm)
        if self.turned is not None:
            assert taken.normal is not None
            np.negative(taken.normal, out=taken.normal, where=self.turned[rows][:, None])
        return taken

    def tile(self, number: int) -> Cloud:
        """Points of one tile (a row number of ``tiles``)."""
        tile = self.tiles[number]
        return self.block(tile["start"], tile["start"] + tile["count"])

    def near(self, low_mm: np.ndarray, high_mm: np.ndarray) -> tuple[Cloud, np.ndarray]:
        """Points inside the box, bounds (3,) about the origin, and their row numbers: ``(Cloud, (n,) int64)``."""
        low, high = np.asarray(low_mm, np.float32), np.asarray(high_mm, np.float32)
        touched = np.flatnonzero(
            np.all((self.tiles["low_mm"] <= high) & (self.tiles["high_mm"] >= low), axis=1) & (self.tiles["count"] > 0)
        )
        pieces = []
        for number in touched:
            start, count = int(self.tiles["start"][number]), int(self.tiles["count"][number])
            points = self._points[start : start + count]
            inside = np.ones(count, bool)
            for axis, name in enumerate("xyz"):
                along = points[name] if self.scale == 1.0 else points[name] * np.float32(self.scale)
                inside &= (along >= low[axis]) & (along <= high[axis])
            pieces.append(start + np.flatnonzero(inside))
        rows = np.concatenate(pieces) if pieces else np.empty(0, np.int64)
        return self.take(rows), rows

    def sample(self, most: int) -> Cloud:
        """At most ``most`` points, evenly through the file (which is sorted in space): the same ones each time."""
        step = max(1, -(-self.count // most))
        return self.take(np.arange(0, self.count, step))

    def blocks(self, size: int = BLOCK) -> Iterator[Cloud]:
        """All points, ``size`` at a time."""
        for start in range(0, self.count, size):
            yield self.block(start, min(start + size, self.count))


def record_type(attributes: Sequence[str]) -> np.dtype:
    """The packed dtype of one point with these attributes."""
    return np.dtype([column for name in attributes for column in PROPERTIES[name]])


def unpack(records: np.ndarray, attributes: Sequence[str]) -> Cloud:
    """Structured records, (n,), as a :class:`Cloud`."""
    arrays = {}
    for name in attributes:
        columns = [np.asarray(records[column]) for column, _ in PROPERTIES[name]]
        arrays[name] = columns[0].copy() if len(columns) == 1 else np.column_stack(columns)
    return Cloud(**arrays)


def pack(cloud: Cloud) -> np.ndarray:
    """A :class:`Cloud` as structured records, (n,)."""
    records = np.empty(len(cloud), record_type(cloud.attributes))
    for name in cloud.attributes:
        values = getattr(cloud, name).reshape(len(cloud), len(PROPERTIES[name]))
        for at, (column, _) in enumerate(PROPERTIES[name]):
            records[column] = values[:, at]
    return records


def header(attributes: Sequence[str], count: int, origin_mm: np.ndarray, tile_mm: float) -> bytes:
    """The PLY header of a working cloud."""
    origin = " ".join(repr(float(value)) for value in origin_mm)
    vertex = ply_header.Element("vertex", count, ply_header.properties_of(record_type(attributes)))
    return ply_header.write([vertex], ["units mm"], [f"origin_mm {origin}", f"tile_mm {float(tile_mm)!r}"])


def write(folder: Path, blocks: Iterable[Cloud], origin_mm: np.ndarray, tile_mm: float) -> CloudFile:
    """Sort blocks of points into tiles and write the working cloud ``folder``; returns it as a :class:`CloudFile`.

    The blocks pass once and only one is in memory at a time; their points are about ``origin_mm``, (3,) mm. Ties keep
    the order of arrival, so the same blocks give the same bytes.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    spill = folder / "unsorted.part"
    attributes: tuple[str, ...] | None = None
    count, parts = 0, []
    with open(spill, "wb") as file:
        for block in blocks:
            if attributes is None:
                attributes = block.attributes
            pack(block).tofile(file)
            parts.append(_cell_keys(block.xyz_mm, tile_mm))
            count += len(block)
    attributes = attributes or ("xyz_mm",)
    keys = np.concatenate(parts) if parts else np.empty(0, np.int64)
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    dtype = record_type(attributes)
    unsorted = np.memmap(spill, dtype=dtype, mode="r", shape=(count,)) if count else np.empty(0, dtype)
    with open(folder / "cloud.ply", "wb") as file:
        file.write(header(attributes, count, origin_mm, tile_mm))
        for start in range(0, count, BLOCK):
            unsorted.take(order[start : start + BLOCK]).tofile(file)
    _write_tiles(folder, keys // CELLS_A_TILE**3, attributes)
    del unsorted
    os.unlink(spill)
    return CloudFile(folder)


def write_subset(folder: Path, source: CloudFile, keep: np.ndarray, flag: np.ndarray | None = None) -> CloudFile:
    """Write the points of ``source`` that ``keep``, (n,) bool, selects, in the same order and tiles.

    ``flag``, (n,) uint8 for all points of the source, is carried along where given.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    attributes = source.attributes
    if flag is not None and "flag" not in attributes:
        attributes = (*attributes, "flag")
    count = int(np.count_nonzero(keep))
    with open(folder / "cloud.ply", "wb") as file:
        file.write(header(attributes, count, source.origin_mm, source.tile_mm))
        for start in range(0, source.count, BLOCK):
            stop = min(start + BLOCK, source.count)
            block = source.block(start, stop)
            if flag is not None:
                block = replace(block, flag=flag[start:stop])
            pack(block[keep[start:stop]]).tofile(file)
    numbers = np.repeat(np.arange(len(source.tiles)), source.tiles["count"])
    _write_tiles(folder, numbers[keep], attributes, source.tiles["index"])
    return CloudFile(folder)


def _cell_keys(xyz_mm: np.ndarray, tile_mm: float) -> np.ndarray:
    """Sort key of each point: its tile, then its cell in the tile. Tiles span +-2**15 about the origin on each axis."""
    cell = np.floor(xyz_mm.astype(np.float64) * (CELLS_A_TILE / tile_mm)).astype(np.int64)
    tile = cell // CELLS_A_TILE
    if len(tile) and np.abs(tile).max() >= 2**15:
        raise ValueError(
            f"points lie more than {2**15 * tile_mm:.0f} mm from the cloud's origin; check the unit of the export"
        )
    inner = cell - tile * CELLS_A_TILE
    tile_key = ((tile[:, 0] + 2**15) << 32) + ((tile[:, 1] + 2**15) << 16) + (tile[:, 2] + 2**15)
    inner_key = (inner[:, 0] * CELLS_A_TILE + inner[:, 1]) * CELLS_A_TILE + inner[:, 2]
    return tile_key * CELLS_A_TILE**3 + inner_key


def _write_tiles(
    folder: Path, tile_of_point: np.ndarray, attributes: Sequence[str], index_of_tile: np.ndarray | None = None
) -> None:
    """Write tiles.npy for points that are sorted by tile in ``cloud.ply``.

    ``tile_of_point`` (n,) int64: rows of ``index_of_tile``, (t, 3), or keys of the tiles where that is None.
    """
    count = len(tile_of_point)
    first = np.flatnonzero(np.diff(tile_of_point, prepend=-1)) if count else np.empty(0, np.int64)
    tiles = np.zeros(len(first), TILE)
    tiles["start"] = first
    tiles["count"] = np.diff(first, append=count)
    ids = tile_of_point[first]
    if index_of_tile is None:
        tiles["index"] = np.column_stack([(ids >> 32), (ids >> 16) & 0xFFFF, ids & 0xFFFF]) - 2**15
    else:
        tiles["index"] = index_of_tile[ids]
    with open(folder / "cloud.ply", "rb") as file:
        offset = ply_header.read(file).offset
    if count:
        points = np.memmap(folder / "cloud.ply", dtype=record_type(attributes), mode="r", offset=offset, shape=(count,))
        for axis, name in enumerate("xyz"):
            for tile in tiles:
                values = points[name][tile["start"] : tile["start"] + tile["count"]]
                tile["low_mm"][axis], tile["high_mm"][axis] = values.min(), values.max()
    np.save(folder / "tiles.npy", tiles)

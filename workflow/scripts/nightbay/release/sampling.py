"""Reads a sample of a raw export that is spread evenly through the file, with the readers of the night.

Where a format allows it, only the rows of the sample are read: they are copied into a small file of the same format,
which the night's reader then reads. Of other formats all rows are read and every k-th is kept. All of this happens in a
process of its own, as in the night.
"""

import struct
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay import readers
from nightbay.core import ply_header
from nightbay.intake import raw_store
from nightbay.intake.raw_store import RawStore
from nightbay.readers import bounded, layout, ply, stl
from nightbay.readers.block import Block

# Rows that are taken together. Exports are often sorted by place: neighbours in the file are neighbours on the vehicle,
# and many short runs of rows cover it more evenly than few long ones.
RUN = 4
LONGEST_LINE = 4096  # bytes of a line of text
LAS_COUNT, LAS_RETURNS, LAS_RECORD = 107, 20, 105  # offsets and sizes in bytes, LAS specification (ASPRS, 1.2 to 1.4)
LAS_EXTENDED, LAS_LONG_COUNT, LAS_1_4 = 235, 247, 375


@dataclass
class Sample:
    """What was taken of a file: ``read`` points of about ``of``; ``all_rows``: its format made every row be read, and
    both count up while they are."""

    read: int
    of: int
    all_rows: bool


def read(
    path: Path, name: str, columns: Sequence[str] | None, units: str, most: int, folder: Path
) -> tuple[RawStore, Sample]:
    """At most about ``most`` points of an export, left in ``folder``, and what they are a sample of.

    Raises :class:`nightbay.core.errors.Rejected` as :func:`nightbay.intake.raw_store.read` does.
    """
    arguments = {"path": str(path), "name": name, "columns": columns, "units": units, "most": most}
    arguments["folder"] = str(folder)
    stored, sample = bounded.call(f"{__name__}:read_here", path, name, arguments)
    return raw_store.from_plain(stored, folder), Sample(**sample)


def read_here(
    path: str, name: str, columns: Sequence[str] | None, units: str, most: int, folder: str
) -> tuple[dict[str, Any], dict[str, Any]]:
    """As :func:`read`, in this process and as plain data."""
    found, sample = blocks(Path(path), name, columns, units, most, Path(folder))
    stored = raw_store.store(found, name, units, Path(folder))
    return raw_store.plain(stored), asdict(sample)


def blocks(
    path: Path, name: str, columns: Sequence[str] | None, units: str, most: int, folder: Path
) -> tuple[Iterator[Block], Sample]:
    """Blocks of at most about ``most`` points of an export, in its order, and what they are a sample of.

    ``folder`` holds the small copy. Raises :class:`nightbay.core.errors.Rejected` as the readers do.
    """
    small = folder / f"sample{path.suffix.lower()}"
    copy = {".ply": _ply, ".stl": _stl, ".las": _las}.get(path.suffix.lower())
    if path.suffix.lower() in readers.TEXT:
        copy = _text
    sample = copy(path, name, columns, units, most, small) if copy and path.stat().st_size else None
    if sample is None:
        step = _step(path, most)
        sample = Sample(0, 0, step > 1)
        return _every(readers.blocks(path, name, columns, units), step, sample), sample
    if copy is _text:
        columns = layout.find(path, name, columns).columns
        return readers.blocks(small, name, columns, None), sample
    return readers.blocks(small, name, columns, units), sample


def rows(count: int, most: int) -> np.ndarray:
    """Numbers of at most about ``most`` of ``count`` rows, ascending, in runs of :data:`RUN` that are evenly spread.

    Each run lies at another place of its share of the file (golden ratio), so that scan lines of one length show no
    pattern.
    """
    if count <= most:
        return np.arange(count)
    runs = max(1, most // RUN)
    share = count / runs
    offset = np.mod(np.arange(runs) * 0.6180339887498949, 1.0) * max(share - RUN, 0.0)
    start = (np.arange(runs) * share + offset).astype(np.int64)
    return np.unique(np.minimum((start[:, None] + np.arange(RUN)).ravel(), count - 1))


def _step(path: Path, most: int) -> int:
    """Of how many rows one is kept, where a file's rows are all read: by its size and the least bytes of a point."""
    least = {".laz": 4, ".e57": 12, ".obj": 20, ".stl": 50, ".ply": 12}.get(path.suffix.lower(), 12)
    return max(1, path.stat().st_size // least // most)


def _every(all_blocks: Iterator[Block], step: int, sample: Sample) -> Iterator[Block]:
    for block in all_blocks:
        sample.of += len(block.xyz)
        sample.read += len(block.xyz[::step])
        kept = {
            field: None if values is None else values[::step]
            for field, values in (
                ("xyz", block.xyz),
                ("normal", block.normal),
                ("colour", block.colour),
                ("time", block.time),
            )
        }
        yield replace(block, **kept)  # type: ignore[arg-type]


def _ply(path: Path, name: str, columns: Any, units: str, most: int, small: Path) -> Sample | None:
    header = ply.read_header(path, name)
    vertex = header.element("vertex")
    if vertex is None or not vertex.count or columns is not None:
        return None
    ply.check_size(path, name, header)
    before = header.before("vertex")
    apart = before and (header.order == "ascii" or any(element.has_list for element in before))
    if vertex.has_list or apart or vertex.count <= most:
        return None
    if header.order == "ascii":
        lines = _lines(path, header.offset, most)
        lines = lines[: vertex.count]
        head = ["ply", "format ascii 1.0", f"element vertex {len(lines)}", *(p.line for p in vertex.properties)]
        small.write_text("\n".join([*head, "end_header", *lines]) + "\n", encoding="ascii", errors="replace")
        return Sample(len(lines), vertex.count, False)
    records = np.memmap(path, vertex.dtype(header.order), "r", header.offset_of("vertex"), (vertex.count,))
    taken = records.take(rows(vertex.count, most))
    taken = taken.astype(vertex.dtype("<"))
    with open(small, "wb") as file:
        file.write(ply_header.write([replace(vertex, count=len(taken))]))
        taken.tofile(file)
    return Sample(len(taken), vertex.count, False)


def _stl(path: Path, name: str, columns: Any, units: str, most: int, small: Path) -> Sample | None:
    size = path.stat().st_size
    with open(path, "rb") as file:
        head = file.read(stl.HEAD)
    count = int(np.frombuffer(head[80:84], "<u4")[0]) if len(head) == stl.HEAD else 0
    if columns is not None or not count or size != stl.HEAD + count * stl.RECORD.itemsize or 3 * count <= most:
        return None
    taken = np.memmap(path, stl.RECORD, "r", stl.HEAD, (count,)).take(rows(count, most // 3))
    small.write_bytes(head[:80] + struct.pack("<I", len(taken)) + taken.tobytes())
    return Sample(3 * len(taken), 3 * count, False)


def _las(path: Path, name: str, columns: Any, units: str, most: int, small: Path) -> Sample | None:
    size = path.stat().st_size
    with open(path, "rb") as file:
        head = bytearray(file.read(LAS_1_4))
        if columns is not None or head[:4] != b"LASF" or len(head) < LAS_1_4:
            return None
        start, length = struct.unpack_from("<I", head, 96)[0], struct.unpack_from("<H", head, LAS_RECORD)[0]
        count = struct.unpack_from("<I", head, LAS_COUNT)[0]
        long_header = struct.unpack_from("<H", head, 94)[0] >= LAS_1_4
        if long_header:
            count = count or struct.unpack_from("<Q", head, LAS_LONG_COUNT)[0]
        if not length or not start or size < start + count * length or count <= most:
            return None  # the night's reader says what is wrong with it
        file.seek(0)
        whole_head = bytearray(file.read(start))
    taken = np.memmap(path, np.dtype((np.void, length)), "r", start, (count,)).take(rows(count, most))
    if struct.unpack_from("<I", whole_head, LAS_COUNT)[0]:
        struct.pack_into("<I", whole_head, LAS_COUNT, len(taken))
    if long_header:
        struct.pack_into("<Q", whole_head, LAS_LONG_COUNT, len(taken))
        struct.pack_into("<QI", whole_head, LAS_EXTENDED, 0, 0)
    small.write_bytes(bytes(whole_head) + taken.tobytes())
    return Sample(len(taken), count, False)


def _text(path: Path, name: str, columns: Any, units: str, most: int, small: Path) -> Sample | None:
    form = layout.find(path, name, columns)
    layout.check_units(form, units, name)
    with open(path, "rb") as file:
        for _ in range(form.skip):
            file.readline()
        offset = file.tell()
    lines = _lines(path, offset, most)
    if not lines:
        return None
    size = path.stat().st_size - offset
    of = max(len(lines), round(size / np.mean([len(line) + 1 for line in lines])))
    small.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return Sample(len(lines), of, False)


def _lines(path: Path, offset: int, most: int) -> list[str]:
    """At most about ``most`` lines, evenly spread over a file of text from ``offset`` on; the last line counts only
    where it is ended, because a file that is cut short ends in the middle of one."""
    size = path.stat().st_size
    with open(path, "rb") as file:
        file.seek(offset)
        head = file.read(1 << 16)
        length = len(head) / max(1, head.count(b"\n"))
        if (size - offset) / length <= most:
            file.seek(offset)
            return file.read().decode("utf-8", "replace").splitlines()
        chosen = rows(int((size - offset) / length), most)[::RUN]
        lines: list[bytes] = []
        reach = round(length * (RUN + 2)) + LONGEST_LINE // 8
        for start in (offset + chosen * length).astype(np.int64):
            file.seek(start)
            lines += file.read(reach).split(b"\n")[1 : RUN + 1]
    return [line.decode("utf-8", "replace").rstrip("\r") for line in lines if line.strip()]

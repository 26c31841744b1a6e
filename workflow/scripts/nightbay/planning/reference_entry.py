"""The reference that a job sheet names: a mesh that the measured surface is compared with."""

from collections.abc import Iterable, Iterator, Mapping
from pathlib import PurePosixPath
from typing import Any

from nightbay.planning.raw_files import RawFile

FORMATS = (".ply", ".obj", ".stl")
REGIONS = "regions"


def part_of(document: Mapping[str, Any], parts: Iterable[str]) -> str | None:
    """The part that is compared with the reference: the one named, else the first; None without a reference."""
    written = document.get("reference")
    return None if written is None else written.get("part", next(iter(parts), None))


def raw_file(document: Mapping[str, Any], job: str) -> RawFile | None:
    """The file of the reference; its units are its own or the job's."""
    written = document.get("reference")
    if written is None:
        return None
    return RawFile(f"{job}/{PurePosixPath(written['file'])}", written.get("units", document.get("units")) or "")


def orders(document: Mapping[str, Any]) -> dict[str, Any]:
    """What the job sheet orders of the comparison, as plain data with sorted keys."""
    written = document["reference"]
    regions = [dict(sorted(region.items())) for region in written.get(REGIONS, [])]
    return {
        "align": written.get("align", "best"),
        "kind": written["kind"],
        "uncertainty_mm": written.get("uncertainty_mm"),
        **({REGIONS: regions} if regions else {}),
    }


def faults(document: Mapping[str, Any], sheet: str, parts: Iterable[str]) -> Iterator[str]:
    """Sentences on what the sheet says of the reference and can't be carried out."""
    written, parts = document.get("reference"), list(parts)
    if written is None:
        return
    kind = PurePosixPath(written["file"]).suffix.lower()
    if kind not in FORMATS:
        yield (
            f"{sheet}: 'reference.file' is '{written['file']}'; a mesh is needed, one of {', '.join(FORMATS)}: "
            "export it so."
        )
    if parts and written.get("part", parts[0]) not in parts:
        yield f"{sheet}: 'reference.part' is '{written['part']}', and the job has no such part: correct it."
    if (written.get("align") == REGIONS) != (REGIONS in written):
        yield (f"{sheet}: 'reference.align' is regions only together with 'reference.regions': give both, or neither.")
    for region in written.get(REGIONS, []):
        if any(low >= high for low, high in zip(region["low_mm"], region["high_mm"], strict=True)):
            yield (
                f"{sheet}: the region '{region['name']}' of 'reference.regions' is empty: each of its low_mm has to be "
                "less than high_mm."
            )

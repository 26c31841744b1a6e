"""Shows what days and the installation take on disk, and frees what can go.

Usage: python -m nightbay.housekeeping.command FREE DAY...
Called by ``workflow/space.sh``, which describes the arguments; FREE is "yes" or empty.
"""

import os
import shutil
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from nightbay.core.errors import Rejected
from nightbay.core.printable import printable
from nightbay.core.text_format import size
from nightbay.housekeeping import installation, space
from nightbay.housekeeping.space import JobSpace
from nightbay.night import day_lock


def table(day: Path, found: Sequence[JobSpace]) -> list[str]:
    """The lines on a day: a row a job, the sum, and what is free on the disk."""
    rows: list[tuple[str, ...]] = [("job", "raw", "kept", "intermediate", "")]
    rows += [(each.job, *_sizes(each), each.why_not or "can go") for each in found]
    raw, kept, intermediate = (sum(getattr(each, kind) for each in found) for kind in ("raw", "kept", "intermediate"))
    rows.append(("all", size(raw), size(kept), size(intermediate), f"{size(freeable(found))} can go"))
    widths = [max(len(row[at]) for row in rows) for at in range(4)]
    lines = ["  ".join(_aligned(row, widths)).rstrip() for row in rows]
    return [f"{day}: {size(shutil.disk_usage(day).free)} free on its disk", *lines]


def freeable(found: Sequence[JobSpace]) -> int:
    """Bytes of the intermediate data that can go."""
    return sum(each.intermediate for each in found if each.freeable)


def free(day: Path, found: Sequence[JobSpace]) -> list[str]:
    """Free what can go of a day, which no night may use meanwhile; sentences on what could not."""
    try:
        (day / day_lock.FILE).parent.mkdir(exist_ok=True)
        lock = day_lock.take(day, day_lock.this_process(None, f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S%z}"))
    except Rejected as rejection:
        return [str(rejection)]
    except OSError as error:
        return [f"{day} can't be changed ({error.strerror}): see to its permissions."]
    try:
        said = [space.free(day, each) for each in found if each.freeable]
        space.finish(day)
    finally:
        os.close(lock)
    return [sentence for sentence in said if sentence]


def of_installation() -> list[str]:
    """The lines on what older versions left in the installation."""
    kernels = sum(map(space.used, installation.older_kernels()))
    lines = [f"Compiled kernels of older versions: {size(kernels)}"] if kernels else []
    for folder in installation.other_environments():
        lines.append(f"Another environment: {size(space.used(folder))}; rm -r {folder} if no night runs from it")
    return lines


def _sizes(each: JobSpace) -> tuple[str, ...]:
    return size(each.raw), size(each.kept), size(each.intermediate)


def _aligned(row: Sequence[str], widths: Sequence[int]) -> list[str]:
    return [row[0].ljust(widths[0]), *(row[at].rjust(widths[at]) for at in (1, 2, 3)), row[4]]


def main(arguments: list[str]) -> None:
    """Entry of ``python -m nightbay.housekeeping.command``. The exit code is 1 where something could not be freed."""
    freeing, faults = arguments[0] == "yes", 0
    for day in map(Path, arguments[1:]):
        found = space.of_day(day)
        lines = table(day, found)
        if freeing:
            faults_here = free(day, found)
            faults += len(faults_here)
            left = space.of_day(day)
            freed = sum(each.intermediate for each in found) - sum(each.intermediate for each in left)
            lines += [*faults_here, f"Freed {size(freed)}."]
        for line in lines:
            print(printable(line), flush=True)
    for line in of_installation():
        print(printable(line))
    if freeing:
        installation.free_kernels()
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main(sys.argv[1:])

"""Raw files of a day: where they are, whether they can be read, and what their content hashes to.

Hashes are kept in ``.nightbay/hashes.json`` of the day by size, time of change and inode: a second plan does not
read the files again. A file that was only touched keeps its hash and counts as the same file.
"""

import json
import os
import re
import stat
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightbay.core import plain_file
from nightbay.core.hashing import sha256

# A file that changed less than this ago, s, may change again within one tick of the clock: its stamp is not trusted.
SETTLED_S = 2.0
LARGEST_BYTES = 64_000_000_000  # of a raw file: two thousand million points with normals
STORE_BYTES = 100_000_000  # largest store that is read: some 300 000 files at 300 bytes each


@dataclass(frozen=True)
class RawFile:
    """A file that a job sheet names: its path relative to the day, and what the sheet declares for it."""

    file: str
    units: str
    columns: list[str] | None = None


def fault(day: Path, file: str) -> str | None:
    """Why a raw file of a day can't be read, in a sentence; nothing is opened that may block. ``file``: below ``day``,
    its first folder is that of its job."""
    path = day / file
    try:
        if plain_file.leads_out(path, day / Path(file).parts[0]):
            return f"{file} is a link that leads out of the job's folder: copy the file itself into the folder."
        state = os.stat(path)
        if not stat.S_ISREG(state.st_mode):
            return f"{file} is not a file: name the export itself."
        if state.st_size > LARGEST_BYTES:
            return (
                f"{file} has {state.st_size} bytes; at most {LARGEST_BYTES} are allowed: check that it is the right "
                "file, or export fewer points."
            )
        with open(path, "rb"):
            return None
    except (FileNotFoundError, NotADirectoryError):
        return f"{file} does not exist: put it there or correct the job sheet."
    except OSError as error:
        return _cant_be_read(file, error)


def _cant_be_read(file: str, error: OSError) -> str:
    return f"{file} can't be read ({error.strerror}): correct its permissions or copy it again."


class Hashes:
    """Hashes of the files of a day, remembered between plans."""

    def __init__(self, day: str | os.PathLike[str]) -> None:
        self.day = Path(day)
        self.store = self.day / ".nightbay" / "hashes.json"
        self.known = _stored(self.store)

    def of(self, file: str) -> dict[str, Any]:
        """``{"sha256", "bytes", "unreadable"}`` of a file; the last is null, or a sentence on why there is no hash."""
        path = self.day / file
        unreadable = fault(self.day, file)
        if unreadable:
            return _unreadable(unreadable)
        try:
            state = os.stat(path)
            stamp = _stamp(state)
            entry = self.known.get(file)
            if not entry or entry["stamp"] != stamp:
                entry = {"stamp": stamp, "sha256": sha256(path)}
                now = os.stat(path)
                if _stamp(now) != stamp:
                    return _unreadable(
                        f"{file} is still being written ({state.st_size} bytes, then {now.st_size}): wait until it is "
                        "copied completely, then run the same command again."
                    )
                if time.time() - state.st_mtime > SETTLED_S:
                    self.known[file] = entry
                    self._save()
            return {"sha256": entry["sha256"], "bytes": state.st_size, "unreadable": None}
        except OSError as error:
            return _unreadable(_cant_be_read(file, error))

    def _save(self) -> None:
        beside = self.store.with_name(f"{self.store.name}.{os.getpid()}.part")
        try:
            self.store.parent.mkdir(exist_ok=True)
            beside.write_text(json.dumps(self.known, indent=1, sort_keys=True) + "\n", encoding="utf-8")
            os.replace(beside, self.store)
        except OSError:
            return  # a day that can't be written to is only planned (a dry run); it is hashed again next time

    def size(self, file: str) -> int:
        """Bytes of a file, 0 where there is none."""
        try:
            return os.stat(self.day / file).st_size
        except OSError:
            return 0


class Unhashed(Hashes):
    """The same files without their hashes, at no cost."""

    def __init__(self, day: str | os.PathLike[str]) -> None:
        self.day = Path(day)

    def of(self, file: str) -> dict[str, Any]:
        """As :meth:`Hashes.of`, with None for the hash; nothing is read."""
        return {"sha256": None, "bytes": self.size(file), "unreadable": None}


def _stored(store: Path) -> dict[str, dict[str, Any]]:
    """The remembered entries that are whole; a lost or damaged store costs only the time to hash again."""
    try:
        known = json.loads(plain_file.read(store, STORE_BYTES))
    except (OSError, ValueError, RecursionError):
        return {}
    return {file: entry for file, entry in known.items() if _whole(entry)} if isinstance(known, dict) else {}


def _whole(entry: Any) -> bool:
    return (
        isinstance(entry, dict)
        and isinstance(entry.get("stamp"), list)
        and isinstance(entry.get("sha256"), str)
        and re.fullmatch("[0-9a-f]{64}", entry["sha256"]) is not None
    )


def _stamp(state: os.stat_result) -> list[int]:
    """What changes when a file's content does."""
    return [state.st_size, state.st_mtime_ns, state.st_ino]


def _unreadable(sentence: str) -> dict[str, Any]:
    return {"sha256": None, "bytes": None, "unreadable": sentence}

"""Checks the XML section of an E57 file before the library's parser reads it.

That parser (Xerces) fetches what an XML text names: document types, their entities and schemas, from files and from
addresses. E57 needs none of them. The parser also accepts any encoding, in which such a name could be hidden; ASTM
E2807 requires UTF-8. Header and pages are those of ASTM E2807: a page has 1024 bytes, and its last 4 are a checksum.
"""

import os
import re
import struct
from pathlib import Path

from nightbay.core.errors import Rejected

HEADER = struct.Struct("<8sIIQQQQ")  # signature, version, bytes of the file, offset and length of the XML, page size
PAGE, CONTENT = 1024, 1020
LARGEST_BYTES = 100_000_000  # a scan takes some 3 kB: room for 30,000
# No other declaration is allowed: XML parsers use the encoding that it names.
DECLARATION = re.compile(
    r"""<\?xml[ \t\r\n]+version=["']1\.[01]["']([ \t\r\n]+encoding=["']utf-8["'])?"""
    r"""([ \t\r\n]+standalone=["'](yes|no)["'])?[ \t\r\n]*\?>""",
    re.IGNORECASE,
)


def check(path: Path, name: str) -> None:
    """Raise :class:`Rejected` for a file whose XML section is not UTF-8, or names anything outside the file."""
    try:
        text = _section(path, name).decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text or (text.startswith("<?xml") and not DECLARATION.match(text)):
        raise Rejected(f"{name}: its XML section is not in UTF-8, which E57 needs: export it again.")
    found = re.search(r"<!DOCTYPE|\w*schemaLocation", text, re.IGNORECASE)
    if found:
        raise Rejected(
            f"{name}: its XML section holds '{found[0]}', which makes a reader fetch other files or addresses; E57 "
            "needs none: export it again with other software."
        )


def _section(path: Path, name: str) -> bytes:
    """The bytes of the XML section, without the checksums of its pages."""
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(HEADER.size)
        if len(head) < HEADER.size:
            raise _damaged(name, f"{size} bytes are less than its header")
        _, _, _, promised, offset, length, page = HEADER.unpack(head)
        if promised != size:
            raise _damaged(name, f"its header promises {promised} bytes, the file has {size}")
        first, within = divmod(offset, PAGE)
        pages = -(-(within + length) // CONTENT)
        if page != PAGE or offset < HEADER.size or within >= CONTENT or (first + pages) * PAGE > size:
            raise _damaged(name, "its header does not fit the file")
        if length > LARGEST_BYTES:
            raise _damaged(name, f"its XML section has {length} bytes; {LARGEST_BYTES} are allowed")
        file.seek(first * PAGE)
        raw = file.read(pages * PAGE)
    content = b"".join(raw[start : start + CONTENT] for start in range(0, len(raw), PAGE))
    return content[within : within + length]


def _damaged(name: str, why: str) -> Rejected:
    return Rejected(f"{name} is damaged or cut short ({why}): copy or export it again.")

"""Headers of PLY files: read with all their declarations, and written.

Source of the grammar: G. Turk, The PLY Polygon File Format (1994), and the sized names of types that later writers use.
"""

import itertools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
NAMES = {kind: name for name, kind in reversed(TYPES.items()) if not name[-1].isdigit()}  # type -> its name
ORDERS = {"ascii": "ascii", "binary_little_endian": "<", "binary_big_endian": ">"}
COUNT = re.compile(r"[0-9]{1,18}")  # a number that NumPy can hold
LONGEST_FIRST_LINE, LONGEST_LINE, MOST_LINES = 64, 4096, 10_000  # bytes, bytes, lines; what is longer is no header


class HeaderError(ValueError):
    """The bytes are not a PLY header; the message is why."""


class NoMagic(HeaderError):
    """The first line is not ``ply``."""


class NoEnd(HeaderError):
    """There is no line ``end_header``."""


class NoFormat(HeaderError):
    """There is no line ``format``."""


class BadLine(HeaderError):
    """A line is not PLY; the message is the line, its words separated by single blanks."""


class BadElement(HeaderError):
    """The elements contradict each other or the format; the message is why."""


@dataclass(frozen=True)
class Property:
    """A property of an element: its ``name``, its ``kind`` as NumPy's type without byte order (``f4``), and the type of
    the count if it is a list, else None."""

    name: str
    kind: str
    count_kind: str | None = None

    @property
    def line(self) -> str:
        """Its line of the header."""
        if self.count_kind is None:
            return f"property {NAMES[self.kind]} {self.name}"
        return f"property list {NAMES[self.count_kind]} {NAMES[self.kind]} {self.name}"


@dataclass(frozen=True)
class Element:
    """One element of the header, with its number of rows and its properties in order."""

    name: str
    count: int
    properties: Sequence[Property]

    @property
    def has_list(self) -> bool:
        """Whether any property is a list: rows then differ in length."""
        return any(declared.count_kind is not None for declared in self.properties)

    def dtype(self, order: str) -> np.dtype:
        """One row, packed; ``order``: '<' or '>'. Lists count as single values."""
        return np.dtype([(declared.name, order + declared.kind) for declared in self.properties])


@dataclass(frozen=True)
class Header:
    """The declarations of a PLY file.

    ``order``: '<', '>' or 'ascii'; ``elements`` in their order; ``offset``: length of the header in bytes; ``lines``:
    its number of lines; ``obj_info``: the words of each line of that kind.
    """

    order: str
    elements: Sequence[Element]
    offset: int
    lines: int
    obj_info: Sequence[Sequence[str]]

    def element(self, name: str) -> Element | None:
        """The first element of that name, None if there is none."""
        return next((element for element in self.elements if element.name == name), None)

    def before(self, name: str) -> list[Element]:
        """The elements whose rows come before those of the element ``name``."""
        return list(itertools.takewhile(lambda element: element.name != name, self.elements))

    def offset_of(self, name: str) -> int:
        """Where the rows of an element begin in a binary file, in bytes; no element before it may have lists."""
        return self.offset + sum(element.count * element.dtype(self.order).itemsize for element in self.before(name))


def read(file: BinaryIO) -> Header:
    """The header of a PLY file opened at its start; leaves the file at the first byte after it.

    Reads a bounded number of bytes, whatever the file is. Raises :class:`NoMagic`, :class:`NoEnd`, :class:`NoFormat`,
    :class:`BadLine` or :class:`BadElement`.
    """
    if file.readline(LONGEST_FIRST_LINE).strip() != b"ply":
        raise NoMagic("it does not begin with 'ply'")
    elements: list[Element] = []
    properties: list[Property] = []
    order, obj_info = None, []
    lines = 0
    while True:
        line = file.readline(LONGEST_LINE)
        lines += 1
        words = line.decode("ascii", "replace").split()
        if not line or lines > MOST_LINES:
            raise NoEnd("it has no line 'end_header'")
        try:
            if words[:1] in (["element"], ["property"]) and "\ufffd" in " ".join(words):
                raise ValueError("a name that is not ASCII")
            if words[:1] == ["format"]:
                order = ORDERS[words[1]]
            elif words[:1] == ["obj_info"]:
                obj_info.append(words[1:])
            elif words[:1] == ["element"]:
                properties = []
                elements.append(Element(words[1], _count(words[2]), properties))
            elif words[:1] == ["property"]:
                elements[-1]  # a property belongs to an element
                properties.append(_property(words))
            elif words == ["end_header"]:
                break
        except (KeyError, IndexError, ValueError) as error:
            raise BadLine(" ".join(words)) from error
    if order is None:
        raise NoFormat("it has no line 'format'")
    _check(elements)
    return Header(order, elements, file.tell(), lines + 1, obj_info)


def _count(word: str) -> int:
    if not COUNT.fullmatch(word):
        raise ValueError(f"{word} is no count")
    return int(word)


def _check(elements: Sequence[Element]) -> None:
    """Raise :class:`BadElement` for names that are not unique, rows of nothing, and lists counted in fractions."""
    twice = _repeated([element.name for element in elements])
    if twice:
        raise BadElement(f"it declares the element '{twice}' twice")
    for element in elements:
        twice = _repeated([declared.name for declared in element.properties])
        if twice:
            raise BadElement(f"its element '{element.name}' has the property '{twice}' twice")
        if element.count and not element.properties:
            raise BadElement(f"its element '{element.name}' has {element.count} rows and no properties")
        if any((declared.count_kind or "").startswith("f") for declared in element.properties):
            raise BadElement(f"its element '{element.name}' has a list whose count is no whole number")


def _repeated(names: Sequence[str]) -> str | None:
    return next((name for at, name in enumerate(names) if name in names[:at]), None)


def _property(words: list[str]) -> Property:
    if words[1] == "list":
        return Property(words[4], TYPES[words[3]], TYPES[words[2]])
    return Property(words[2], TYPES[words[1]])


def write(elements: Iterable[Element], comments: Iterable[str] = (), obj_info: Iterable[str] = ()) -> bytes:
    """The header of a binary little-endian PLY file; ``comments`` and ``obj_info``: texts of their lines."""
    lines = ["ply", "format binary_little_endian 1.0"]
    lines += [f"comment {text}" for text in comments]
    lines += [f"obj_info {text}" for text in obj_info]
    for element in elements:
        lines.append(f"element {element.name} {element.count}")
        lines += [declared.line for declared in element.properties]
    return ("\n".join([*lines, "end_header"]) + "\n").encode("ascii")


def properties_of(record: np.dtype) -> list[Property]:
    """The properties of a record of single values, in order."""
    return [Property(name, record[name].str[1:]) for name in record.names or ()]

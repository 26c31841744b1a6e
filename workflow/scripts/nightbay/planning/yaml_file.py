"""Reads YAML that people write by hand: plain data only, nothing that YAML guesses or runs.

Values are those of YAML 1.2's core schema, so that ``no``, ``1:30`` and dates stay text. Whole numbers with leading
zeros stay text too, since they are names of targets. Tags, anchors, aliases, repeated keys and characters that
can't be printed are refused.

The library is PyYAML, whose loader is narrowed here. ruamel.yaml 0.19 was measured beside it. It finds repeated
keys by itself. But it reads ``007`` as 7, ``0b1`` as 1 and dates as dates, merges ``<<``, and takes anchors,
``!!str`` and ``%YAML 1.1``. It needs 1.4 to 1.6 times as long: 6 ms for a job sheet, 25 s for a list of 800 kB
against 16 s.
"""

import re
from collections.abc import Hashable
from pathlib import Path
from typing import Any

import yaml

from nightbay.core import plain_file
from nightbay.core.errors import Rejected

LARGEST_BYTES = 1_000_000  # common practice, no source: a job sheet of a hundred segments takes a fiftieth of this

# Marks, embeddings, overrides and isolates of Unicode's bidirectional algorithm (UAX 9): a page would show other text
# than the sheet holds.
TURNING = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")


class _Loader(yaml.SafeLoader):
    yaml_implicit_resolvers = {}

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        event = self.peek_event()
        if isinstance(event, yaml.events.AliasEvent) or getattr(event, "anchor", None) is not None:
            raise yaml.MarkedYAMLError(
                problem=f"the anchor or alias '{event.anchor}' is not allowed: write the value out",
                problem_mark=event.start_mark,
            )
        if getattr(event, "tag", None) is not None:
            raise yaml.MarkedYAMLError(
                problem=f"the tag '{event.tag}' is not allowed: write plain values", problem_mark=event.start_mark
            )
        unprintable = yaml.reader.Reader.NON_PRINTABLE.search(getattr(event, "value", None) or "")
        if unprintable:  # only an escape in double quotes can bring one in
            raise yaml.MarkedYAMLError(
                problem=f"the character {unprintable[0]!a} can't be printed: leave it out",
                problem_mark=event.start_mark,
            )
        turning = TURNING.search(getattr(event, "value", None) or "")
        if turning:
            raise yaml.MarkedYAMLError(
                problem=f"the character {turning[0]!a} can't be seen and turns the text beside it: leave it out",
                problem_mark=event.start_mark,
            )
        return super().compose_node(parent, index)

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Hashable, Any]:
        seen: dict[str, int] = {}
        for key_node, _ in node.value:
            key = self.construct_object(key_node, deep=True)
            if not isinstance(key, str | int | float | bool | None):
                raise yaml.MarkedYAMLError(problem="a key must be a word", problem_mark=key_node.start_mark)
            if str(key) in seen:
                raise yaml.MarkedYAMLError(
                    problem=f"'{key}' is listed twice (first on line {seen[str(key)]}): remove or rename one",
                    problem_mark=key_node.start_mark,
                )
            seen[str(key)] = key_node.start_mark.line + 1
        return {str(key): value for key, value in super().construct_mapping(node, deep=True).items()}


# As in YAML 1.2's core schema (yaml.org, 10.3.2), less octal, hexadecimal and infinite numbers.
for _kind, _pattern, _first in (
    ("null", r"~|null|Null|NULL|", ["~", "n", "N", ""]),
    ("bool", r"true|True|TRUE|false|False|FALSE", list("tTfF")),
    ("int", r"[-+]?(0|[1-9][0-9]{0,17})", list("-+0123456789")),
    (
        "float",
        r"[-+]?(\.[0-9]+|(0|[1-9][0-9]*)\.[0-9]*|(0|[1-9][0-9]*)(?=[eE]))([eE][-+]?[0-9]+)?",
        list("-+0123456789."),
    ),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_kind}", re.compile(rf"^(?:{_pattern})$"), _first)
_Loader.add_constructor("tag:yaml.org,2002:float", lambda loader, node: float(node.value))


def read(path: Path, name: str) -> dict[str, Any]:
    """The mapping in a YAML file; ``name``: name of the file in messages. Raises :class:`Rejected`."""
    try:
        content = plain_file.read(path, LARGEST_BYTES)
    except OSError as error:
        raise Rejected(f"{name} can't be read: {error.strerror}.") from error
    if len(content) > LARGEST_BYTES:
        size = path.stat().st_size
        raise Rejected(
            f"{name} has {size} bytes; at most {LARGEST_BYTES} are allowed: check that it is the right file."
        )
    try:
        document = yaml.load(content, _Loader)
    except RecursionError as error:
        raise Rejected(f"{name} is nested too deep: write it as the example in config/README.md shows.") from error
    except yaml.MarkedYAMLError as error:
        line = f", line {error.problem_mark.line + 1}" if error.problem_mark else ""
        problem = ", ".join(" ".join(text.split()) for text in (error.context, error.problem) if text)
        raise Rejected(f"{name}{line}: {problem}.") from error
    except yaml.YAMLError as error:
        raise Rejected(f"{name} is not YAML text in UTF-8: {' '.join(str(error).split())}.") from error
    if not isinstance(document, dict):
        kind = {type(None): "empty", list: "a list"}.get(type(document), "a single value")
        raise Rejected(f"{name} is {kind}; it must be a mapping of keys to values, see config/README.md.")
    return document

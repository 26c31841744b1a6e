"""The settings that a stage runs with: frozen, with the keys of their schema as attributes."""

import json
from collections.abc import Mapping
from dataclasses import make_dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

from nightbay.core.paths import SCHEMAS


def settings(values: Mapping[str, Mapping[str, Any]]) -> Any:
    """Settings as an object: ``settings({"fuse": {"smoothing": 3}}).fuse.smoothing`` is 3, and nothing can be changed.

    ``values``: {section: {key: value}}. A section has only the keys in ``values``: a stage that uses a key that it
    does not declare fails at once. Raises TypeError for a key that is not in the schema.
    """
    sections = {name: _section(name, tuple(section)) for name, section in values.items()}
    whole = make_dataclass("Settings", list(sections), frozen=True)
    return whole(**{name: sections[name](**_frozen(dict(values[name]))) for name in sections})


@cache
def _section(name: str, keys: tuple[str, ...]) -> Any:
    schema = json.loads((SCHEMAS / "parameters" / f"{name}.schema.json").read_text(encoding="utf-8"))
    unknown = [key for key in keys if key not in schema["properties"]]
    if unknown:
        raise TypeError(f"{name} has no key {', '.join(unknown)} in its schema")
    return make_dataclass(name.capitalize(), list(keys), frozen=True)


def _frozen(values: dict[str, Any]) -> dict[str, Any]:
    return {key: _immutable(value) for key, value in values.items()}


def _immutable(value: Any) -> Any:
    if isinstance(value, Mapping):
        return MappingProxyType({key: _immutable(inner) for key, inner in value.items()})
    return tuple(_immutable(inner) for inner in value) if isinstance(value, list) else value

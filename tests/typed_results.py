"""Results of stages for tests that care for a few of their numbers: the rest is empty."""

import dataclasses
import types
import typing

import numpy as np


def made(kind, **known):
    """An instance of a dataclass with the ``known`` fields; others have their default, or zeros and empty texts."""
    hints = typing.get_type_hints(kind)
    needed = [
        field.name
        for field in dataclasses.fields(kind)
        if field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
    ]
    return kind(**{name: _empty(hints[name]) for name in needed if name not in known}, **known)


def _empty(hint):
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if type(None) in arguments or hint is type(None):
        return None
    if origin is typing.Literal:
        return arguments[0]
    if origin in (types.UnionType, typing.Union):
        return _empty(arguments[0])
    if dataclasses.is_dataclass(hint):
        return made(hint)
    return np.zeros(3) if hint is np.ndarray else {} if hint is typing.Any else (origin or hint)()

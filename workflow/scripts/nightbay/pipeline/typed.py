"""Between JSON and the types of results: frozen dataclasses with arrays in them, read and written in one place."""

from collections.abc import Mapping
from typing import Any, TypeVar

import cattrs
import numpy as np

Kind = TypeVar("Kind")

# A key that the type lacks is a fault of the program: it raises an error and is not dropped.
_converter = cattrs.Converter(forbid_extra_keys=True)
_converter.register_structure_hook(np.ndarray, lambda value, _: np.array(value, dtype=np.float64))
_converter.register_unstructure_hook(np.ndarray, lambda value: value.tolist())
for _kind in (np.floating, np.integer, np.bool_):
    _converter.register_unstructure_hook(_kind, lambda value: value.item())


def read(kind: type[Kind], record: Mapping[str, Any]) -> Kind:
    """The dataclass that :func:`write` made ``record`` from; lists of numbers become float64 arrays.

    Raises ``cattrs.ClassValidationError`` for a record of another form.
    """
    return _converter.structure(record, kind)


def write(value: Any) -> dict[str, Any]:
    """A dataclass as plain data for JSON, arrays as lists."""
    return _converter.unstructure(value)

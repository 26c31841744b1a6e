"""Rows of numbers in text."""

import itertools
import warnings
from collections.abc import Iterable
from typing import Any

import numpy as np


def numbers(lines: Iterable[str] | Iterable[bytes], **options: Any) -> np.ndarray:
    """The numbers of lines, a row each, (m, k) float64; ``options`` of :func:`numpy.loadtxt`.

    Raises :class:`ValueError` for what is no number, rows of different lengths, and lines without any number, which
    NumPy would leave out.
    """
    counter = itertools.count()
    counted: Any = (line for line, _ in zip(lines, counter, strict=False))
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*input contained no data")
        found = np.loadtxt(counted, np.float64, ndmin=2, **options)
    count = next(counter)
    if len(found) != count:
        raise ValueError(f"{count - len(found)} of {count} rows hold no number")
    return found

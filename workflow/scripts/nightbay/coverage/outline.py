"""Outlines of cells as closed polygons."""

import numpy as np


def polygons(mask: np.ndarray, low_mm: np.ndarray, cell_mm: float) -> list[np.ndarray]:
    """The edges of the marked cells as closed polygons, (k, 2) mm each, the outer ones and those of islands in them.

    ``mask`` over columns and rows; the first cell's corner lies at ``low_mm`` (2,).
    """
    padded = np.pad(mask, 1)
    follow: dict[tuple[int, int], list[tuple[int, int]]] = {}
    # an edge on each side of a marked cell whose neighbour is not marked, with the cell on its left
    for (dx, dy), (start, stop) in {
        (0, -1): ((0, 0), (1, 0)),
        (1, 0): ((1, 0), (1, 1)),
        (0, 1): ((1, 1), (0, 1)),
        (-1, 0): ((0, 1), (0, 0)),
    }.items():
        for column, row in np.argwhere(padded & ~np.roll(padded, (-dx, -dy), (0, 1))).tolist():
            begin = (column + start[0], row + start[1])
            follow.setdefault(begin, []).append((column + stop[0], row + stop[1]))
    found = []
    while follow:
        first = next(iter(follow))
        line = [first]
        while True:
            ends = follow[line[-1]]
            line.append(ends.pop())
            if not ends:
                del follow[line[-2]]
            if line[-1] == first:
                break
        found.append(low_mm + (_corners(np.array(line[:-1])) - 1) * cell_mm)
    return found


def _corners(line: np.ndarray) -> np.ndarray:
    """The points of a closed line at which it turns."""
    before, after = np.roll(line, 1, axis=0), np.roll(line, -1, axis=0)
    return line[np.any(line - before != after - line, axis=1)]

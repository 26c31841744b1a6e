"""Mirror images: what a glossy panel mirrors is measured behind it, where no scanner can have looked.

A thing that hangs together is a mirror image when from nearly all of it every direction in which its surface faces ends
at the back of another surface. What is seen through a window, a wheel's spokes or over a tyre has a free way out.
"""

import numba
import numpy as np

from nightbay.clean import components

CONE_DEG = 70.0  # a scanner gets next to nothing back from a surface it looks at more obliquely
UNDER_MM = 60.0  # a scanner does not get nearer to the ground: a way under the sill leads nowhere
DIRECTIONS = 96  # 11 degrees apart: an opening of 200 mm, one metre off, lets one through
REACH_MM = 1500.0  # what stands closed further off than that was not closed for the scanner, which was nearer
FACES = 0.1  # least cosine between a way out and the outward normal of a surface that stops it, seen from its back
LEAST = 10.0  # smaller things than a square of so many times the smallest to keep may be scraps seen through a slit
ASKED = 100  # places in a thing that are tried
MOSTLY = 0.8  # share of them that must be shut in


def mirrored(cells, member, centres_mm, normals, smallest_mm, floor=None):
    """Cells of mirror images, (m,) bool. ``member`` (m,) bool: the cells that count; ``centres_mm`` and ``normals``
    (m, 3): their points' mean and outward mean normal; ``floor``: the Ground, where there is one. The largest thing is
    the vehicle."""
    ghost = np.zeros(len(member), bool)
    things = components.things(cells, member, smallest_mm)
    if things.of_link.size == 0 or things.of_link.max() == 0:
        return ghost
    count = np.bincount(things.link)
    at_mm = (
        np.column_stack([np.bincount(things.link, centres_mm[member][:, axis]) for axis in range(3)]) / count[:, None]
    )
    faces = np.column_stack([np.bincount(things.link, normals[member][:, axis]) for axis in range(3)])
    faces = faces / np.maximum(np.linalg.norm(faces, axis=1), 1e-12)[:, None]
    asked = _asked(things.of_link, (LEAST * smallest_mm / things.edge_mm) ** 2)
    place = np.empty((len(count), 3), np.int64)
    place[things.link] = (cells.index[member] - 1) // round(things.edge_mm / cells.edge_mm) + 1
    dims = place.max(axis=0) + 2
    keys = (place[:, 0] * dims[1] + place[:, 1]) * dims[2] + place[:, 2]  # sorted, as links are
    up, level_mm = (np.zeros(3), -np.inf) if floor is None else (floor.normal, floor.offset_mm + UNDER_MM)
    shut = _shut_in(
        *(at_mm, faces, things.of_link, asked, keys, cells.low_mm, dims, things.edge_mm, _directions()),
        *(up, level_mm),
    )
    share = np.bincount(things.of_link, shut) / np.maximum(np.bincount(things.of_link, asked), 1)
    ghost[member] = (share >= MOSTLY)[things.of_link][things.link]
    return ghost


def _asked(thing, fewest):
    """Some links of every thing but the largest and those too small to tell: (l,) bool."""
    size = np.bincount(thing)
    size_of_link = size[thing]
    order = np.argsort(thing, kind="stable")
    nth = np.empty(len(thing), np.int64)
    nth[order] = np.arange(len(thing)) - np.repeat(np.cumsum(size) - size, size)
    some = nth % np.maximum(1, size_of_link // ASKED) == 0
    return some & (size_of_link >= fewest) & (thing != np.argmax(size))


def _directions():
    """Directions spread evenly over a cone about Z, (DIRECTIONS, 3), from a Fibonacci spiral."""
    number = np.arange(DIRECTIONS)
    z = 1.0 - (number + 0.5) / DIRECTIONS * (1.0 - np.cos(np.radians(CONE_DEG)))
    angle = number * np.pi * (3.0 - np.sqrt(5.0))
    across = np.sqrt(1.0 - z**2)
    return np.column_stack([across * np.cos(angle), across * np.sin(angle), z])


@numba.njit(cache=True)
def _shut_in(at_mm, faces, thing, asked, keys, low, dims, edge_mm, directions, up, level_mm):
    """Which of the places ``asked``, (l,) bool, have no way out: (l,) bool. ``keys`` (l,) sorted, of their cells."""
    shut = np.zeros(len(at_mm), np.bool_)
    for start in range(len(at_mm)):
        if not asked[start]:
            continue
        normal = faces[start]
        axis = np.argmin(np.abs(normal))
        first = -normal[axis] * normal
        first[axis] += 1.0
        first /= np.sqrt((first**2).sum())
        second = np.cross(normal, first)
        shut[start] = True
        for number in range(len(directions)):
            way = directions[number, 0] * first + directions[number, 1] * second + directions[number, 2] * normal
            if _leads_out(at_mm[start], way, faces, thing, thing[start], keys, low, dims, edge_mm, up, level_mm):
                shut[start] = False
                break
    return shut


@numba.njit(cache=True)
def _leads_out(start_mm, way, faces, thing, own, keys, low, dims, edge_mm, up, level_mm):
    """Whether a way meets neither the back of a surface of another thing nor the ground."""
    height, climb = (start_mm * up).sum() - level_mm, (way * up).sum()
    for step in range(4, int(2 * REACH_MM / edge_mm)):
        if height + 0.5 * step * edge_mm * climb < 0 and climb < 0:
            return False
        key = np.int64(0)
        for axis in range(3):
            place = np.int64(np.floor((start_mm[axis] + 0.5 * step * edge_mm * way[axis] - low[axis]) / edge_mm)) + 1
            if place < 1 or place >= dims[axis] - 1:
                return True
            key = key * dims[axis] + place
        # the cell and the six beside it, so that no way slips through where a surface only grazes a cell
        for beside in (0, 1, -1, dims[2], -dims[2], dims[1] * dims[2], -dims[1] * dims[2]):
            at = np.searchsorted(keys, key + beside)
            if at < len(keys) and keys[at] == key + beside and thing[at] != own and (faces[at] * way).sum() >= FACES:
                return False
    return True

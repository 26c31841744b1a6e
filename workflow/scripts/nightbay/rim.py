"""Ends a surface where points bear on it: the rim is drawn back to where at least two of them agree."""

import numpy as np
from numba import njit

from nightbay.surface import Surface, area_mm2, keep_faces

BOTH = 1.5  # points by weight: with fewer a vertex lies on one point's plane, and no other speaks for it or against


def draw_back(surface: Surface):
    """``(Surface, area_mm2)``: the surface without what no two points bear, and the area that went.

    ``count`` of a vertex, points by weight, decides. From the rim inwards all faces go that have a vertex with fewer
    than :data:`BOTH`, and everywhere those with a vertex that no point bears. A place inside that one point alone bears
    stays: its neighbours hold it. Where two fans are left at a vertex, each gets one of its own: the surface stays a
    manifold.
    """
    bare = _bare(surface.faces, surface.vertex["count"])
    keep = ~bare[surface.faces].any(axis=1)
    gone = surface.faces[~keep]
    lost_mm2 = area_mm2(Surface(surface.vertices_mm, gone))
    touched = np.zeros(len(bare), bool)
    touched[gone] = True
    faces, original = _own_fans(surface.faces[keep], touched & ~bare)
    rows = np.concatenate([np.arange(len(bare)), original])
    whole = Surface(surface.vertices_mm[rows], faces, {name: values[rows] for name, values in surface.vertex.items()})
    return keep_faces(whole, np.ones(len(faces), bool)), lost_mm2


@njit(cache=True)
def _bare(faces, count):
    """Vertices, (n,) bool, that the surface ends before."""
    bare, turn = count <= 0, np.zeros(len(count), np.uint64)
    for i in range(len(faces)):
        for k in range(3):
            # each neighbour comes once as the next and once as the last, unless the fan is open; mixed, for the sum of
            # two rows is also that of two others
            turn[faces[i, k]] += _mixed(faces[i, (k + 1) % 3]) - _mixed(faces[i, (k + 2) % 3])
    for v in range(len(count)):
        bare[v] |= turn[v] != 0 and count[v] < BOTH
    grows = True
    while grows:
        grows = False
        for i in range(len(faces)):
            a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
            if bare[a] or bare[b] or bare[c]:
                for v in (a, b, c):
                    if not bare[v] and count[v] < BOTH:
                        bare[v] = grows = True
    return bare


@njit(cache=True)
def _mixed(row):
    """A number of 64 bits for a row, by the finaliser of MurmurHash3 (A. Appleby, public domain)."""
    h = np.uint64(row) + np.uint64(1)
    h = (h ^ (h >> np.uint64(33))) * np.uint64(0xFF51AFD7ED558CCD)
    h = (h ^ (h >> np.uint64(33))) * np.uint64(0xC4CEB9FE1A85EC53)
    return h ^ (h >> np.uint64(33))


@njit(cache=True)
def _own_fans(faces, touched):
    """Give every fan but the first at a vertex of ``touched``, (n,) bool, a new vertex, from row n on.

    Returns the faces and the row that each new vertex was, (m,).
    """
    rows = np.flatnonzero(touched)
    slot = np.full(len(touched), -1, np.int64)
    slot[rows] = np.arange(len(rows))
    start = np.zeros(len(rows) + 1, np.int64)
    for vertex in faces.flat:
        if slot[vertex] >= 0:
            start[slot[vertex] + 1] += 1
    start = np.cumsum(start)
    fill, corners = start[:-1].copy(), np.empty((start[-1], 2), np.int64)
    for i in range(len(faces)):
        for k in range(3):
            at = slot[faces[i, k]]
            if at >= 0:
                corners[fill[at]] = i, k
                fill[at] += 1
    split, original = faces.copy(), []
    for at in range(len(rows)):
        mine = corners[start[at] : start[at + 1]]
        fan = _fans(faces, mine)
        for number in range(1, len(mine)):
            if fan[number] == number:  # the first corner of another fan
                for one in range(number, len(mine)):
                    if fan[one] == number:
                        split[mine[one, 0], mine[one, 1]] = len(touched) + len(original)
                original.append(rows[at])
    return split, np.array(original, np.int64)


@njit(cache=True)
def _fans(faces, corners):
    """For each of a vertex's corners, (k, 2) face and corner in it, the first one of its fan, (k,)."""
    fan = np.arange(len(corners))
    grows = True
    while grows:
        grows = False
        for one in range(len(corners)):
            ahead = faces[corners[one, 0], (corners[one, 1] + 1) % 3]
            for other in range(len(corners)):
                if fan[one] != fan[other] and faces[corners[other, 0], (corners[other, 1] + 2) % 3] == ahead:
                    fan[one] = fan[other] = min(fan[one], fan[other])
                    grows = True
    return fan

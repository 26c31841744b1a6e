"""Finds points of a working cloud with exactly the same coordinates."""

import numpy as np

from nightbay.clouds.cloud import CloudFile

# An odd number near 2**64 divided by the golden ratio: multiplication by it spreads the bits of a key (multiplicative
# hashing; D. Knuth, The Art of Computer Programming 3, 6.4). Points with equal keys are compared in full afterwards.
HASH_FACTOR = np.uint64(0x9E3779B97F4A7C15)


def first_of_each(file: CloudFile) -> np.ndarray:
    """For every point of a :class:`CloudFile` the row of the first point with its coordinates: (n,) int64.

    Equal points share a tile, so one tile is searched at a time.
    """
    first = np.arange(len(file), dtype=np.int64)
    for tile in file.tiles:
        start, count = int(tile["start"]), int(tile["count"])
        xyz = file.block(start, start + count).xyz_mm + np.float32(0)  # -0 becomes 0, so that equal means equal bytes
        words = np.ascontiguousarray(xyz).view(np.uint32).astype(np.uint64)
        key = (words[:, 0] << np.uint64(32) | words[:, 1]) * HASH_FACTOR ^ words[:, 2]
        order = np.argsort(key, kind="stable")
        same = (key[order][1:] == key[order][:-1]) & np.all(words[order[1:]] == words[order[:-1]], axis=1)
        if same.any():
            run = np.concatenate([[0], np.cumsum(~same)])
            head = order[np.searchsorted(run, np.arange(run[-1] + 1))]
            first[start + order] = start + head[run]
    return first

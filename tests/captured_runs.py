"""Capture runs in the order of capture for tests: a scanner that moves through a box with posts and looks all round."""

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import rigid

NOISE_MM = 0.1
ROOM = np.array([(-1500.0, -700.0, -600.0), (1500.0, 700.0, 600.0)])
# Corners of the posts: middle and half of each edge. Only their faces across the box and its ends show a shift along
# it: 240 x 320 mm hold some 75 cells of 32 mm, so that a stretch that sees a third of a face has the 24 of a link.
POSTS = np.array([(-1100, -500, -450), (-600, 480, 300), (-150, -520, 100), (350, 500, -420), (800, -480, 380)])
POSTS = POSTS[:, None] + np.array([[(-80, -120, -160), (80, 120, 160)]])
SPIN = 3.3  # turns of the view on one way through the box


def run(points=240_000, seed=1, back=True, slips=(), drift_mm_per_m=0.03):
    """Points (n, 3) and normals in the order of capture, as displaced by ``slips`` [(share, T (4, 4))].

    ``back``: the scanner comes back to where it began; else each place is seen once.
    """
    rng = np.random.default_rng([seed, 1])
    at = np.arange(points) / points
    along = 1 - np.abs(2 * at - 1) if back else at
    origin = np.column_stack([-1000 + 2000 * along, 100 * np.sin(9 * at), 80 * np.cos(7 * at)])
    turn = 2 * np.pi * SPIN * at * (2 if back else 1)
    aim = np.column_stack([0.5 * np.sin(5 * turn / SPIN), np.cos(turn), np.sin(turn)]) + rng.uniform(
        -0.25, 0.25, (points, 3)
    )
    beam = aim / np.linalg.norm(aim, axis=1, keepdims=True)
    xyz, normal = _hit(origin, beam)
    xyz += rng.normal(0, NOISE_MM, (points, 1)) * beam
    direction = rng.normal(size=(2, 3))
    xyz += drift_mm_per_m * (np.linalg.norm(origin - origin[0], axis=1) / 1000)[:, None] * (
        np.sin(3 * at)[:, None] * direction[0] + np.cos(4 * at)[:, None] * direction[1]
    ) / 2  # fmt: skip
    for share, T in slips:
        later = slice(round(share * points), None)
        xyz[later], normal[later] = rigid.transform(T, xyz[later]), rigid.rotate(T, normal[later])
    return xyz, normal


def _hit(origin, beam):
    """Where beams (n, 3) meet the box from inside or a post from outside first, and the normals there."""
    n = np.arange(len(beam))
    with np.errstate(divide="ignore", invalid="ignore"):
        far = np.maximum(*((ROOM[:, None] - origin) / beam))
        axis = np.argmin(far, axis=1)
        best, normal = far[n, axis], np.zeros((len(beam), 3))
        normal[n, axis] = -np.sign(beam[n, axis])
        for post in POSTS:
            sides = (post[:, None] - origin) / beam
            near, far = np.minimum(*sides), np.maximum(*sides)
            axis = np.argmax(near, axis=1)
            enter = near[n, axis]
            hit = (enter > 0) & (enter < far.min(axis=1)) & (enter < best)
            best[hit] = enter[hit]
            normal[hit] = 0.0
            normal[n[hit], axis[hit]] = -np.sign(beam[n[hit], axis[hit]])
    return origin + best[:, None] * beam, normal


def slip(mm=3.0, degrees=0.2, seed=4):
    """A motion (4, 4) by so much in a random direction."""
    shift, axis = np.random.default_rng(seed).normal(size=(2, 3))
    turn = Rotation.from_rotvec(np.radians(degrees) * axis / np.linalg.norm(axis))
    return rigid.pose(turn.as_matrix(), mm * shift / np.linalg.norm(shift))

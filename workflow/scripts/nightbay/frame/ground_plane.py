"""The ground under the whole vehicle, from the grounds that its segments saw."""

from dataclasses import dataclass

import numpy as np

from nightbay.core import rigid, robust, thinning
from nightbay.frame import symmetry

STANDS_ON = 4  # places that carry the vehicle: unevenness of the ground averages over no more than those
FOOTPRINT_MM = 100.0  # plan-view cells in which a segment's ground is weighed


@dataclass(frozen=True)
class GroundPlane:
    """``normal . x = offset_mm`` in the control frame, ``normal`` (3,) up.

    ``sd_mm`` of its height and ``tilt_sd_rad`` at ``centre_mm`` (3,), standard uncertainties; ``spread_mm``: how far
    the segments' grounds lie apart there, rms, None from one segment; ``roughness_mm``: sd of the ground about them.
    """

    normal: np.ndarray
    offset_mm: float
    sd_mm: float
    tilt_sd_rad: float
    spread_mm: float | None
    roughness_mm: float
    centre_mm: np.ndarray
    segments: list
    found_by: str = "ground plane"


def join(grounds, poses, seen):
    """The plane nearest to all segments' grounds where they saw the vehicle; None where none saw any.

    ``grounds`` {name: {normal, offset_mm, sd_mm} in the segment frame, or None}; ``poses`` {name: T_control_segment};
    ``seen``: the part, a :class:`~nightbay.frame.datum.Seen`.
    """
    names = [name for name in seen.names if grounds.get(name) and np.any(seen.segment == seen.names.index(name))]
    if not names:
        return None
    planes = {name: _in_control(grounds[name], poses[name]) for name in names}
    up = np.mean([normal for normal, _ in planes.values()], axis=0)
    up /= np.linalg.norm(up)
    places, block = [], []
    for at, name in enumerate(names):
        normal, offset_mm = planes[name]
        mine = seen.points_mm[seen.segment == seen.names.index(name)]
        below = mine - np.outer((mine @ normal - offset_mm) / (normal @ up), up)
        rows = thinning.thin(below - np.outer(below @ up, up), FOOTPRINT_MM)
        places.append(below[rows])
        block.append(np.full(len(rows), at))
    places, block = np.concatenate(places), np.concatenate(block)
    centre = places.mean(axis=0)
    first, second = symmetry.plan_axes(up)
    off = places - centre
    rows = np.column_stack([np.ones(len(off)), off @ first, off @ second])
    height = off @ up
    solution, *_ = np.linalg.lstsq(rows, height, rcond=None)
    misfit = height - rows @ solution
    normal = up - solution[1] * first - solution[2] * second
    normal /= np.linalg.norm(normal)
    roughness = max(float(grounds[name]["sd_mm"]) for name in names)
    reach = np.sqrt(np.mean(off**2) * 3 / 2)  # rms distance from the centre in each direction of the plan
    step = robust.step(rows, -misfit, np.inf, block) if len(names) > 2 else None
    between = step.covariance if step is not None else np.zeros((3, 3))
    spread = float(np.sqrt(np.mean(misfit**2))) if len(names) > 1 else None
    own = (roughness**2 + (spread or 0.0) ** 2) / STANDS_ON
    centre = centre + solution[0] * up
    return GroundPlane(
        normal,
        float(normal @ centre),
        float(np.sqrt(own + between[0, 0])),
        float(np.sqrt(own / reach**2 + max(between[1, 1], between[2, 2]))),
        spread,
        roughness,
        centre,
        names,
    )


def _in_control(ground, T_control_segment):
    normal = rigid.rotate(np.asarray(T_control_segment, float), [ground["normal"]])[0]
    return normal, float(ground["offset_mm"] + normal @ np.asarray(T_control_segment, float)[:3, 3])

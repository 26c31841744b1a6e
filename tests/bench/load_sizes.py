"""Load sizes of invented rooms in invented vehicles, against their construction.

    bash tests/bench/run.sh load_sizes [seeds [first seed]]

Rooms, openings and scans are those of the benchmark ``wall_openings``. Each seed also draws the room's pose in a
vehicle (every other one with its front at the other end), and the errors of the join, of the ground and of the front
axle from the uncertainties that are stated of them. ``measure`` and ``join.load_sizes`` run on that in process. By
quantity: how many sizes were stated, the share of true values within the expanded uncertainty, the median error and the
median uncertainty. The last line is one JSON object.
"""

import json
import sys

import numpy as np
import wall_openings

import load_scenes
from nightbay.core import rigid
from nightbay.join import load_sizes
from nightbay.join.result import FLOOR_END_MM
from nightbay.measure import room_sizes

SEEDS = 40
MIRRORED = {"front": "rear", "rear": "front", "left": "right", "right": "left"}


def drawn(seed):
    """The case of a seed, its load sizes, the true pose, and whether the room's front is the vehicle's rear."""
    case = wall_openings.case(seed)
    shell = wall_openings.scanned(case)
    rng = np.random.default_rng([seed, 97])
    made = load_scenes.scene(
        shell, room_sizes.find(shell, 900.0)[0], seed, heading_deg=180.0 * (seed % 2),
        shift_sd_mm=rng.uniform(0.1, 1.0), rotation_sd_deg=rng.uniform(0.002, 0.03),
    )  # fmt: skip
    return case, load_sizes.find(made.joined), made.T_vehicle_room, bool(seed % 2)


def truths(seed):
    """What was stated of a seed: quantity, the size, the true value; and how many apertures have a wrong side."""
    case, load, T, swapped = drawn(seed)
    found = [(name, load.sizes.get(name), case.length_mm / abs(T[0, 0])) for name in ("length_floor", "length_belt")]
    if "floor_height" in load.sizes:
        end = FLOOR_END_MM / 2 if swapped else case.length_mm - FLOOR_END_MM / 2
        floor = load.sizes["floor_height"]
        found.append(("floor_height", floor, _at(T, floor.high_mm, 2, [end, None, 0.0])))
    misnamed = 0
    for aperture in load.apertures:
        opening = case.openings.get(aperture.wall)
        if opening is None or opening.hidden or aperture.number != 1:
            continue
        own = aperture.wall.split()[0]
        misnamed += aperture.side != (MIRRORED[own] if swapped else own)
        (u0, u1), (v0, _) = opening.hole
        sizes = aperture.sizes
        found += [("width", sizes["width"], opening.width_mm), ("height", sizes["height"], opening.height_mm)]
        found.append(("sill_height", sizes["sill_height"], _at(T, sizes["sill_height"].high_mm, 2, [None, None, v0])))
        if "front_edge" in sizes:
            edge = u1 - opening.bow_mm if swapped else u0 + opening.bow_mm
            at = sizes["front_edge"].high_mm
            found.append(("front_edge", sizes["front_edge"], _at(T, at, 0, [edge, None, None])))
    return [row for row in found if row[1] is not None], misnamed


def _at(T, at_mm, axis, room):
    """Coordinate ``axis`` of the vehicle of the place on the true surface, three coordinates of the ``room`` of which
    those that are None are those of a point ``at_mm`` (3,) of the vehicle."""
    own = rigid.transform(rigid.invert(T), at_mm[None])[0]
    place = [mine if true is None else true for mine, true in zip(own, room, strict=True)]
    return float(rigid.transform(T, np.array([place]))[0][axis])


def measured(seeds=SEEDS, first=0):
    """The benchmark's numbers, as the module says."""
    rows, misnamed = {}, 0
    for seed in range(first, first + seeds):
        found, wrong = truths(seed)
        misnamed += wrong
        for name, size, true in found:
            error = size.value_mm - true
            rows.setdefault(name, []).append((abs(error), size.uncertainty_mm))
            if abs(error) > size.uncertainty_mm:
                print(
                    f"seed {seed}, {name}: {error:+.2f} mm, U {size.uncertainty_mm:.2f}, {size.budget_mm}", flush=True
                )
    made = {"load_sides_wrong": misnamed}
    for name, some in rows.items():
        error, uncertainty = np.array(some).T
        made[f"load_{name}"] = len(some)
        made[f"load_{name}_coverage"] = float(np.mean(error <= uncertainty))
        made[f"load_{name}_far"] = int(np.count_nonzero(error > 2 * uncertainty))
        made[f"load_{name}_median_mm"] = float(np.median(error))
        made[f"load_{name}_u_median_mm"] = float(np.median(uncertainty))
    return made


def main(arguments):
    """Print the numbers as one JSON object on the last line."""
    print(json.dumps(measured(*map(int, arguments))))


if __name__ == "__main__":
    main(sys.argv[1:])

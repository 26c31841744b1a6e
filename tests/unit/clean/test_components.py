"""What stands apart from a vehicle, by cells of flat pieces."""

import numpy as np
import pytest

from nightbay.clean import components, neighbours
from nightbay.clouds.cloud import Cloud

UP = np.array([0.0, 0.0, 1.0])
GAP_MM = 100.0


def sheet(origin, along, across, spacing_mm=8.0):
    """Points evenly on a parallelogram, (n, 3)."""
    a, b = (np.arange(0, np.linalg.norm(side), spacing_mm) / np.linalg.norm(side) for side in (along, across))
    return origin + a.repeat(len(b))[:, None] * np.array(along) + np.tile(b, len(a))[:, None] * np.array(across)


def beyond(pieces, up=UP):
    """Share of each piece's points that is found to stand beyond the vehicle."""
    xyz = np.concatenate(list(pieces.values())).astype(np.float32)
    of = np.repeat(np.arange(len(pieces)), [len(points) for points in pieces.values()])
    cells = neighbours.sort_into_cells(Cloud(xyz, np.tile(np.float32(UP), (len(xyz), 1))), 20.0)
    middle = np.add.reduceat(cells.xyz_mm.astype(float), cells.start[:-1]) / np.diff(cells.start)[:, None]
    far = components.beyond(cells, np.ones(len(cells), bool), middle, GAP_MM, up)
    out = np.empty(len(xyz), bool)
    out[cells.order] = np.repeat(far, np.diff(cells.start))
    return {name: out[of == at].mean() for at, name in enumerate(pieces)}


def vehicle():
    """A side 4 m long from 300 mm up, with a mirror that stands out 250 mm, and a roof."""
    return {
        "side": sheet((0, 0, 300), (4000, 0, 0), (0, 0, 1500)),
        "mirror": sheet((800, -250, 1200), (0, 250, 0), (200, 0, 0)),
        "roof": sheet((0, 0, 1800), (4000, 0, 0), (0, 1700, 0)),
    }


def test_a_box_below_a_mirror_s_reach_stands_beyond_and_a_wheel_does_not():
    found = beyond(
        vehicle()
        | {
            "toolbox": sheet((1500, -420, 0), (400, 0, 0), (0, 150, 0)),  # within 100 mm of what the mirror reaches
            "wheel": sheet((700, 120, 0), (600, 0, 0), (0, 0, 560)),  # in its arch, with no side below 300 mm
            "far": sheet((1500, -900, 0), (400, 0, 0), (0, 0, 400)),
        }
    )
    assert found == {"side": 0, "mirror": 0, "roof": 0, "toolbox": 1, "wheel": 0, "far": 1}


def test_a_piece_of_an_object_goes_with_the_object_and_a_piece_of_the_vehicle_stays():
    cap = sheet((1800, -320, 420), (60, 0, 0), (0, 60, 0))  # at a height where the mirror's reach is allowed for
    found = beyond(
        vehicle()
        | {
            "mirror": sheet((800, -250, 1000), (0, 250, 0), (200, 0, 0)),
            "stand": sheet((1700, -520, 0), (300, 0, 0), (0, 0, 330)),
            "cap": cap,
            "glass": sheet((2500, -110, 1000), (150, 0, 0), (0, 0, 200)),  # of a mirror whose arm was not scanned
        }
    )
    assert found == {"side": 0, "mirror": 0, "roof": 0, "stand": 1, "cap": 1, "glass": 0}
    assert beyond(vehicle() | {"mirror": sheet((800, -250, 1000), (0, 250, 0), (200, 0, 0)), "cap": cap})["cap"] == 0


@pytest.mark.parametrize("foot_mm", [45.0, 60.0, 75.0, 90.0])
def test_a_mirror_whose_foot_was_not_scanned_belongs_to_the_vehicle(foot_mm):
    """Nearer than the gap, though most of it lies further out; beyond the gap it is something else."""
    scanned = {name: piece for name, piece in vehicle().items() if name != "mirror"}
    scanned["glass"] = sheet((800, -foot_mm - 250, 1000), (0, 250, 0), (200, 0, 0))
    assert beyond(scanned)["glass"] == 0
    scanned["glass"] -= (0, GAP_MM - foot_mm + 25, 0)
    assert beyond(scanned)["glass"] == 1

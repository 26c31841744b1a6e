"""The panel van with its rear doors taken off: outside, door aperture with a seal flange, and load bay as one body.

From outside the scanner sees the skin, the flange of the aperture and a part of the bay; from inside the bay, and from
its rear end the flange. Outside and inside share the aperture, as on a real vehicle. Vehicle frame as in
:mod:`vehicles`.
"""

from dataclasses import replace

import numpy as np

import bodies
import loadbay
import shell
import vehicles
from shapes import VAN

DOORLESS = replace(VAN, rear_windows=(), rear_doors=())
FLANGE_X = 4395.0  # where the aperture narrows: that face looks to the rear, for the seal of the doors
OUTER = shell.rectangle((-815.0, 660.0), (815.0, 2270.0), 70)  # (Y, Z)
INNER = shell.rectangle((-770.0, 695.0), (770.0, 2225.0), 60)


def open_van(chord_mm: float = shell.CHORD_MM) -> bodies.Body:
    """Outside, aperture and load bay; ``dimensions_mm`` are those of the outside."""
    cuts = [
        shell.prism(OUTER, FLANGE_X, VAN.rear + 100, vehicles.ALONG_X),
        shell.prism(INNER, loadbay.REAR, FLANGE_X + 10, vehicles.ALONG_X),
    ]
    outside = vehicles.exterior(DOORLESS, chord_mm, cuts)
    middle = outside.vertices_mm[outside.faces].mean(axis=1)
    cut = (middle[:, 0] > loadbay.REAR - 1) & shell.within(shell.grown(OUTER, 0.2), middle[:, 1:])
    end = cut & (middle[:, 0] < loadbay.REAR + 0.5)  # the bay lies behind it
    material = np.where(cut, bodies.PAINT, outside.material).astype(np.uint8)
    colour = np.where(cut[:, None], bodies.COLOURS[bodies.PAINT], outside.colour)
    shown = bodies.Body(outside.vertices_mm, outside.faces[~end], material[~end], colour[~end])
    return bodies.join([shown, loadbay.load_bay(chord_mm, INNER)], outside.dimensions_mm)

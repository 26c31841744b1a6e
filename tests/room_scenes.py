"""Scanned rooms with the planes that frame finds in them, for the tests and benchmarks of their sizes."""

import numpy as np

import blockcar
import networks
import part_results
from nightbay.frame import room_list, room_planes
from nightbay.frame.part_view import PartView
from nightbay.frame.result import Decision, Room
from nightbay.measure.room_faces import Shell
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.refine.result import Scale

NOISE_MM = 0.1
SCAN = settings({"scan": {"noise_mm": NOISE_MM, "target_drift_mm_per_m": 0.0}}).scan
LENGTH, WIDTH, HEIGHT = 3000.0, 1700.0, 1800.0


def shell(mesh, *, decided=True, count=150_000, points=None, scan=SCAN):
    """A scan of a room in its vehicle frame (X rearward, floor at Z 0), with the planes that frame finds in it.

    ``points``: (points, normals), (n, 3) each, of the ``mesh``; drawn here where None. ``scan``: settings.
    """
    xyz, normals = blockcar.scan(mesh, count, 3, NOISE_MM) if points is None else points
    low, high = xyz.min(axis=0), xyz.max(axis=0)
    frame = part_results.frame(low, high, found_by=("kept", "middle between the side walls", "floor plane"))
    some = slice(None, None, max(1, len(xyz) // 40_000))  # as frame thins a part, before it looks for planes
    view = PartView(None, xyz[some], normals[some], np.zeros(len(xyz[some]), int), None, 0.0, 1)
    planes = room_list.planes(room_planes.find(view.points_mm, view.normals, 20.0), frame, view)
    object.__setattr__(frame, "room", Room(planes, Decision(decided, "test", None), Decision(decided, "test", None)))
    spacing = float(np.sqrt(mesh.area / len(xyz)))
    poses = {"all": part_results.pose()}
    return Shell(xyz, normals, spacing, frame, poses, typed.read(Scale, networks.UNSCALED), scan)

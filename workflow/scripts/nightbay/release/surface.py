"""The outside of a vehicle, or its inside, as a sample shows it, for the search of places that were never seen."""

from functools import partial

import numpy as np

from nightbay.clouds.posed import PosedClouds
from nightbay.core import rigid
from nightbay.core.language import phrase, say, stage_sentence
from nightbay.coverage import room
from nightbay.coverage.coverage import Surface
from nightbay.coverage.inside import inside
from nightbay.coverage.outside import outside
from nightbay.coverage.room import RoomSurface
from nightbay.frame.result import FrameResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.release.chain import Checked
from nightbay.release.findings import Words

NO_WALLS = phrase("a floor and two walls were not found")
THINNED_MM = 3.0  # points closer than that say nothing more of where surface is


def of_part(checked: Checked) -> Surface | RoomSurface | Words:
    """The surface of a part of which every stage up to frame has its result; or why it is not known, a clause."""
    assert checked.refine is not None and checked.frame is not None
    framed = typed.read(FrameResult, checked.frame.result)
    if not framed.zero_planes["z"].found:
        return partial(_no_frame if framed.room is None else _no_room, str(framed.zero_planes["z"].reason))
    placed = normal_orientation.placed(list(checked.clean.values()), checked.refine)
    clouds = PosedClouds(normal_orientation.open_posed(segment, checked.refine) for segment in placed)
    points, normals, _ = clouds.thinned(THINNED_MM)
    T = framed.T_vehicle_control
    poses = {name: np.array(pose["T_control_segment"]) for name, pose in checked.refine.result["poses"].items()}
    points, normals = rigid.transform(T, points), rigid.rotate(T, normals)
    if framed.room is None:
        return outside(points, normals, framed, placed, poses)
    found = inside(points, normals, framed, placed, poses)
    return found if room.enclosed(found) else partial(_no_room, NO_WALLS)


def _no_frame(reason: str) -> str:
    return say("the vehicle frame is not known, because {reason}", reason=stage_sentence(reason))


def _no_room(reason: str) -> str:
    return say(
        "the coverage of the interior is not looked at, because it has no frame ({reason}): look round it yourself",
        reason=say(reason) if reason == NO_WALLS else stage_sentence(reason),
    )

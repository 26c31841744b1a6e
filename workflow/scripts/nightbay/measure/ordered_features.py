"""The features that the job sheet orders, measured on the cleaned points, and their file for CAD."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.core import deliverables
from nightbay.features import features, table
from nightbay.features.features import Part
from nightbay.features.relations import Context
from nightbay.features.result import FeaturesResult
from nightbay.frame.result import FrameResult
from nightbay.network.result import NetworkResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.refine.result import RefineResult
from nightbay.stance import left_out
from nightbay.uncertainty import registration

CONTENTS = "features, distances and angles of the job sheet with uncertainties and verdicts, mm and degrees"


def find(upstream: Mapping[str, Any], ordered: Mapping[str, Any], scan: Any, folder: Path) -> FeaturesResult | None:
    """The features, distances and angles of the job sheet, None where it orders none; writes ``features.csv``.

    ``scan``: settings. Points come from the cleaned segments: the fused surface reaches over rims (DEVELOPERS.md).
    """
    if not ordered:
        return None
    refined = typed.read(RefineResult, upstream["refine"].result)
    frame = typed.read(FrameResult, upstream["frame"].result)
    segments = [
        normal_orientation.open_posed(segment, upstream["refine"], frame.T_vehicle_control)
        for segment in normal_orientation.placed(upstream["clean"], upstream["refine"])
    ]
    part = Part(
        segments=segments,
        network=typed.read(NetworkResult, upstream["network"].result),
        scale=refined.scale,
        context=Context(registration.of(frame, refined.poses), frame, scan),
        left_out={
            name: np.load(upstream["frame"].folder / left_out.file_name(name), mmap_mode="r")
            for name in sorted(left_out.segments(upstream["frame"].result))
        },
    )
    found = features.find(part, ordered)
    path = deliverables.describe(folder, "features.csv", CONTENTS)
    path.write_text(table.text(found), encoding="utf-8", newline="")
    return found

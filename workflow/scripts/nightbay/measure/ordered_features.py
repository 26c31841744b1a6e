"""The features that the job sheet orders, measured on the cleaned points, and their file for CAD."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nightbay.features import features, table
from nightbay.features.features import Part
from nightbay.features.relations import Context
from nightbay.features.result import FeaturesResult
from nightbay.frame.result import FrameResult
from nightbay.network.result import NetworkResult
from nightbay.orientation import normal_orientation
from nightbay.pipeline import typed
from nightbay.refine.result import RefineResult
from nightbay.uncertainty import registration

DELIVERABLES = "deliverables"  # folder of the files that stage deliver hands over


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
    )
    found = features.find(part, ordered)
    (folder / DELIVERABLES).mkdir(exist_ok=True)
    (folder / DELIVERABLES / "features.csv").write_text(table.text(found), encoding="utf-8", newline="")
    return found

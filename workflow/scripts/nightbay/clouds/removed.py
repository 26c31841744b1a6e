"""Points that clean removed from a segment, by the reason."""

from collections.abc import Sequence

import numpy as np

from nightbay.core import ply_header
from nightbay.pipeline.stage import Upstream


def removed_points(segment: Upstream, reasons: Sequence[str]) -> np.ndarray:
    """The points, (k, 3) mm in the segment frame, that the stage clean removed of a segment for these reasons."""
    path = segment.folder / "removed.ply"
    with open(path, "rb") as file:
        header = ply_header.read(file)
    vertex = header.elements[0]
    rows = np.fromfile(path, vertex.dtype(header.order), vertex.count, offset=header.offset)
    codes = [int(code) for code, reason in segment.result["reasons"].items() if reason in reasons]
    rows = rows[np.isin(rows["reason"], codes)]
    info = {words[0]: words[1:] for words in header.obj_info}
    return np.column_stack([rows[axis] for axis in "xyz"]).astype(np.float64) + np.array(info["origin_mm"], float)

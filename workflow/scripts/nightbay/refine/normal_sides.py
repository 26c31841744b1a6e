"""Sides of estimated normals in refine: which segments' sides can be used, and what other segments show of them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.clouds.cloud import CloudFile
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.orientation import normal_orientation
from nightbay.orientation.normal_orientation import Orientation
from nightbay.pipeline.stage import Upstream
from nightbay.refine.part import Part, Sizes
from nightbay.refine.result import SURE_SIDES, TurnedNormals


def sure(cleaned: Sequence[Upstream]) -> dict[str, bool]:
    """Whether the normals of each segment show its outer side: measured ones, and estimated ones that are certain."""
    certainty = {str(segment.segment): segment.result["normals_certainty"] for segment in cleaned}
    return {name: value is None or value > SURE_SIDES for name, value in certainty.items()}


def turned_over(
    cleaned: Sequence[Upstream],
    clouds: Mapping[str, CloudFile],
    poses: Sequence[np.ndarray],
    sizes: Sizes,
    settings: Any,
) -> dict[str, np.ndarray]:
    """Estimated normals that face the wrong side in these poses, (4, 4) each: {segment: (n,) bool}."""
    segments = [
        PosedSegment(name, cloud, T, None, segment.result["normals_certainty"])
        for (name, cloud), T, segment in zip(clouds.items(), poses, cleaned, strict=True)
    ]
    found = _find(segments, sizes, settings, cleaned[0].part == "interior")
    return {name: orientation.turned for name, orientation in found.items()}


def orient(
    cleaned: Sequence[Upstream], part: Part, poses: Mapping[str, np.ndarray], settings: Any, folder: Path
) -> tuple[dict[str, np.ndarray], dict[str, TurnedNormals]]:
    """Find the estimated normals that face the wrong side in the final ``poses`` and write them to files in ``folder``.

    Returns which normals are to be turned, {segment: (n,) bool}, and the entries of the result.
    """
    posed = [replace(segment, T_frame_segment=poses[segment.name]) for segment in part.segments]
    found = _find(posed, part.sizes, settings, cleaned[0].part == "interior")
    turned = {
        name: orientation.turned ^ part.turned[name] if name in part.turned else orientation.turned
        for name, orientation in found.items()
    }
    turned = dict(part.turned) | turned
    for name, rows in turned.items():
        np.save(folder / normal_orientation.turned_file(name), rows)
    record = {
        name: TurnedNormals(orientation.observed_share, int(turned[name].sum())) for name, orientation in found.items()
    }
    return turned, record


def _find(posed: Sequence[PosedSegment], sizes: Sizes, settings: Any, inward: bool) -> dict[str, Orientation]:
    """The :class:`Orientation` of segments with estimated normals."""
    # Over one spacing, a curved surface departs from its tangent plane by more than drift moves it.
    sheet_distance_mm = max(settings.refine.sheet_distance_mm, sizes.spacing_mm)
    return normal_orientation.orient_estimated(
        posed, sizes.spacing_mm, sheet_distance_mm, settings.scan.standoff_mm, inward
    )

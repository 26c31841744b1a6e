"""The measured surface as it is compared: some of its vertices, evenly spaced, with their uncertainties."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.comparison.surface_fit import Sheet
from nightbay.measure.body import Body
from nightbay.meshes import clustering
from nightbay.meshes.clustering import Clusters
from nightbay.meshes.surface import Surface
from nightbay.refine.result import Discrepancy
from nightbay.uncertainty import registration, surface_map
from nightbay.uncertainty.registration import Registration
from nightbay.uncertainty.surface_map import SurfacePoints, SurfaceUncertainty

FIT_POINTS = 40_000  # by which surfaces are registered: more of them share the same few causes of error


@dataclass(frozen=True)
class MeasuredShape:
    """``clusters`` of the ``surface`` in the vehicle frame, with the ``uncertainty`` of each and the ``poses`` of the
    segments."""

    surface: Surface
    clusters: Clusters
    uncertainty: SurfaceUncertainty
    poses: Registration

    def sheet(self, chosen: np.ndarray) -> Sheet:
        """At most :data:`FIT_POINTS` of the ``chosen`` vertices, (k,) bool, for a registration."""
        rows = np.flatnonzero(chosen)
        step = -(-len(rows) // FIT_POINTS) or 1
        rows = rows[::step]
        return Sheet(
            self.clusters.points_mm[rows], self.clusters.normals[rows], self.clusters.spacing_mm * float(np.sqrt(step))
        )

    def nearest(self, points_mm: np.ndarray) -> np.ndarray:
        """Row, (n,) int64, of the measured vertex nearest to each of some points on the surface, (n, 3)."""
        rows = np.flatnonzero(self.clusters.measured)
        return rows[cKDTree(self.clusters.points_mm[rows]).query(points_mm)[1]]

    def filled(self, faces: np.ndarray) -> np.ndarray:
        """Which of some faces of the surface, (n,) int64 and -1 for none, are filled, (n,) bool."""
        if "filled" not in self.surface.face:
            return np.zeros(len(faces), bool)
        marks = self.surface.face["filled"][:]
        return (faces >= 0) & (marks[np.maximum(faces, 0)] > 0)


def of(body: Body, discrepancies: Sequence[Discrepancy]) -> MeasuredShape:
    """The shape of a part, at the spacing that the settings give."""
    clusters = clustering.cluster(body.surface, body.areas, body.options.comparison_spacing_mm)
    attributes = body.surface.vertex
    poses = registration.of(body.frame, body.poses, discrepancies)
    points = SurfacePoints(
        clusters.points_mm,
        clusters.normals,
        clusters.area_mm2,
        attributes["count"][clusters.rows] if "count" in attributes else None,
        attributes["spread_mm"][clusters.rows] if "spread_mm" in attributes else None,
    )
    return MeasuredShape(
        surface=body.surface,
        clusters=clusters,
        uncertainty=surface_map.of(points, poses, body.frame, body.scan),
        poses=poses,
    )

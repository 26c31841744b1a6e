"""The segments of a part seen in one common frame: evenly thinned as a whole, or every point of a box."""

import numpy as np

from nightbay.core import rigid, thinning

MOST_A_SEGMENT = 1_500_000  # points of one segment that are looked at when the whole is thinned: memory stays bounded


class PosedClouds:
    """Working clouds of cleaned segments with their poses; arrays come back as float64, in the order of names."""

    def __init__(self, clouds, poses):
        """``clouds`` {name: :class:`CloudFile`}, ``poses`` {name: ``T_control_segment``, (4, 4)}."""
        self.names, self.clouds = sorted(clouds), clouds
        # coordinates of a file are about its origin
        self.poses = {
            name: np.asarray(poses[name], float) @ rigid.pose(None, self.clouds[name].origin_mm) for name in self.names
        }

    def __len__(self):
        return sum(len(cloud) for cloud in self.clouds.values())

    def thinned(self, spacing_mm):
        """Points (n, 3) in the control frame, unit normals (n, 3), and the row of each one's segment in ``names``."""
        points, normals, segment = [], [], []
        for at, name in enumerate(self.names):
            piece = self.clouds[name].sample(MOST_A_SEGMENT)
            xyz = rigid.transform(self.poses[name], piece.xyz_mm)
            rows = thinning.thin(xyz, spacing_mm)
            points.append(xyz[rows])
            normals.append(_unit(rigid.rotate(self.poses[name], piece.normal[rows])))
            segment.append(np.full(len(rows), at))
        points, normals, segment = (np.concatenate(parts) for parts in (points, normals, segment))
        rows = thinning.thin(points, spacing_mm)
        return points[rows], normals[rows], segment[rows]

    def box(self, T_frame_control, low_mm, high_mm, spacing_mm):
        """Points (n, 3) and normals inside a box, bounds (3,), of another frame, in that frame, thinned."""
        points, normals = [np.empty((0, 3))], [np.empty((0, 3))]
        for name in self.names:
            T_frame_file, cloud = T_frame_control @ self.poses[name], self.clouds[name]
            low, high = cloud.tiles["low_mm"].astype(float), cloud.tiles["high_mm"].astype(float)
            # a tile is turned against the box: the sphere round it decides whether it is read
            middle = rigid.transform(T_frame_file, (low + high) / 2)
            radius = np.linalg.norm(high - low, axis=1)[:, None] / 2
            near = np.all((middle + radius >= low_mm) & (middle - radius <= high_mm), axis=1)
            for number in np.flatnonzero(near & (cloud.tiles["count"] > 0)):
                piece = cloud.tile(number)
                xyz = rigid.transform(T_frame_file, piece.xyz_mm)
                inside = np.all((xyz >= low_mm) & (xyz <= high_mm), axis=1)
                points.append(xyz[inside])
                normals.append(_unit(rigid.rotate(T_frame_file, piece.normal[inside])))
        points, normals = np.concatenate(points), np.concatenate(normals)
        rows = thinning.thin(points, spacing_mm)
        return points[rows], normals[rows]


def _unit(vectors):
    return vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12)

"""One segment of a part with its final properties: scaled points, oriented normals, pose and covariance."""

from dataclasses import dataclass

import numpy as np

from nightbay.clouds.cloud import CloudFile


@dataclass(frozen=True)
class PosedSegment:
    """A segment in a common frame.

    ``cloud``: its working cloud, opened once with its lengths scaled and its estimated normals turned outwards;
    ``T_frame_segment`` (4, 4): its pose in the common frame, the control frame until the vehicle frame is known;
    ``covariance`` (6, 6) of the small motion about that frame's origin (rotation vector rad, translation mm), None
    where nothing is known of it; ``normals_certainty`` 0..1 of estimated normals, None where they were measured.
    """

    name: str
    cloud: CloudFile
    T_frame_segment: np.ndarray
    covariance: np.ndarray | None = None
    normals_certainty: float | None = None

    @property
    def T_frame_cloud(self) -> np.ndarray:
        """Pose, (4, 4), of coordinates about the cloud's origin, as its files hold them."""
        T = np.array(self.T_frame_segment, dtype=np.float64)
        T[:3, 3] = T[:3, :3] @ self.cloud.origin_mm + T[:3, 3]
        return T

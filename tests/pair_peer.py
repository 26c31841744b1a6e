"""Registration of a pair by Open3D alone, FPFH with RANSAC and then ICP, to compare the project's with.

Source of the recipe: Open3D's tutorial "Global registration" (features over five cells of points thinned to a cell,
RANSAC with checks of edge length and distance), its ICP point to plane in shrinking steps down to the spacing.
"""

from dataclasses import dataclass

import numpy as np

from nightbay.core.native import open3d

CELLS_A_WIDTH = 40
DRAWS = 100_000


@dataclass(frozen=True)
class Found:
    """Pose T_a_b, and shares of b's points (``fitness``) with a partner in a within the last ICP's distance, and its
    root mean square distance."""

    T_a_b: np.ndarray
    fitness: float
    rmse_mm: float


def register(pair):
    """What Open3D finds for a pair; its random draws start from the pair's number."""
    o3d = open3d()
    methods = o3d.pipelines.registration
    o3d.utility.random.seed(pair.index)
    cell = pair.size_mm / CELLS_A_WIDTH
    clouds, thinned, features = [], [], []
    for scan in (pair.a, pair.b):
        cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(scan.points))
        cloud.normals = o3d.utility.Vector3dVector(scan.normal)
        small = cloud.voxel_down_sample(cell)
        small.normalize_normals()  # the mean of a cell's normals is shorter than one
        search = o3d.geometry.KDTreeSearchParamHybrid(radius=5 * cell, max_nn=100)
        clouds.append(cloud)
        thinned.append(small)
        features.append(methods.compute_fpfh_feature(small, search))
    to_plane = methods.TransformationEstimationPointToPlane()
    found = methods.registration_ransac_based_on_feature_matching(
        thinned[1],
        thinned[0],
        features[1],
        features[0],
        True,
        1.5 * cell,
        methods.TransformationEstimationPointToPoint(False),
        3,
        [
            methods.CorrespondenceCheckerBasedOnEdgeLength(0.9),
            methods.CorrespondenceCheckerBasedOnDistance(1.5 * cell),
        ],
        methods.RANSACConvergenceCriteria(DRAWS, 0.999),
    )
    T, gate = found.transformation, 0.4 * cell
    gates = [gate]
    while gates[-1] > 2 * pair.spacing_mm:
        gates.append(max(gates[-1] / 2, pair.spacing_mm))
    for gate in gates:
        found = methods.registration_icp(
            clouds[1], clouds[0], gate, T, to_plane, methods.ICPConvergenceCriteria(max_iteration=40)
        )
        T = found.transformation
    measure = methods.evaluate_registration(clouds[1], clouds[0], 2 * pair.spacing_mm, T)
    return Found(np.array(T), float(measure.fitness), float(measure.inlier_rmse))


def best_threshold(fitness, right, may_refuse):
    """The fitness from which on a pose is accepted so that wrong accepted and wrongly refused are fewest together.

    ``fitness``, ``right`` (pose within limits), ``may_refuse`` (not determined), (n,). Returns the threshold, the
    number of wrong ones accepted and the share of right ones accepted among the determined.
    """
    steps = np.append(np.unique(fitness), np.inf)
    costs = [np.sum((fitness >= step) & ~right) + np.sum((fitness < step) & right & ~may_refuse) for step in steps]
    return rates(float(steps[int(np.argmin(costs))]), fitness, right, may_refuse)


def safe_threshold(fitness, right, may_refuse):
    """The same for the least threshold that accepts nothing wrong."""
    worst = float(fitness[~right].max()) if (~right).any() else -1.0
    return rates(float(np.nextafter(worst, np.inf)), fitness, right, may_refuse)


def rates(step, fitness, right, may_refuse):
    """The threshold, how many wrong ones it accepts, and the share of the determined that it accepts and are right."""
    accepted = fitness >= step
    determined = ~may_refuse
    share = float((accepted & right & determined).sum() / max(determined.sum(), 1))
    return step, int((accepted & ~right).sum()), share

"""A whole network solved again by Ceres Solver (pyceres): coordinates, poses and covariances to solver precision."""

import numpy as np
import pyceres
import pytest
from scipy.spatial.transform import Rotation

import networks
from nightbay.core import rigid
from nightbay.network import model


class Sighting(pyceres.CostFunction):
    """A target seen from a station: whitened z - R^T (x - t), R from a rotation vector, derivatives by its own rules.

    The derivative of R^T y by the rotation vector w is R^T [y] J with J the left Jacobian of the rotation group.
    """

    def __init__(self, z, covariance):
        super().__init__()
        self.z, self.root = z, np.linalg.cholesky(np.linalg.inv(covariance)).T
        self.set_num_residuals(3)
        self.set_parameter_block_sizes([3, 3, 3])

    def Evaluate(self, parameters, residuals, jacobians):
        w, t, x = (np.array(block) for block in parameters)
        R = Rotation.from_rotvec(w).as_matrix()
        residuals[:] = self.root @ (self.z - R.T @ (x - t))
        if jacobians is not None:
            if jacobians[0] is not None:
                jacobians[0][:] = (-self.root @ R.T @ _cross(x - t) @ _left_jacobian(w)).ravel()
            if jacobians[1] is not None:
                jacobians[1][:] = (self.root @ R.T).ravel()
            if jacobians[2] is not None:
                jacobians[2][:] = (-self.root @ R.T).ravel()
        return True


def _cross(v):
    return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])


def _left_jacobian(w):
    angle = np.linalg.norm(w)
    if angle < 1e-9:
        return np.eye(3)
    K = _cross(w / angle)
    return np.eye(3) + (1 - np.cos(angle)) / angle * K + (1 - np.sin(angle) / angle) * K @ K


class Strained(pyceres.CostFunction):
    """The same with a list that is a little distorted as a whole: whitened z + D e - R^T (x - t), e its strain."""

    def __init__(self, z, covariance, stretched):
        super().__init__()
        self.rigid, self.stretched = Sighting(z, covariance), stretched
        self.set_num_residuals(3)
        self.set_parameter_block_sizes([3, 3, 3, 6])

    def Evaluate(self, parameters, residuals, jacobians):
        self.rigid.Evaluate(parameters[:3], residuals, None if jacobians is None else jacobians[:3])
        pull = self.rigid.root @ self.stretched
        residuals[:] += pull @ np.array(parameters[3])
        if jacobians is not None and jacobians[3] is not None:
            jacobians[3][:] = pull.ravel()
        return True


class Known(pyceres.CostFunction):
    """What is known beforehand of a list's strain: zero, with a standard deviation for each of its six numbers."""

    def __init__(self, sd):
        super().__init__()
        self.weight = 1 / sd
        self.set_num_residuals(6)
        self.set_parameter_block_sizes([6])

    def Evaluate(self, parameters, residuals, jacobians):
        residuals[:] = self.weight * np.array(parameters[0])
        if jacobians is not None and jacobians[0] is not None:
            jacobians[0][:] = np.diag(self.weight).ravel()
        return True


def stretched(observations):
    """(n, 3, 6) by hand: e = (xx, yy, zz, xy, xz, yz) moves a target by the symmetric matrix of e times its place about
    the middle of its list."""
    rows = []
    for z, station in zip(observations.xyz_mm, observations.list_number, strict=True):
        x, y, w = z - observations.xyz_mm[observations.list_number == station].mean(axis=0)
        rows.append([[x, 0, 0, y, w, 0], [0, y, 0, x, 0, w], [0, 0, w, 0, x, y]])
    return np.array(rows)


def simulated():
    """A survey of 24 targets and three segments; anisotropic noise, so that the weights' frame matters."""
    rng = np.random.default_rng(21)
    truth = networks.body(rng, 24)
    lists, poses = [], []
    for at in range(4):
        rows = np.arange(24) if at == 0 else networks.patch(truth, rng, 12)
        T = np.eye(4) if at == 0 else networks.pose(rng)
        root = np.array([rng.normal(size=(3, 3)) * 0.03 + np.eye(3) * 0.04 for _ in rows])
        noise = np.einsum("nij,nj->ni", root, rng.normal(size=(len(rows), 3)))
        xyz = rigid.transform(rigid.invert(T), truth.xyz_mm[rows]) + noise
        lists.append((xyz, root @ root.transpose(0, 2, 1), rows))
        poses.append(T)
    return networks.observations(lists), np.array(poses), truth.xyz_mm


def by_ceres(observations, poses, xyz, drift=0.0):
    """Rotation vectors, translations and coordinates at the minimum, and a function for blocks of their covariance."""
    problem = pyceres.Problem()
    w = [Rotation.from_matrix(T[:3, :3]).as_rotvec() for T in poses]
    t, x = [T[:3, 3].copy() for T in poses], [row.copy() for row in xyz]
    strain = [np.zeros(6) for _ in poses]
    for z, covariance, station, target, D in zip(
        observations.xyz_mm,
        observations.covariance_mm2,
        observations.list_number,
        observations.target,
        stretched(observations),
        strict=True,
    ):
        cost = Strained(z, covariance, D) if drift else Sighting(z, covariance)
        blocks = [w[station], t[station], x[target]] + ([strain[station]] if drift else [])
        problem.add_residual_block(cost, None, blocks)
    for one in strain if drift else []:
        problem.add_residual_block(Known(drift * np.sqrt([1, 1, 1, 0.5, 0.5, 0.5])), None, [one])
    problem.set_parameter_block_constant(w[0])
    problem.set_parameter_block_constant(t[0])
    options = pyceres.SolverOptions()
    options.function_tolerance = options.gradient_tolerance = options.parameter_tolerance = 1e-16
    options.max_num_iterations = 200
    options.minimizer_progress_to_stdout = False
    summary = pyceres.SolverSummary()
    pyceres.solve(options, problem, summary)
    assert summary.IsSolutionUsable()
    blocks = [*w[1:], *t[1:], *x]
    covariance = pyceres.Covariance(pyceres.CovarianceOptions())
    assert covariance.compute([(a, b) for at, a in enumerate(blocks) for b in blocks[at:]], problem)
    return w, t, x, covariance.get_covariance_block


@pytest.mark.parametrize("drift_mm_per_m", [0.0, 0.03])
def test_poses_targets_and_covariances_are_those_of_ceres(drift_mm_per_m):
    observations, start, truth = simulated()
    ours = model.adjust(observations, start, drift_mm_per_m=drift_mm_per_m)
    w, t, x, block = by_ceres(observations, start, truth, drift_mm_per_m / 1000)
    # both stop within 1e-6 of a standard deviation (0.05 mm) of the minimum
    assert ours.xyz_mm == pytest.approx(np.array(x), abs=1e-7)
    for at in range(1, 4):
        R = Rotation.from_rotvec(w[at]).as_matrix()
        assert ours.T_control_list[at][:3, :3] == pytest.approx(R, abs=1e-10)
        assert ours.T_control_list[at][:3, 3] == pytest.approx(t[at], abs=1e-6)
        # Ceres moves w and t themselves; a small turn J dw about the origin also carries t along
        J = np.eye(6)
        J[:3, :3] = _left_jacobian(w[at])
        J[3:, :3] = _cross(t[at]) @ J[:3, :3]
        theirs = np.block([[block(w[at], w[at]), block(w[at], t[at])], [block(t[at], w[at]), block(t[at], t[at])]])
        scale = np.sqrt(np.outer(np.diag(ours.pose_covariance[at]), np.diag(ours.pose_covariance[at])))
        # the curvature by second derivatives is left out on both sides; 1e-6 of the variances is the solvers' own
        assert ours.pose_covariance[at] / scale == pytest.approx(J @ theirs @ J.T / scale, abs=1e-6)
    for at in range(24):
        assert ours.covariance_mm2[at] == pytest.approx(block(x[at], x[at]), rel=1e-6, abs=1e-12)

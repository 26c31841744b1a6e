"""Simulated target networks with known truth, for the tests and the bench of the network."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import rigid, target_noise
from nightbay.matching import target_list
from nightbay.network import model

HALF_MM = np.array([2250.0, 900.0, 700.0])  # half axes of a rounded box, about a car

# what the stages after network get where nothing is known of the scale
UNSCALED = {"factor": 1.0, "sd": None, "applied": [], "bars": None, "temperature": None}


@dataclass(frozen=True)
class Truth:
    """Targets (n, 3) mm with outward normals (n, 3)."""

    xyz_mm: np.ndarray
    normal: np.ndarray


def body(rng, count, closest_mm=60.0):
    """Targets strewn over a rounded box, none nearer to another than ``closest_mm``."""
    kept, normals = np.empty((0, 3)), np.empty((0, 3))
    while len(kept) < count:
        way = rng.normal(size=(2 * count, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        round_ = np.sign(way) * np.abs(way) ** 0.6
        for xyz, normal in zip(round_ * HALF_MM, way / HALF_MM, strict=True):
            if len(kept) < count and (len(kept) == 0 or ((kept - xyz) ** 2).sum(axis=1).min() > closest_mm**2):
                kept, normals = np.vstack([kept, xyz]), np.vstack([normals, normal / np.linalg.norm(normal)])
    return Truth(kept, normals)


def pose(rng, reach_mm=2000.0):
    """A random pose, as a scanner's frame lies to the vehicle."""
    return rigid.pose(Rotation.random(rng=rng).as_matrix(), rng.uniform(-reach_mm, reach_mm, 3))


def patch(truth, rng, count, centre=None):
    """Numbers of the ``count`` targets nearest to one of them: what a segment sees."""
    centre = truth.xyz_mm[rng.integers(len(truth.xyz_mm))] if centre is None else centre
    return np.sort(np.argsort(((truth.xyz_mm - centre) ** 2).sum(axis=1), kind="stable")[:count])


def record(truth, numbers, rng, *, name, noise_mm, drift_mm_per_m=0.0, missing=0.0, spurious=0.0, T=None, warp=0.0,
           normals=True):  # fmt: skip
    """A target list of the targets ``numbers``, its pose T_control_list, and the truth's number of each entry.

    ``drift_mm_per_m``: random part growing with distance, as the weights assume; ``warp``: distortion of the
    list as a whole, mm/m (RMS length; its turn belongs to the pose).
    ``missing`` and ``spurious``: shares. Spurious entries (-1) lie near true ones.
    """
    T = pose(rng) if T is None else T
    keep = numbers[rng.random(len(numbers)) >= missing]
    xyz = truth.xyz_mm[keep]
    away = xyz - xyz.mean(axis=0)
    sd = np.hypot(noise_mm, drift_mm_per_m * np.linalg.norm(away, axis=1) / 1000)
    bend = rng.normal(size=(3, 3)) / np.sqrt(3) * warp / 1000
    xyz = xyz + away @ (bend + bend.T) / 2 + rng.normal(size=xyz.shape) * sd[:, None]
    normal = truth.normal[keep]
    false = round(spurious * len(keep))
    near = rng.choice(keep, false)
    xyz = np.vstack([xyz, truth.xyz_mm[near] + rng.normal(size=(false, 3)) * 60])
    normal = np.vstack([normal, truth.normal[near]]) + rng.normal(size=(len(xyz), 3)) * 0.02
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    order = rng.permutation(len(xyz))
    back = rigid.invert(T)
    listed = rigid.transform(back, xyz[order])
    one = target_list.TargetList(
        name,
        f"{name}.csv",
        listed,
        target_noise.covariance(listed, noise_mm, drift_mm_per_m),
        rigid.rotate(back, normal[order]) if normals else None,
    )
    return one, T, np.concatenate([keep, np.full(false, -1)])[order]


def observations(lists):
    """All entries of some lists as the network's observations; ``lists``: (xyz_mm, covariance_mm2, targets) of each."""
    xyz, covariance, target = (np.concatenate(columns) for columns in zip(*lists, strict=True))
    number = np.repeat(np.arange(len(lists)), [len(rows) for _, _, rows in lists])
    return model.Observations(xyz, covariance, number, target, np.ones(len(xyz), bool))

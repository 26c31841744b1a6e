"""Wall thickness: from places of the inner surface along its normal to the outer surface."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightbay.core import rigid, thinning
from nightbay.core.axes import AS_SCANNED, Axes
from nightbay.join import pose_fit
from nightbay.join.result import JoinedSection, SectionThickness, WallThickness
from nightbay.join.skin import Skin

COVERAGE = 2  # k of the expanded uncertainties
OPPOSED = 0.5  # cosine of 60 degrees: the outer surface of a wall faces away from the inner one
BESIDE = 1.5  # spacings of the outer points: how far off the normal they may lie
PARTNERS = 24  # outer points that are looked at in each step along the normal
ACROSS = 0.7  # cosine of 45 degrees: a wall is named by the axis that it faces
CLEAR = 3.0  # standard uncertainties: of places of one surface that both saw, one in 700 lies further behind itself
PLACES_IN_SECTION = 60.0  # mm between the places that a section shows


@dataclass(frozen=True)
class Thickness:
    """Places (n, 3) of the inner surface, their unit normals into the room, thickness (n,) and its standard uncertainty
    (n,), mm, vehicle frame."""

    inner_mm: np.ndarray
    normal: np.ndarray
    thickness_mm: np.ndarray
    sd_mm: np.ndarray

    @property
    def outer_mm(self) -> np.ndarray:
        """Where the outer surface lies, (n, 3)."""
        return self.inner_mm - self.thickness_mm[:, None] * self.normal

    def rows(self, keep: np.ndarray) -> "Thickness":
        """The places that ``keep``, (n,) bool, selects."""
        return Thickness(self.inner_mm[keep], self.normal[keep], self.thickness_mm[keep], self.sd_mm[keep])


def measure(a: Skin, b: Skin, T_a_b: np.ndarray, motion: pose_fit.Motion, step_mm: float, most_mm: float) -> Thickness:
    """The :class:`Thickness` at places every ``step_mm`` of the inner surface b, where the outer surface a lies within
    ``most_mm`` behind it.

    The first outer surface behind a place counts: the median of the planes of the points there. The uncertainty holds
    noise, the distortion of both parts and the covariance of the pose. Places whose wall is not thicker than ``CLEAR``
    of it are left out: through an aperture a sees the inner surface too, and where its normals are on the wrong side,
    that can't be distinguished from a thin sheet.
    """
    rows = thinning.thin(b.points_mm, step_mm)
    inner, normal = rigid.transform(T_a_b, b.points_mm[rows]), rigid.rotate(T_a_b, b.normals[rows])
    depth = np.full(len(rows), np.nan)
    spread = np.full(len(rows), np.nan)
    near = BESIDE * a.spacing_mm
    for start in np.arange(0.0, most_mm + a.spacing_mm, a.spacing_mm):
        waiting = np.flatnonzero(np.isnan(depth))
        found, sd = _first_surface(a, inner[waiting], normal[waiting], start, near)
        depth[waiting], spread[waiting] = found, sd
    keep = np.isfinite(depth) & (depth <= most_mm)
    inner, normal, depth, spread = inner[keep], normal[keep], depth[keep], spread[keep]
    J = pose_fit.rows(inner, normal, motion.centre_mm)
    by_pose = np.einsum("ni,ij,nj->n", J, motion.covariance, J)
    own = a.distortion_sd_mm(inner) ** 2 + b.distortion_sd_mm(b.points_mm[rows][keep]) ** 2
    sd = np.sqrt(by_pose + own + b.noise_mm**2 + spread**2)
    return Thickness(inner, normal, depth, sd).rows(depth > CLEAR * sd)


def _first_surface(
    a: Skin, inner: np.ndarray, normal: np.ndarray, depth_mm: float, near_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Depth (n,) of the outer surface about ``depth_mm`` behind places (n, 3), and the standard error of it; NaN where
    there is none."""
    at = inner - depth_mm * normal
    _, partner = a.tree.query(at, k=PARTNERS, distance_upper_bound=np.hypot(near_mm, a.spacing_mm))
    there = partner < len(a.points_mm)
    partner = np.where(there, partner, 0)
    off = a.points_mm[partner] - inner[:, None]
    along = -np.einsum("nkj,nj->nk", off, normal)
    beside = np.sqrt(np.maximum(np.sum(off**2, axis=2) - along**2, 0.0))
    facing = -np.einsum("nkj,nj->nk", a.normals[partner], normal)
    use = there & (facing > OPPOSED) & (beside < near_mm) & (np.abs(along - depth_mm) <= a.spacing_mm)
    # where the normal through the place meets the plane of each outer point
    plane = -np.einsum("nkj,nkj->nk", off, a.normals[partner]) / np.where(use, facing, -1.0)
    plane = np.where(use, -plane, np.nan)
    counts = use.sum(axis=1)
    depth = np.full(len(inner), np.nan)
    sd = np.full(len(inner), np.nan)
    some = counts >= 3
    if some.any():
        depth[some] = np.nanmedian(plane[some], axis=1)
        sd[some] = np.nanstd(plane[some], axis=1) / np.sqrt(counts[some])
    return depth, sd


def walls(found: Thickness, convention: Axes) -> list[WallThickness]:
    """Thickness of the walls by the side of the vehicle that they close: a left wall faces right."""
    names = sides(convention)
    made = []
    for (axis, sign), name in names.items():
        mine = sign * found.normal[:, axis] < -ACROSS
        if not mine.any():
            continue
        thick = found.thickness_mm[mine]
        low, high = np.percentile(thick, (5, 95))
        uncertainty = COVERAGE * float(np.median(found.sd_mm[mine]))
        made.append(WallThickness(name, int(mine.sum()), float(np.median(thick)), float(low), float(high), uncertainty))
    return made


def sides(convention: Axes) -> dict[tuple[int, int], str]:
    """What the wall at the end (axis, sign) of the vehicle is called."""
    if convention == AS_SCANNED:
        return {(axis, sign): f"{'+' if sign > 0 else '-'}{'xyz'[axis]}" for axis in range(3) for sign in (-1, 1)}
    forward, left = convention.forward, convention.left
    return {
        (1, left): "left", (1, -left): "right", (0, forward): "front", (0, -forward): "rear", (2, 1): "roof",
        (2, -1): "floor",
    }  # fmt: skip


def section(name: str, axis: int, value_mm: float, found: Thickness, step_mm: float) -> JoinedSection:
    """The places of a section, about ``PLACES_IN_SECTION`` apart, whose normals lie in it."""
    near = np.abs(found.inner_mm[:, axis] - value_mm) <= step_mm / 2
    flat = near & (np.abs(found.normal[:, axis]) < np.sqrt(1 - ACROSS**2))
    mine = found.rows(flat)
    rows = np.sort(thinning.thin(np.delete(_padded(mine.inner_mm), axis, axis=1), PLACES_IN_SECTION))
    outer = mine.outer_mm
    places = [
        SectionThickness(
            mine.inner_mm[row], outer[row], float(mine.thickness_mm[row]), float(COVERAGE * mine.sd_mm[row])
        )
        for row in rows
    ]
    return JoinedSection(name, axis, value_mm, places)


def _padded(points_mm: np.ndarray) -> np.ndarray:
    """Points (n, 4) with a constant coordinate, so that two of three remain with it."""
    return np.column_stack([points_mm, np.zeros(len(points_mm))])


def table(found: Thickness) -> Sequence[str]:
    """The places as lines of delimited text, with a heading."""
    head = "x_mm,y_mm,z_mm,normal_x,normal_y,normal_z,thickness_mm,uncertainty_k2_mm"
    columns = np.column_stack([found.inner_mm, found.normal, found.thickness_mm, COVERAGE * found.sd_mm])
    return [head, *(",".join(f"{value:.3f}" for value in row) for row in columns)]

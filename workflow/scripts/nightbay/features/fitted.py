"""A feature fitted to points, and how its parameters scatter: by noise, by its form, and with the segments' poses.

Noise comes from leaving out in turn one of several groups of points that are spread evenly (the delete-a-group
jackknife of :mod:`nightbay.core.robust`); what errors that neighbours share add to it (form, steps between segments)
from leaving out one of several patches. What poses add is exact to first order: the feature is fitted again with the
points of one segment moved.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import NotFound
from nightbay.features.kinds import POINT, SIZE, Points, Selection, pattern

GROUPS = 16  # the sd of an sd from so many is 18 %: with k = 2, 94 % are covered
STEP_MM = 0.01  # of a motion by which derivatives are taken: far above rounding, far below the size of a feature


@dataclass(frozen=True)
class Fitted:
    """A feature's ``parameters`` (7,) of :mod:`nightbay.features.kinds` in the vehicle frame.

    Covariances (7, 7): ``noise``; ``scatter``, noise and what neighbours share; ``edge``, what the points' spacing
    leaves open; ``target`` of a point of the survey. ``poses``: derivatives (7, 6) by the small motion about the origin
    (rotation vector rad, translation mm) of each segment, by name. ``points`` it was fitted to; ``form_rms_mm`` of
    those about it, None where nothing was fitted. ``pieces``: the holes of a pattern.
    """

    parameters: np.ndarray
    noise: np.ndarray
    scatter: np.ndarray
    edge: np.ndarray
    target: np.ndarray
    poses: Mapping[str, np.ndarray]
    points: int
    form_rms_mm: float | None
    pieces: "list[Fitted]" = field(default_factory=list)

    @property
    def causes(self) -> dict[str, np.ndarray]:
        """Covariances (7, 7) by cause, for what does not come from poses."""
        return {"noise": self.noise, "edge": self.edge, "target": self.target}


def known(parameters: np.ndarray, target: np.ndarray | None = None) -> Fitted:
    """A feature that is not fitted: a station, or a target with the covariance (3, 3) of its position."""
    none, of_target = np.zeros((SIZE, SIZE)), np.zeros((SIZE, SIZE))
    if target is not None:
        of_target[POINT, POINT] = target
    return Fitted(parameters, none, none, none, of_target, {}, 0, None)


def fit(selection: Selection, names: Sequence[str], reach_mm: float) -> Fitted | NotFound:
    """The feature of a selection with its uncertainty; ``names`` of the segments by their rows, ``reach_mm``: about the
    size of the region, over which a rotation moves points."""
    at = selection.estimate(selection.points_mm)
    if isinstance(at, NotFound):
        return at
    spread = {"noise": _even_groups, "scatter": _patches}
    covariances = {}
    for name, grouping in spread.items():
        covariance = _jackknife(selection, grouping)
        if isinstance(covariance, NotFound):
            return covariance
        covariances[name] = covariance
    poses = _pose_derivatives(selection, names, at, reach_mm)
    if isinstance(poses, NotFound):
        return poses
    return Fitted(
        parameters=at,
        noise=covariances["noise"],
        scatter=covariances["scatter"],
        edge=selection.edge,
        target=np.zeros((SIZE, SIZE)),
        poses=poses,
        points=selection.count,
        form_rms_mm=float(np.sqrt(np.mean(selection.residuals(at) ** 2))),
    )


def _even_groups(points_mm: np.ndarray) -> np.ndarray:
    """Group (n,) of each point: every group has points everywhere."""
    return np.arange(len(points_mm)) % GROUPS


def _patches(points_mm: np.ndarray) -> np.ndarray:
    """Patch (n,) of each point: halves of halves along the longest side, of as many points each."""
    patch = np.zeros(len(points_mm), np.int64)
    parts = [np.arange(len(points_mm))]
    while len(parts) < GROUPS and min(map(len, parts)) > 1:
        halves = []
        for rows in parts:
            axis = int(np.argmax(np.ptp(points_mm[rows], axis=0)))
            order = rows[np.argsort(points_mm[rows, axis], kind="stable")]
            halves += [order[: len(order) // 2], order[len(order) // 2 :]]
        parts = halves
    for number, rows in enumerate(parts):
        patch[rows] = number
    return patch


def _jackknife(selection: Selection, grouping: Callable[[np.ndarray], np.ndarray]) -> np.ndarray | NotFound:
    """Covariance (7, 7) by leaving out one group of one piece's points at a time."""
    total = np.zeros((SIZE, SIZE))
    for piece, points in enumerate(selection.points_mm):
        group = grouping(points)
        replicates = []
        for number in np.unique(group):
            left: Points = (
                *selection.points_mm[:piece],
                points[group != number],
                *selection.points_mm[piece + 1 :],
            )
            found = selection.estimate(left)
            if isinstance(found, NotFound):
                return found
            replicates.append(found)
        off = np.array(replicates) - np.mean(replicates, axis=0)
        total += (len(off) - 1) / len(off) * off.T @ off
    return total


def _pose_derivatives(
    selection: Selection, names: Sequence[str], at: np.ndarray, reach_mm: float
) -> dict[str, np.ndarray] | NotFound:
    """Derivatives (7, 6) of the parameters by the motion of each segment about the origin."""
    middle = at[POINT]
    found: dict[str, np.ndarray] = {}
    for row in np.unique(np.concatenate(selection.segments)):
        columns = []
        for axis in range(6):
            motion = np.zeros(6)
            motion[axis] = STEP_MM / (reach_mm if axis < 3 else 1.0)
            moved = tuple(
                points + (segment == row)[:, None] * (np.cross(motion[:3], points - middle) + motion[3:])
                for points, segment in zip(selection.points_mm, selection.segments, strict=True)
            )
            changed = selection.estimate(moved)
            if isinstance(changed, NotFound):
                return changed
            columns.append((changed - at) / motion[axis])
        about_origin = np.eye(6)
        # a motion about the origin moves the middle by w x middle + t
        about_origin[3:, :3] = -rigid.cross_matrix(middle[None])[0]
        found[names[int(row)]] = np.column_stack(columns) @ about_origin
    return found


def combine(pieces: Sequence[Fitted]) -> Fitted | NotFound:
    """The pitch circle of fitted holes, with what their uncertainties make of it."""
    parameters = [piece.parameters for piece in pieces]
    at = pattern(parameters)
    if isinstance(at, NotFound):
        return at
    derivatives = []
    for number in range(len(pieces)):
        columns = []
        for column in range(SIZE):
            changed = [np.array(each) for each in parameters]
            changed[number][column] += STEP_MM
            moved = pattern(changed)
            if isinstance(moved, NotFound):
                return moved
            columns.append((moved - at) / STEP_MM)
        derivatives.append(np.column_stack(columns))

    def carried(of: Callable[[Fitted], np.ndarray]) -> np.ndarray:
        return np.sum([J @ of(piece) @ J.T for J, piece in zip(derivatives, pieces, strict=True)], axis=0)

    names = sorted({name for piece in pieces for name in piece.poses})
    poses = {
        name: np.sum(
            [J @ piece.poses[name] for J, piece in zip(derivatives, pieces, strict=True) if name in piece.poses], axis=0
        )
        for name in names
    }
    return Fitted(
        parameters=at,
        noise=carried(lambda piece: piece.noise),
        scatter=carried(lambda piece: piece.scatter),
        edge=carried(lambda piece: piece.edge),
        target=carried(lambda piece: piece.target),
        poses=poses,
        points=sum(piece.points for piece in pieces),
        form_rms_mm=float(
            np.sqrt(np.mean([piece.form_rms_mm**2 for piece in pieces if piece.form_rms_mm is not None]))
        ),
        pieces=list(pieces),
    )

"""Measures the accuracy of a network by check targets: every tie target is withheld in its turn and predicted.

A withheld target keeps the one observation that gives its position and takes no part in the poses. Each of its other
observations is then compared with the prediction. The error contains the noise of both observations and of the poses:
it is the error of a distance to a target that another list measured.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from nightbay.network import adjustment
from nightbay.network.model import Adjusted, Observations


@dataclass(frozen=True)
class Checks:
    """Errors of withheld targets: ``row`` (k,) the observation compared, ``target`` (k,), ``error_mm`` (k, 3) predicted
    minus observed in the frame of the observation's list, ``expected_mm2`` (k, 3, 3) its second moment by the weights;
    ``needed``: how many observations can't be withheld, since a pose is undetermined without their group.

    The prediction uses the list's rigid pose, as surfaces do: the list's own distortion is part of the error.
    """

    row: np.ndarray
    target: np.ndarray
    error_mm: np.ndarray
    expected_mm2: np.ndarray
    needed: int

    @property
    def rms_mm(self) -> float:
        """RMS length of the errors, mm."""
        return float(np.sqrt((self.error_mm**2).sum(axis=1).mean()))

    @property
    def expected_rms_mm(self) -> float:
        """Its expectation from the weights."""
        return float(np.sqrt(np.einsum("kii->k", self.expected_mm2).mean()))


def leave_group_out(adjust: Callable[[np.ndarray], Adjusted], observations: Observations, groups: int) -> Checks | None:
    """Withhold the tie targets in ``groups`` turns; returns :class:`Checks`, or None where nothing can be withheld.

    ``adjust(active)`` adjusts with the observations that are active, (n,) bool, and returns a
    :class:`nightbay.network.model.Adjusted`. Targets take the groups in turn along the longest extent, which
    spreads each group over all of it.
    """
    active, target = observations.active, observations.target
    seen = np.bincount(target[active], minlength=target.max() + 1)
    ties = np.flatnonzero(seen >= 2)
    if len(ties) < 2 * groups:
        return None
    reference = adjust(active)
    group = np.full(len(seen), -1)
    centred = reference.xyz_mm[ties] - reference.xyz_mm[ties].mean(axis=0)
    longest = np.linalg.svd(centred, full_matrices=False)[2][0]
    longest = longest * np.sign(longest[np.argmax(np.abs(longest))])
    group[ties[np.argsort(centred @ longest, kind="stable")]] = np.arange(len(ties)) % groups
    rows, errors, expected, needed = [], [], [], 0
    first = _first_of_target(active, target)
    for at in range(groups):
        withheld = active & (group[target] == at) & ~first
        if not withheld.any():
            continue
        try:
            found = adjust(active & ~withheld)
        except adjustment.Undetermined:
            needed += int(withheld.sum())
            continue
        rows.append(np.flatnonzero(withheld))
        distortion = found.distortion_mm[withheld]
        errors.append(found.residual_mm[withheld] + distortion)
        expected.append(
            observations.covariance_mm2[withheld]
            + found.Q_fitted[withheld]
            + distortion[:, :, None] * distortion[:, None, :]
        )
    if not rows:
        return None
    compared = np.concatenate(rows)
    order = np.argsort(compared, kind="stable")
    return Checks(
        compared[order], target[compared][order], np.concatenate(errors)[order], np.concatenate(expected)[order], needed
    )


def _first_of_target(active: np.ndarray, target: np.ndarray) -> np.ndarray:
    """(n,) bool: the first active observation of each target."""
    first = np.zeros(len(target), bool)
    rows = np.flatnonzero(active)
    _, at = np.unique(target[rows], return_index=True)
    first[rows[at]] = True
    return first

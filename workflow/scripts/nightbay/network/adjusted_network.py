"""The adjusted network of a part, from which the result of the stage is assembled."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nightbay.matching import initial_poses
from nightbay.matching.target_list import TargetList
from nightbay.network import blunders, check_targets, duplicate_targets, model, target_identity
from nightbay.network.result import VarianceFactor


@dataclass(frozen=True)
class AdjustedNetwork:
    """The adjusted network of a part; ``lists[0]`` holds the frame.

    ``row`` (n,): row in its list of each observation. ``survey``: the control survey as its file has it, None without
    one; ``survey_rows`` (m,): row in that file of each entry of ``lists[0]``, None without a survey. ``notes``:
    sentences on the matching.
    """

    lists: list[TargetList]
    start: initial_poses.InitialPoses
    identity: target_identity.Identity
    observations: model.Observations
    row: np.ndarray
    snooped: blunders.Snooped
    variance_test: VarianceFactor | None
    checks: check_targets.Checks | None
    duplicates: list[duplicate_targets.Duplicate]
    survey: TargetList | None
    survey_rows: np.ndarray | None
    notes: list[str]

    @cached_property
    def times_seen(self) -> np.ndarray:
        """(t,) observations in use of each target."""
        return np.bincount(self.observations.target[self.snooped.active], minlength=self.identity.count)

    def list_of(self, observation: int) -> TargetList:
        """The list that made an observation."""
        return self.lists[self.observations.list_number[observation]]

    def id_of(self, observation: int) -> str | None:
        """The id of an observed target in its list, None in a list without ids."""
        ids = self.list_of(observation).id
        return None if ids is None else ids[self.row[observation]]

    def file_row(self, observation: int) -> int:
        """Row of an observation in the file of its list, from 1."""
        row = self.row[observation]
        if self.survey_rows is not None and self.observations.list_number[observation] == 0:
            row = self.survey_rows[row]
        return int(row) + 1

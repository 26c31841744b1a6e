"""A list of targets with the uncertainty of each, as matching and adjustment take it."""

from dataclasses import dataclass, replace

import numpy as np

SURVEY = "control survey"  # name of that list; every other has the name of its segment


@dataclass(frozen=True)
class TargetList:
    """One list: ``name`` (segment, or :data:`SURVEY`), ``file``; ``xyz_mm`` (n, 3) and ``covariance_mm2`` (n, 3, 3)
    in its own frame; ``normal`` (n, 3), ``id`` of each, ``diameter_mm`` (n,), each or None."""

    name: str
    file: str
    xyz_mm: np.ndarray
    covariance_mm2: np.ndarray
    normal: np.ndarray | None = None
    id: list[str] | None = None
    diameter_mm: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.xyz_mm)

    @property
    def is_survey(self) -> bool:
        """Whether it is the control survey."""
        return self.name == SURVEY

    def rows(self, keep: np.ndarray) -> "TargetList":
        """The list with the rows that ``keep`` selects, by number or by a bool for each."""
        pick = np.flatnonzero(keep) if keep.dtype == bool else keep
        return replace(
            self,
            xyz_mm=self.xyz_mm[pick],
            covariance_mm2=self.covariance_mm2[pick],
            normal=None if self.normal is None else self.normal[pick],
            id=None if self.id is None else [self.id[row] for row in pick],
            diameter_mm=None if self.diameter_mm is None else self.diameter_mm[pick],
        )

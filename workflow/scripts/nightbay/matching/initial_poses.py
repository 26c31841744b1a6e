"""Brings the target lists of a part together: start poses, and which entries of which lists are the same target.

The poses are given in the frame of the control survey, or of the first segment of a part without one, wherever the
joining (:mod:`nightbay.matching.list_groups`) began.
"""

from dataclasses import dataclass, replace

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.matching import diagnosis, list_groups, matching


@dataclass(frozen=True)
class TargetList:
    """One list: ``name`` (segment, or "control survey"), ``file``; ``xyz_mm`` (n, 3) and ``covariance_mm2`` (n, 3, 3)
    in its own frame; ``normal`` (n, 3), ``id`` list of str, ``diameter_mm`` (n,), each or None."""

    name: str
    file: str
    xyz_mm: np.ndarray
    covariance_mm2: np.ndarray
    normal: np.ndarray | None = None
    id: list | None = None
    diameter_mm: np.ndarray | None = None

    def __len__(self):
        return len(self.xyz_mm)

    def rows(self, keep):
        """The list with the rows that ``keep`` selects."""
        pick = np.flatnonzero(keep) if np.asarray(keep).dtype == bool else keep
        return replace(
            self,
            xyz_mm=self.xyz_mm[pick],
            covariance_mm2=self.covariance_mm2[pick],
            normal=None if self.normal is None else self.normal[pick],
            id=None if self.id is None else [self.id[row] for row in pick],
            diameter_mm=None if self.diameter_mm is None else self.diameter_mm[pick],
        )


@dataclass(frozen=True)
class Placed:
    """Start poses (s, 4, 4) in the order of the lists, how each was matched {name: match}, the ``order`` (s,) in which
    the lists were tied to each other, and sentences for the report."""

    T_control_station: np.ndarray
    matches: dict
    order: list
    notes: list


def place(lists, tolerance, settings, placed=False):
    """Match all lists to each other; returns :class:`Placed` in the frame of the first one.

    ``placed``: the segments claim to be in the frame of the first list already, which is tried and checked.

    Raises :class:`Rejected`, with a sentence for each list that can't be placed.
    """
    joined = list_groups.join(lists, tolerance, settings, placed)
    if len(joined.groups) > 1:
        raise Rejected(diagnosis.sentences(joined, lists, tolerance, settings))
    doubtful = list_groups.contradicting(joined, lists, settings["same_target_mm"])
    if doubtful is not None:
        raise Rejected(diagnosis.contradiction(doubtful, lists))
    (whole,) = joined.groups
    T_control_group = rigid.invert(whole.members[0])
    T = np.array([T_control_group @ whole.members[at] for at in range(len(lists))])
    ties = sorted(joined.ties, key=lambda held: held[0])
    notes = [note for _, found in ties for note in _on_tie(found, lists)]
    if placed:
        notes += [note for at, one in enumerate(lists) for note in _on_claim(one, T[at], tolerance)]
    return Placed(T, {lists[at].name: found.match for at, found in ties}, list(whole.members), notes)


def _on_tie(found, lists):
    """Sentences on what is odd about a tie."""
    notes = []
    if found.without_normals:
        odd = min(found.b, found.a, key=lambda group: len(group.members))
        notes.append(
            f"{_files(odd, lists)}: the normals contradict those of the other lists and were not used; the match rests "
            "on distances alone: check the export's settings."
        )
    if found.match.flat:
        notes.append(
            f"The targets of {diagnosis.segments(found.b, lists)} lie in one plane and have no normals: a mirrored "
            "export would not be noticed."
        )
    return notes + _on_labels(found, lists)


def _on_labels(found, lists):
    """Where labels are shared on purpose, say which of them contradict the geometry."""
    if len(found.labelled) < matching.LEAST:
        return []
    partner = dict(zip(found.match.rows_b.tolist(), found.match.rows_a.tolist(), strict=True))
    judged = [(a, b) for a, b in found.labelled.tolist() if b in partner]
    wrong = [found.b.id[b] for a, b in judged if partner[b] != a]
    if not judged or len(wrong) > len(judged) / 2 or not wrong:
        return []  # numbers that each list counts for itself say nothing
    return [
        f"{_files(found.b, lists)}: {len(wrong)} of {len(judged)} labels stand at other targets than in the other "
        f"lists ({', '.join(wrong[:5])}{', …' if len(wrong) > 5 else ''}); the geometry was followed."
    ]


def _files(group, lists):
    return ", ".join(lists[at].file for at in sorted(group.members))


def _on_claim(one, T, tolerance):
    off = np.linalg.norm(rigid.transform(T, one.xyz_mm) - one.xyz_mm, axis=1).max()
    reach_m = np.linalg.norm(one.xyz_mm - one.xyz_mm.mean(axis=0), axis=1).max() / 1000
    if off <= tolerance.point_mm + tolerance.per_m * reach_m:
        return []
    return [
        f"Segment {one.name} is declared as placed, but its targets lie up to {off:.2f} mm from there; the pose found "
        "from the targets is used."
    ]

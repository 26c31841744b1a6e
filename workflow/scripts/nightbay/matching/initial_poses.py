"""Initial poses of the target lists of a part, from matching them to each other.

The poses are in the frame of the first list, the control survey or the first segment of a part without one, whichever
lists :mod:`nightbay.matching.list_groups` joined first.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.matching import diagnosis, list_groups, matching
from nightbay.matching.list_groups import Group, GroupMatch
from nightbay.matching.pairing import Tolerance
from nightbay.matching.target_list import TargetList


@dataclass(frozen=True)
class InitialPoses:
    """Poses (s, 4, 4) in the order of the lists, how each was matched {name: match}, the ``order`` (s,) in which the
    lists were joined, and sentences for the report."""

    T_control_list: np.ndarray
    matches: dict[str, matching.Match]
    order: list[int]
    notes: list[str]


def find(lists: Sequence[TargetList], tolerance: Tolerance, settings: Any, placed: bool = False) -> InitialPoses:
    """Match all lists to each other; the poses are in the frame of the first one.

    ``placed``: the segments claim to be in the frame of the first list already, which is tried and checked;
    ``settings``: the section network.

    Raises :class:`Rejected`, with a sentence for each list that can't be matched; :class:`Unplaced` where all of them
    are segments'.
    """
    joined = list_groups.join(lists, tolerance, settings, placed)
    if len(joined.groups) > 1:
        raise diagnosis.refusal(joined, lists, tolerance, settings)
    contradiction = list_groups.find_contradiction(joined, lists, settings.same_target_mm)
    if contradiction is not None:
        raise Rejected(diagnosis.contradiction(contradiction, lists))
    (whole,) = joined.groups
    T_control_group = rigid.invert(whole.members[0])
    T = np.array([T_control_group @ whole.members[number] for number in range(len(lists))])
    used = sorted(joined.used, key=lambda numbered: numbered[0])
    notes = [note for _, found in used for note in _on_match(found, lists)]
    if placed:
        notes += [
            note
            for target_list, T_list in zip(lists, T, strict=True)
            for note in _on_claimed_frame(target_list, T_list, tolerance)
        ]
    matches = {lists[number].name: found.match for number, found in used}
    return InitialPoses(T, matches, list(whole.members), notes)


def _on_match(found: GroupMatch, lists: Sequence[TargetList]) -> list[str]:
    """Sentences for the report on what is unusual in a match."""
    notes = []
    if found.without_normals:
        odd = min(found.b, found.a, key=lambda group: len(group.members))
        notes.append(
            f"{_files(odd, lists)}: the normals contradict those of the other lists and were not used. The match rests "
            "on distances alone: check the export's settings."
        )
    if found.match.flat:
        notes.append(
            f"The targets of {diagnosis.names(found.b, lists)} lie in one plane and have no normals: a mirrored "
            "export would not be noticed."
        )
    return notes + _on_labels(found, lists)


def _on_labels(found: GroupMatch, lists: Sequence[TargetList]) -> list[str]:
    """Names the labels that contradict the geometry, where labels are shared on purpose."""
    if len(found.labelled) < matching.LEAST:
        return []
    partner = dict(zip(found.match.rows_b.tolist(), found.match.rows_a.tolist(), strict=True))
    judged = [(a, b) for a, b in found.labelled.tolist() if b in partner]
    wrong = [str(found.b.id[b]) for a, b in judged if partner[b] != a]
    if not judged or len(wrong) > len(judged) / 2 or not wrong:
        return []  # numbers that each list counts for itself mean nothing
    return [
        f"{_files(found.b, lists)}: {len(wrong)} of {len(judged)} labels belong to other targets than in the other "
        f"lists ({', '.join(wrong[:5])}{', …' if len(wrong) > 5 else ''}). The match follows the geometry."
    ]


def _files(group: Group, lists: Sequence[TargetList]) -> str:
    return ", ".join(lists[number].file for number in sorted(group.members))


def _on_claimed_frame(target_list: TargetList, T: np.ndarray, tolerance: Tolerance) -> list[str]:
    off = np.linalg.norm(rigid.transform(T, target_list.xyz_mm) - target_list.xyz_mm, axis=1).max()
    radius_m = np.linalg.norm(target_list.xyz_mm - target_list.xyz_mm.mean(axis=0), axis=1).max() / 1000
    if off <= tolerance.point_mm + tolerance.per_m * radius_m:
        return []
    return [
        f"Segment {target_list.name} is declared as placed, but its targets are up to {off:.2f} mm off. The pose found "
        "from the targets is used."
    ]

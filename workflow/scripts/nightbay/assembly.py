"""Brings the target lists of a part together: start poses, and which entries of which lists are the same target.

The list that holds the frame (the control survey, or the first segment of a part without one) is the start of a map.
Every list that can be matched to the map gets its pose and adds what it alone has seen; then the next round begins, so
that a segment may hang on another one.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from nightbay import matching, matching_search, misfits, rigid
from nightbay.errors import Rejected

SURVEY = "control survey"  # name of that list
WITHOUT = ("few", "chance")  # refusals for which it is worth trying without normals
SEVERITY = ("ambiguous", "line", "flat", "chance", "few")  # which refusal is told where several segments are refused


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
    """Start poses (s, 4, 4) in the order of the lists, how each was matched, and sentences for the report."""

    T_control_station: np.ndarray
    matches: dict
    notes: list


@dataclass
class _Map:
    """What is known of all targets so far, control frame."""

    xyz: np.ndarray
    normal: np.ndarray | None
    id: list

    def add(self, xyz, normal, id):
        self.xyz = np.concatenate([self.xyz, xyz])
        if self.normal is not None:
            self.normal = np.concatenate([self.normal, normal])
        self.id = self.id + id


def place(lists, tolerance, settings, placed=False):
    """Match all lists to the first and to each other; returns :class:`Placed`.

    ``placed``: the segments claim to be in the frame of the first list already, which is tried and checked.

    Raises :class:`Rejected` for the first segment that can't be placed.
    """
    first = lists[0]
    with_normals = all(one.normal is not None for one in lists)
    known = _Map(first.xyz_mm, first.normal if with_normals else None, list(first.id or [None] * len(first)))
    poses, matches, notes, failed = {0: np.eye(4)}, {}, [], {}
    while len(poses) < len(lists):
        index = matching_search.index(known.xyz, known.normal)
        bare = index if known.normal is None else matching_search.index(known.xyz)
        new, failed = {}, {}
        for at, one in enumerate(lists):
            if at in poses:
                continue
            try:
                new[at] = _match(one, known, index, bare, tolerance, settings, placed)
            except matching.NoMatch as refused:
                failed[at] = refused
        if not new:
            break
        for at, (match, note) in new.items():
            poses[at] = match.T_a_b
            matches[lists[at].name] = match
            notes += note
            _extend(known, lists[at], match.T_a_b, settings["same_target_mm"])
    if failed:
        at = min(failed, key=lambda at: (SEVERITY.index(failed[at].why), at))
        others = _others(lists, len(poses) > 1)
        raise Rejected(misfits.sentence(lists[at], failed[at], others, bare, known.xyz, tolerance, settings))
    return Placed(np.array([poses[at] for at in range(len(lists))]), matches, notes)


def _match(one, known, index, bare, tolerance, settings, placed):
    """Match of a list to the map, and sentences on what was found odd."""
    labelled = _labelled(known.id, one.id)
    common = {
        "chance_max": settings["chance_max"],
        "width_mm": settings["narrowest_mm"],
        "labelled": labelled,
        "T_guess": np.eye(4) if placed else None,
    }
    notes = []
    try:
        match = matching.match(known.xyz, one.xyz_mm, tolerance, normal_b=one.normal, index=index, **common)
    except matching.NoMatch as refused:
        if known.normal is None or refused.why not in WITHOUT:
            raise
        match = matching.match(known.xyz, one.xyz_mm, tolerance, index=bare, **common)
        notes.append(
            f"{one.file}: the normals contradict those of the other lists and were not used; the match rests on "
            "distances alone: check the export's settings."
        )
    if match.flat:
        notes.append(
            f"The targets of segment {one.name} lie in one plane and have no normals: a mirrored export would not be "
            "noticed."
        )
    notes += _on_labels(one, labelled, match) + (_on_claim(one, match, tolerance) if placed else [])
    return match, notes


def _labelled(id_a, id_b):
    """Row pairs (k, 2) of ids that stand once in each list, or None."""
    if id_b is None:
        return None
    at_a = {label: row for row, label in enumerate(id_a) if label is not None and id_a.count(label) == 1}
    pairs = [(at_a[label], row) for row, label in enumerate(id_b) if label in at_a and id_b.count(label) == 1]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _on_labels(one, labelled, match):
    """Where labels are shared on purpose, say which of them contradict the geometry."""
    if labelled is None or len(labelled) < matching.LEAST:
        return []
    partner = dict(zip(match.rows_b.tolist(), match.rows_a.tolist(), strict=True))
    judged = [(a, b) for a, b in labelled.tolist() if b in partner]
    wrong = [one.id[b] for a, b in judged if partner[b] != a]
    if not judged or len(wrong) > len(judged) / 2 or not wrong:
        return []  # numbers that each list counts for itself say nothing
    return [
        f"{one.file}: {len(wrong)} of {len(judged)} labels stand at other targets than in the other lists "
        f"({', '.join(wrong[:5])}{', …' if len(wrong) > 5 else ''}); the geometry was followed."
    ]


def _on_claim(one, match, tolerance):
    off = np.linalg.norm(rigid.transform(match.T_a_b, one.xyz_mm) - one.xyz_mm, axis=1).max()
    reach_m = np.linalg.norm(one.xyz_mm - one.xyz_mm.mean(axis=0), axis=1).max() / 1000
    if off <= tolerance.point_mm + tolerance.per_m * reach_m:
        return []
    return [
        f"Segment {one.name} is declared as placed, but its targets lie up to {off:.2f} mm from there; the pose found "
        "from the targets is used."
    ]


def _extend(known, one, T, same_mm):
    """Add to the map what the list alone has seen."""
    xyz = rigid.transform(T, one.xyz_mm)
    alone = np.flatnonzero(cKDTree(known.xyz).query(xyz)[0] > same_mm)
    normal = None if known.normal is None else rigid.rotate(T, one.normal[alone])
    known.add(xyz[alone], normal, [one.id[row] if one.id else None for row in alone])


def _others(lists, more):
    """What a segment was matched to, in words."""
    if lists[0].name == SURVEY:
        return "the control survey" + (" or the segments matched to it" if more else "")
    return f"segment {lists[0].name}" + (" or those matched to it" if more else "")

"""Explains why lists of targets do not match each other, and what to do about it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nightbay.core.errors import Rejected, Unplaced
from nightbay.core.text_format import plural
from nightbay.core.units import MM
from nightbay.matching import matching
from nightbay.matching.list_groups import Group, GroupMatch, Joined
from nightbay.matching.pairing import Tolerance
from nightbay.matching.target_list import TargetList

LOOSE = 4.0  # times the declared noise and drift, tried to distinguish a poor scanner from missing targets
MIRROR = np.array([1.0, 1.0, -1.0])
ELSEWHERE = "another vehicle or to another arrangement of the targets"


@dataclass(frozen=True)
class _Refused:
    """A ``group`` that does not match the ``main`` one, and why; ``all_others``: the main group has all other lists."""

    group: Group
    main: Group
    why: matching.NoMatch
    all_others: bool
    lists: Sequence[TargetList]
    tolerance: Tolerance
    limits: matching.Limits

    @property
    def several(self) -> bool:
        """Whether the group has several lists."""
        return len(self.group.members) > 1

    @property
    def named(self) -> str:
        """The group's lists with their files, as the beginning of a sentence."""
        words = _words(self.group, self.lists, lambda target_list: f"{target_list.name} ({target_list.file})")
        return words[0].upper() + words[1:]

    @property
    def fits(self) -> str:
        """The verb for the group."""
        return "fit" if self.several else "fits"


def refusal(joined: Joined, lists: Sequence[TargetList], tolerance: Tolerance, settings: Any) -> Rejected:
    """The refusal of a network that falls into groups: a sentence for the survey or segments of each but the largest.

    :class:`Unplaced` where all of these are segments: the others make a network without them. ``settings``: the section
    network.
    """
    numbers = range(len(joined.groups))
    # of groups of one size, the survey's is the main one
    main = max(numbers, key=lambda at: _size(joined.groups[at]))
    others = sorted((at for at in numbers if at != main), key=lambda at: min(joined.groups[at].members))
    limits = matching.Limits(settings.false_matches_max, settings.narrowest_mm)
    reasons: dict[str, str] = {}
    for at in others:
        why = joined.refused[min(at, main), max(at, main)]
        refused = _Refused(joined.groups[at], joined.groups[main], why, len(others) == 1, lists, tolerance, limits)
        reasons |= dict.fromkeys((lists[number].name for number in joined.groups[at].members), _sentence(refused))
    refusal = Unplaced(reasons)
    surveyed = lists[0].is_survey and lists[0].name in reasons
    return Rejected(str(refusal)) if surveyed else refusal


def _size(group: Group) -> tuple[int, bool, int]:
    return len(group.members), 0 in group.members, len(group.xyz_mm)


def contradiction(found: GroupMatch, lists: Sequence[TargetList]) -> str:
    """The refusal of poses that an unused match of two lists contradicts."""
    pair = " and ".join(sorted(lists[group.root].name for group in (found.a, found.b)))
    return (
        f"Segments {pair} fit each other by {len(found.match.rows_b)} targets in one pose, and through the other lists "
        "in another. The layout is regular or symmetric, or something with targets on it moved between the scans: add "
        "a few targets at irregular positions and scan again."
    )


def names(group: Group, lists: Sequence[TargetList]) -> str:
    """A group in words, such as "the control survey and segments left, right and roof"."""
    return _words(group, lists, lambda target_list: target_list.name)


def _words(group: Group, lists: Sequence[TargetList], name: Callable[[TargetList], str]) -> str:
    members = [lists[number] for number in group.members]
    words = [f"the {name(target_list)}" for target_list in members if target_list.is_survey]
    segments = sorted(name(target_list) for target_list in members if not target_list.is_survey)
    if segments:
        words.append(f"segment{'s' if len(segments) > 1 else ''} {_and(segments)}")
    return " and ".join(words)


def _and(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _fit(group: Group) -> str:
    """That the lists of a group fit each other, in words."""
    return f"fit each other ({_and([str(count) for count in group.common])} common targets)"


def _sentence(refused: _Refused) -> str:
    """The refusal of a group. Where targets seem to be missing, the group is also tried with more noise, in
    another unit and mirrored, since each of these has its own remedy."""
    why = refused.why
    explanations = {"few": (_noise, _unit, _mirror), "by chance": (_noise, _unit, _mirror), "line": (_unit,)}
    # a list in metres that is read as millimetres is tiny and looks like a line
    for explain in explanations.get(why.reason, ()):
        sentence = explain(refused)
        if sentence is not None:
            return sentence
    if why.reason in ("few", "by chance"):
        return _too_few(refused)
    its, it = ("their", "them") if refused.several else ("its", "it")
    common = f"{refused.named}: {its} {why.count} common targets lie"
    if why.reason == "line":
        return (
            f"{common} nearly in one line, which leaves the rotation about it undetermined: add targets off that line "
            f"and scan {it} again."
        )
    if why.reason == "flat":
        return (
            f"{common} in one plane, where a mirrored list would fit as well: export the targets' normals, or scan "
            f"{it} again with more targets off that plane."
        )
    return (
        f"{refused.named} {refused.fits} {names(refused.main, refused.lists)} in more than one pose ({why.count} "
        f"targets against {why.runner_up} for another pose, which is no clear lead). The layout is regular or "
        f"symmetric: add a few targets at irregular positions and scan {it} again."
    )


def _too_few(refused: _Refused) -> str:
    """Too few common targets, and what to do: nothing distinguishes missing targets from those of another vehicle."""
    group, main, why = refused.group, refused.main, refused.why
    share, its, it, may = (
        ("share", "their", "them", "they belong") if refused.several else ("shares", "its", "it", "it belongs")
    )
    of = f"of {its} {len(group.xyz_mm)} targets"
    if len(group.xyz_mm) < matching.LEAST:
        count = f"at most {plural(len(group.xyz_mm), '{count} target', '{count} targets')}"
    else:  # any three fit somewhere, so a smaller count can't be known
        count = f"no more than three {of}" if why.count < matching.LEAST else f"only {why.count} {of}"
    sentence = f"{refused.named}{f' {_fit(group)}, but' if refused.several else ''} {share} {count} with "
    sentence += names(main, refused.lists) + (f", which {_fit(main)}" if len(main.members) > 1 else "")
    if 0 in group.members and refused.lists[0].is_survey:
        if refused.several:
            return (
                f"{sentence}: one of the two groups may belong to {ELSEWHERE}: correct its files in the job sheet if "
                "so, or survey the vehicle again."
            )
        return (
            f"{sentence}: it may belong to {ELSEWHERE}: correct control_survey in the job sheet if so, or remove it "
            "to adjust the segments among themselves."
        )
    if why.reason == "by chance":
        sentence += f", which could happen by chance: scan {it} again with at least two more common targets in view"
    else:
        sentence += (
            f"; at least four common targets are needed: scan {it} again with more targets in view, or survey "
            "the targets on that side"
        )
    if refused.all_others and len(main.members) > 1:
        sentence += f", or correct the job sheet if {may} to {ELSEWHERE}"
    return sentence + "."


def _try(refused: _Refused, xyz_mm: np.ndarray, tolerance: Tolerance) -> matching.Match | None:
    """A certified match of coordinates (n, 3) to the main group on distances alone, or None."""
    match = matching.match(refused.main.index_without_normals, xyz_mm, tolerance, refused.limits)
    return None if isinstance(match, matching.NoMatch) else match


def _noise(refused: _Refused) -> str | None:
    declared = refused.tolerance
    loose = replace(declared, noise_mm=LOOSE * declared.noise_mm, drift_mm_per_m=LOOSE * declared.drift_mm_per_m)
    match = _try(refused, refused.group.xyz_mm, loose)
    if match is None:
        return None
    return (
        f"{refused.named} {refused.fits} the other lists only to {match.rms_mm:.2f} mm (rms of "
        f"{len(match.rows_b)} targets), more than the declared noise of {declared.noise_mm:g} mm and drift of "
        f"{declared.drift_mm_per_m:g} mm/m allow: calibrate the scanner and scan it again, or declare its noise and "
        "drift in scan.target_noise_mm and scan.target_drift_mm_per_m."
    )


def _unit(refused: _Refused) -> str | None:
    for factor in sorted({a / b for a in MM.values() for b in MM.values()} - {1.0}):
        match = _try(refused, refused.group.xyz_mm * factor, refused.tolerance)
        if match is not None:
            return (
                f"{refused.named} {refused.fits} the other lists only when its coordinates are multiplied by "
                f"{factor:g} ({len(match.rows_b)} targets): correct its units in the job sheet."
            )
    return None


def _mirror(refused: _Refused) -> str | None:
    match = _try(refused, refused.group.xyz_mm * MIRROR, refused.tolerance)
    if match is None:
        return None
    return (
        f"{refused.named} {refused.fits} the other lists only as a mirror image ({len(match.rows_b)} targets): "
        "export it again with the same handedness of the axes."
    )

"""Refusals of a network whose lists were matched: one sentence for each fault, with what to do."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from nightbay.core.errors import Rejected, Unplaced
from nightbay.matching import consensus, matching
from nightbay.matching.target_list import TargetList
from nightbay.network.duplicate_targets import Duplicate
from nightbay.network.model import Observations


def check_duplicates(survey: TargetList, duplicates: Sequence[Duplicate], share_max: float) -> None:
    """Raise :class:`Rejected` for a survey in which too many targets are recorded twice."""
    certain = [pair for pair in duplicates if pair.is_one_target]
    share = len(certain) / len(survey)
    if share <= share_max:
        return
    xyz = survey.xyz_mm[[pair.rows[0] for pair in certain]]
    low, high = xyz.min(axis=0), xyz.max(axis=0)
    ranges = ", ".join(f"{axis} {a:.0f} to {b:.0f}" for axis, a, b in zip("XYZ", low, high, strict=True))
    raise Rejected(
        f"{survey.file}: {len(certain)} of {len(survey)} targets are recorded twice ({100 * share:.0f} %, at most "
        f"{100 * share_max:.0f} % allowed), which makes the survey unfit: survey again, begin in the middle and close "
        f"short loops, above all at {ranges} mm."
    )


def check_variance(factor: float, settings: Any) -> None:
    """Raise :class:`Rejected` for lists that agree far worse than declared; ``settings``: sections network, scan."""
    allowed, scan = settings.network.variance_factor_max, settings.scan
    if factor <= allowed:
        return
    raise Rejected(
        f"The target lists agree {np.sqrt(factor):.1f} times worse than their declared noise (variance factor "
        f"{factor:.1f}, at most {allowed:g} allowed): set scan.target_noise_mm ({scan.target_noise_mm:g}) and "
        f"scan.target_drift_mm_per_m ({scan.target_drift_mm_per_m:g}) to the scanner's noise and drift, or calibrate "
        "it and scan again."
    )


def check_remaining(lists: Sequence[TargetList], observations: Observations, active: np.ndarray) -> None:
    """Raise :class:`Unplaced` for a segment of which the removal of blunders leaves too little.

    Where most of its common targets are blunders, it was matched by targets that only lie near those of others, as
    where a layout looks alike from two sides.
    """
    tied = np.bincount(observations.target, minlength=observations.target.max() + 1) >= 2
    left = np.bincount(observations.target[active], minlength=len(tied)) >= 2
    for number, target_list in enumerate(lists):
        if target_list.is_survey:
            continue
        own = observations.list_number == number
        before = int((own & tied[observations.target]).sum())
        common = int((own & active & left[observations.target]).sum())
        named = f"Segment {target_list.name} ({target_list.file})"
        if common < matching.LEAST:
            sentence = (
                f"{named} has {common} common targets left after the tests for blunders; at least four are needed: "
                "scan it again with more targets in view."
            )
            raise Unplaced({target_list.name: sentence})
        if common < before / 2:
            sentence = (
                f"{named}: {before - common} of its {before} common targets fail the tests for blunders; at most half "
                "may fail: look for what moved or for a layout that looks alike from two sides, and scan it again with "
                "more targets in view."
            )
            raise Unplaced({target_list.name: sentence})


def undetermined(lists: Sequence[TargetList], observations: Observations, active: np.ndarray) -> Unplaced:
    """The refusal of a network that leaves a pose undetermined.

    It names the list whose targets in common with the connected lists are fewest, or nearest to one line. Connected
    lists start from the survey, or from the list with most common targets.
    """
    common, apart = _unconnected(lists, observations, active)
    if apart:
        target_list = lists[apart[0]]
        sentence = (
            f"Segment {target_list.name} ({target_list.file}) shares {len(common[apart[0]])} targets with the lists "
            "that are connected to each other after the tests for blunders; at least four are needed: scan it again "
            "with more targets in view."
        )
        return Unplaced({target_list.name: sentence})
    narrowest = min(common, key=lambda number: (consensus.width(common[number]), number))
    target_list = lists[narrowest]
    sentence = (
        f"Segment {target_list.name} ({target_list.file}): the {len(common[narrowest])} common targets that passed the "
        "tests for blunders lie nearly in one line, which leaves the rotation about it undetermined: add targets off "
        "that line and scan it again."
    )
    return Unplaced({target_list.name: sentence})


def _unconnected(
    lists: Sequence[TargetList], observations: Observations, active: np.ndarray
) -> tuple[dict[int, np.ndarray], list[int]]:
    """For each list but the first connected one the targets (k, 3) in common with those connected before it, and the
    lists that stay unconnected, the one with fewest common targets first."""
    seen = np.bincount(observations.target[active], minlength=observations.target.max() + 1)
    tied = np.bincount(observations.list_number[active & (seen[observations.target] >= 2)], minlength=len(lists))
    start = 0 if lists[0].is_survey else int(np.argmax(tied))
    connected, known = {start}, set(observations.target[active & (observations.list_number == start)].tolist())
    common: dict[int, np.ndarray] = {}
    while True:
        for number in set(range(len(lists))) - connected:
            rows = active & (observations.list_number == number) & np.isin(observations.target, list(known))
            common[number] = observations.xyz_mm[rows]
        ready = [at for at in sorted(common) if at not in connected and len(common[at]) >= matching.LEAST - 1]
        if not ready:
            break
        connected |= set(ready)
        known |= set(observations.target[active & np.isin(observations.list_number, ready)].tolist())
    return common, sorted(set(range(len(lists))) - connected, key=lambda number: (len(common[number]), number))

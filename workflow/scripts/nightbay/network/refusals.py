"""What makes a network of targets unfit after its lists were matched, each told in one sentence with its cure."""

import numpy as np

from nightbay.core.errors import Rejected
from nightbay.matching import consensus, list_groups, matching


def unfit(survey, twice, parameters):
    """A survey in which too many targets are recorded twice."""
    sure = [one for one in twice if one.verdict in ("joined", "dropped")]
    share = len(sure) / len(survey)
    if share <= parameters["doubled_share_max"]:
        return
    where = survey.xyz_mm[[one.rows[0] for one in sure]]
    low, high = where.min(axis=0), where.max(axis=0)
    places = ", ".join(f"{axis} {a:.0f} to {b:.0f}" for axis, a, b in zip("XYZ", low, high, strict=True))
    raise Rejected(
        f"{survey.file}: {len(sure)} of {len(survey)} targets are recorded twice ({100 * share:.0f} %, at most "
        f"{100 * parameters['doubled_share_max']:.0f} % allowed), so the survey is unfit: survey again, beginning in "
        f"the middle and closing short loops, above all at {places} mm."
    )


def variance(factor, parameters, scan):
    """Lists that agree far worse than declared."""
    if factor <= parameters["variance_factor_max"]:
        return
    raise Rejected(
        f"The target lists agree {np.sqrt(factor):.1f} times worse than their declared noise (variance factor "
        f"{factor:.1f}, at most {parameters['variance_factor_max']:g} allowed): set scan.target_noise_mm "
        f"({scan['target_noise_mm']:g}) and scan.target_drift_mm_per_m ({scan['target_drift_mm_per_m']:g}) to what the "
        "scanner does, or calibrate it and scan again."
    )


def thin(lists, observations, active):
    """Blunders taken out may leave a segment with too little, or show that most of what it was matched by only lies
    near the targets of others, as where a layout looks alike from two sides."""
    tied = np.bincount(observations.target, minlength=observations.target.max() + 1) >= 2
    left = np.bincount(observations.target[active], minlength=len(tied)) >= 2
    for station, one in enumerate(lists):
        if one.name == list_groups.SURVEY:
            continue
        mine = observations.station == station
        before = int((mine & tied[observations.target]).sum())
        common = int((mine & active & left[observations.target]).sum())
        if common < matching.LEAST:
            raise Rejected(
                f"Segment {one.name} ({one.file}) has {common} common targets left after the tests for blunders; at "
                "least four are needed: scan it again with more targets in view."
            )
        if common < before / 2:
            raise Rejected(
                f"Segment {one.name} ({one.file}): {before - common} of its {before} common targets fail the tests for "
                "blunders, at most half may: look for what moved or for a layout that looks alike from two sides, and "
                "scan it again with more targets in view."
            )


def undetermined(lists, observations, active):
    """The sentence for a network that leaves a pose open: the list whose targets in common with the lists that hang
    together are fewest, or nearest to one line. Starts from the survey, or the list with most common targets."""
    seen = np.bincount(observations.target[active], minlength=observations.target.max() + 1)
    tied = np.bincount(observations.station[active & (seen[observations.target] >= 2)], minlength=len(lists))
    start = 0 if lists[0].name == list_groups.SURVEY else int(np.argmax(tied))
    joined, known = {start}, set(observations.target[active & (observations.station == start)].tolist())
    common = {}
    while True:
        for at in set(range(len(lists))) - joined:
            rows = active & (observations.station == at) & np.isin(observations.target, list(known))
            common[at] = observations.xyz_mm[rows]
        ready = [at for at in sorted(common) if at not in joined and len(common[at]) >= matching.LEAST - 1]
        if not ready:
            break
        joined |= set(ready)
        known |= set(observations.target[active & np.isin(observations.station, ready)].tolist())
    apart = sorted(set(range(len(lists))) - joined, key=lambda at: (len(common[at]), at))
    if apart:
        one = lists[apart[0]]
        return Rejected(
            f"Segment {one.name} ({one.file}) shares {len(common[apart[0]])} targets with the lists that hang together "
            "once blunders are out; at least four are needed: scan it again with more targets in view."
        )
    at = min(common, key=lambda at: (consensus.width(common[at]), at))
    return Rejected(
        f"Segment {lists[at].name} ({lists[at].file}): the {len(common[at])} common targets that passed the tests for "
        "blunders lie nearly in one line, so that the turn about it stays open: add targets off that line and scan it "
        "again."
    )

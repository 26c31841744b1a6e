"""What a network says of the drift of its lists, as numbers for the report."""

import numpy as np

from nightbay.network import drift


def estimates(found, scan):
    """Drift of the survey by closures, and of a list by the lengths in which survey and segments differ, with what it
    does to the longest extent."""
    sure = [one for one in found.doubles if one.verdict in ("joined", "dropped") and one.path_m is not None]
    made = [
        drift.from_closures([one.distance_mm for one in sure], [one.path_m for one in sure], scan["target_noise_mm"]),
        drift.from_lengths(*_common(found)),
    ]
    longest = _longest(found)
    return [
        {
            "method": one.method,
            "drift_mm_per_m": one.value_mm_per_m,
            "sd_mm_per_m": one.sd_mm_per_m,
            "high_mm_per_m": one.high_mm_per_m,
            "count": one.count,
            "longest_mm": longest,
            "effect_mm": one.value_mm_per_m * longest / 1000,
            "effect_sd_mm": one.sd_mm_per_m * longest / 1000,
            "declared_mm_per_m": scan["target_drift_mm_per_m"],
        }
        for one in made
        if one is not None
    ]


def _longest(found):
    """Extent of the tie targets along their longest axis, mm."""
    seen = np.bincount(found.observations.target[found.snooped.active], minlength=found.tied.count)
    xyz = found.snooped.adjusted.xyz_mm[seen >= 2]
    centred = xyz - xyz.mean(axis=0)
    return float(np.ptp(centred @ np.linalg.svd(centred, full_matrices=False)[2][0]))


def _common(found):
    """Common targets of the list that holds the frame and each other list, as both recorded them."""
    observations, active = found.observations, found.snooped.active
    at = np.full(found.tied.count, -1)
    first = np.flatnonzero(active & (observations.station == 0))
    at[observations.target[first]] = first
    a, b = [], []
    for station in range(1, len(found.lists)):
        rows = np.flatnonzero(active & (observations.station == station))
        rows = rows[at[observations.target[rows]] >= 0]
        a.append(observations.xyz_mm[at[observations.target[rows]]])
        b.append(observations.xyz_mm[rows])
    return a, b

"""Says why a list of targets does not fit the others, and what to do about it."""

from dataclasses import replace

import numpy as np

from nightbay import matching
from nightbay.units import MM

LOOSE = 4.0  # times the declared noise and drift, tried to tell a poor scanner from missing targets
MIRROR = np.array([1.0, 1.0, -1.0])


def sentence(one, why, others, index, known_mm, tolerance, settings):
    """The refusal of a list ``one``, a :class:`nightbay.assembly.TargetList`.

    ``why``: the :class:`nightbay.matching.NoMatch` raised; ``others``: what it was matched to, in words; ``index`` and
    ``known_mm`` (n, 3): the targets it was matched to. Where targets seem to be missing, it is tried whether the list
    would fit with more noise, in another unit, or mirrored, for each of these wants another cure.
    """
    # a list in metres that is taken for millimetres is so small that it looks like a line
    tried = {"few": (_noise, _unit, _mirror), "chance": (_noise, _unit, _mirror), "line": (_unit,)}
    for explain in tried.get(why.why, ()):
        found = explain(one, index, known_mm, tolerance, settings)
        if found is not None:
            return found
    name, file = one.name, one.file
    count = "no more than three" if why.count < matching.LEAST else str(why.count)
    return {
        "few": f"Segment {name} ({file}) shares {count} targets with {others}; at least four common targets are "
        "needed: scan it again with more targets in view, or survey the targets on that side.",
        "line": f"Segment {name} ({file}): its {why.count} common targets lie nearly in one line, so that the turn "
        "about it stays open: add targets off that line and scan it again.",
        "flat": f"Segment {name} ({file}): its {why.count} common targets lie in one plane, where a mirrored list "
        "would fit as well: export the targets' normals, or scan it again with more targets off that plane.",
        "ambiguous": f"Segment {name} ({file}) fits {others} in more than one way ({why.count} targets against "
        f"{why.runner_up} for another pose, which is no clear lead): the layout is regular or symmetric, so add a few "
        "targets at irregular places and scan it again.",
        "chance": f"Segment {name} ({file}) shares only {why.count} targets with {others}, which so many targets may "
        "do by chance: scan it again with at least two more common targets in view.",
    }[why.why]


def _try(xyz_mm, index, known_mm, tolerance, settings):
    """A certified match on distances alone, or None."""
    try:
        return matching.match(
            known_mm, xyz_mm, tolerance, index=index,
            chance_max=settings["chance_max"], width_mm=settings["narrowest_mm"],
        )  # fmt: skip
    except matching.NoMatch:
        return None


def _noise(one, index, known_mm, tolerance, settings):
    loose = replace(tolerance, noise_mm=LOOSE * tolerance.noise_mm, drift_mm_per_m=LOOSE * tolerance.drift_mm_per_m)
    match = _try(one.xyz_mm, index, known_mm, loose, settings)
    if match is None:
        return None
    return (
        f"Segment {one.name} ({one.file}) fits the other lists only to {match.rms_mm:.2f} mm (rms of "
        f"{len(match.rows_b)} targets), more than the declared noise of {tolerance.noise_mm:g} mm and drift of "
        f"{tolerance.drift_mm_per_m:g} mm/m allow: calibrate the scanner and scan it again, or declare what it does in "
        "scan.target_noise_mm and scan.target_drift_mm_per_m."
    )


def _unit(one, index, known_mm, tolerance, settings):
    for factor in sorted({a / b for a in MM.values() for b in MM.values()} - {1.0}):
        match = _try(one.xyz_mm * factor, index, known_mm, tolerance, settings)
        if match is not None:
            return (
                f"Segment {one.name} ({one.file}) fits the other lists only when its coordinates are multiplied by "
                f"{factor:g} ({len(match.rows_b)} targets): correct its units in the job sheet."
            )
    return None


def _mirror(one, index, known_mm, tolerance, settings):
    match = _try(one.xyz_mm * MIRROR, index, known_mm, tolerance, settings)
    if match is None:
        return None
    return (
        f"Segment {one.name} ({one.file}) fits the other lists only as a mirror image ({len(match.rows_b)} targets): "
        "export it again with the same handedness of the axes."
    )

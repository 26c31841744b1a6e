"""Says why lists of targets do not fit each other, and what to do about it."""

from dataclasses import replace

import numpy as np

from nightbay.core.units import MM
from nightbay.matching import list_groups, matching

LOOSE = 4.0  # times the declared noise and drift, tried to tell a poor scanner from missing targets
MIRROR = np.array([1.0, 1.0, -1.0])


def sentences(joined, lists, tolerance, settings):
    """The refusal of a network that falls into groups: a sentence for the survey or segments of each but the largest.

    ``joined``: :class:`Joined`; ``lists``: of :class:`TargetList`.
    """
    places = range(len(joined.groups))
    # of groups alike, the survey's is what the others have to fit
    most = max(places, key=lambda at: _size(joined.groups[at]))
    main = joined.groups[most]
    parted = {at: joined.refused[min(at, most), max(at, most)] for at in places if at != most}
    told = sorted(parted, key=lambda at: min(joined.groups[at].members))
    return " ".join(
        _sentence(joined.groups[at], parted[at], main, len(parted) == 1, lists, tolerance, settings) for at in told
    )


def _size(group):
    return len(group.members), 0 in group.members, len(group.xyz_mm)


def contradiction(found, lists):
    """The refusal of poses that an unused tie of two lists, a :class:`Tie`, contradicts."""
    names = " and ".join(sorted(lists[group.root].name for group in (found.a, found.b)))
    return (
        f"Segments {names} fit each other by {len(found.match.rows_b)} targets in one pose, and by way of the other "
        "lists in another: the layout is regular or symmetric, or something with targets on it moved between the "
        "scans, so add a few targets at irregular places and scan again."
    )


def segments(group, lists):
    """A group in words, such as "the control survey and segments left, right and roof"."""
    return _words(group, lists, lambda one: one.name)


def _words(group, lists, name):
    with_survey = [at for at in group.members if lists[at].name == list_groups.SURVEY]
    names = sorted(name(lists[at]) for at in group.members if at not in with_survey)
    words = [f"the {name(lists[at])}" for at in with_survey]
    if names:
        words.append(f"segment{'s' if len(names) > 1 else ''} {_and(names)}")
    return " and ".join(words)


def _and(words):
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _with_files(group, lists):
    return _words(group, lists, lambda one: f"{one.name} ({one.file})")


def _fit(group):
    """That the lists of a group fit each other, in words."""
    counts = _and([str(count) for count in group.common])
    return f"fit each other ({counts} common targets)"


def _sentence(group, why, main, all_others, lists, tolerance, settings):
    """The refusal of a group.

    ``why``: the :class:`NoMatch` against the ``main`` group; ``all_others``: that group holds all
    other lists. Where targets seem to be missing, it is tried whether the group would fit with more noise, in another
    unit, or mirrored, for each of these wants another cure.
    """
    named = _with_files(group, lists)
    named = named[0].upper() + named[1:]
    # a list in metres that is taken for millimetres is so small that it looks like a line
    tried = {"few": (_noise, _unit, _mirror), "chance": (_noise, _unit, _mirror), "line": (_unit,)}
    for explain in tried.get(why.why, ()):
        found = explain(named, group, main, tolerance, settings)
        if found is not None:
            return found
    others = segments(main, lists)
    several = len(group.members) > 1
    fits, its, it = ("fit", "their", "them") if several else ("fits", "its", "it")
    common = f"{named}: {its} {why.count} common targets lie"
    return {
        "few": _too_few(named, why, group, main, all_others, lists),
        "chance": _too_few(named, why, group, main, all_others, lists),
        "line": f"{common} nearly in one line, so that the turn about it stays open: add targets off that line and "
        f"scan {it} again.",
        "flat": f"{common} in one plane, where a mirrored list would fit as well: export the targets' normals, or scan "
        f"{it} again with more targets off that plane.",
        "ambiguous": f"{named} {fits} {others} in more than one way ({why.count} targets against {why.runner_up} for "
        "another pose, which is no clear lead): the layout is regular or symmetric, so add a few targets at irregular "
        f"places and scan {it} again.",
    }[why.why]


def _too_few(named, why, group, main, all_others, lists):
    """Too few common targets, and what to do: nothing tells missing targets from those of another vehicle."""
    several = len(group.members) > 1
    shares, it = ("share", "them") if several else ("shares", "it")
    count = "no more than three" if why.count < matching.LEAST else f"only {why.count}"
    sentence = f"{named}{f' {_fit(group)}, but' if several else ''} {shares} {count} targets with "
    sentence += segments(main, lists) + (f", which {_fit(main)}" if len(main.members) > 1 else "")
    elsewhere = "another vehicle or to another placing of the targets"
    if 0 in group.members and lists[0].name == list_groups.SURVEY:
        if several:
            return (
                f"{sentence}: one of the two groups may belong to {elsewhere}, so correct its files in the job sheet, "
                "or survey the vehicle again."
            )
        return (
            f"{sentence}: it may belong to {elsewhere}, so correct control_survey in the job sheet, or remove it to "
            "adjust the segments among themselves."
        )
    if why.why == "chance":
        sentence += f", which so many targets may do by chance: scan {it} again with at least two more common targets "
        sentence += "in view"
    else:
        sentence += f"; at least four common targets are needed: scan {it} again with more targets in view, or survey "
        sentence += "the targets on that side"
    if all_others and len(main.members) > 1:
        belongs = "they belong" if several else "it belongs"
        sentence += f", or correct the job sheet if {belongs} to {elsewhere}"
    return sentence + "."


def _try(xyz_mm, main, tolerance, settings):
    """A certified match to the main group on distances alone, or None."""
    try:
        return matching.match(
            main.xyz_mm, xyz_mm, tolerance, index=main.index_without_normals,
            chance_max=settings["chance_max"], width_mm=settings["narrowest_mm"],
        )  # fmt: skip
    except matching.NoMatch:
        return None


def _noise(named, group, main, tolerance, settings):
    loose = replace(tolerance, noise_mm=LOOSE * tolerance.noise_mm, drift_mm_per_m=LOOSE * tolerance.drift_mm_per_m)
    match = _try(group.xyz_mm, main, loose, settings)
    if match is None:
        return None
    return (
        f"{named} {_fits(group)} the other lists only to {match.rms_mm:.2f} mm (rms of "
        f"{len(match.rows_b)} targets), more than the declared noise of {tolerance.noise_mm:g} mm and drift of "
        f"{tolerance.drift_mm_per_m:g} mm/m allow: calibrate the scanner and scan it again, or declare what it does in "
        "scan.target_noise_mm and scan.target_drift_mm_per_m."
    )


def _unit(named, group, main, tolerance, settings):
    for factor in sorted({a / b for a in MM.values() for b in MM.values()} - {1.0}):
        match = _try(group.xyz_mm * factor, main, tolerance, settings)
        if match is not None:
            return (
                f"{named} {_fits(group)} the other lists only when its coordinates are multiplied by "
                f"{factor:g} ({len(match.rows_b)} targets): correct its units in the job sheet."
            )
    return None


def _mirror(named, group, main, tolerance, settings):
    match = _try(group.xyz_mm * MIRROR, main, tolerance, settings)
    if match is None:
        return None
    return (
        f"{named} {_fits(group)} the other lists only as a mirror image ({len(match.rows_b)} targets): "
        "export it again with the same handedness of the axes."
    )


def _fits(group):
    return "fit" if len(group.members) > 1 else "fits"

"""Matches exposure and white balance of a part's segments, and measures what that changes.

The gains are fitted to half of the blocks of each overlap and tried on the other half, and the reverse: segments that
don't come closer there keep their colours. The gains in use are fitted to all patches.
"""

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import colour, robust
from nightbay.core.text_format import listing
from nightbay.fuse import colour_gains, colour_patches
from nightbay.fuse.colour_gains import Gains
from nightbay.fuse.colour_patches import Overlap
from nightbay.fuse.result import ColourMatch, ColourOverlap, SegmentColour

NONE, GREY, COLOUR = "none", "grey", "colour"
NEVER = np.full(3, 256)  # above every byte
BETTER = 0.9  # of the median without gradients: a smaller gain is not worth a correction that overlaps only suggest
OFF, ALONE, NO_BETTER = "matching is off", "too little overlap", "no better on withheld overlaps"


@dataclass(frozen=True)
class Matched:
    """``gains`` of all segments, 1 where they are not used; ``limit`` (n, 3): byte from which a channel is saturated;
    ``result``: what of this goes into the JSON."""

    gains: Gains
    limit: np.ndarray
    result: ColourMatch


@dataclass(frozen=True)
class _Compared:
    """Colour differences, CIEDE2000, of an overlap's patches, (m,) each; ``after`` and ``withheld`` are NaN where the
    overlap has no ratio. ``uneven`` (m,): logarithm of what is left of the ratio of luminances after the gains."""

    before: np.ndarray
    after: np.ndarray
    withheld: np.ndarray
    uneven: np.ndarray


def match(sources: list[PosedSegment], patch_mm: float, enabled: bool) -> Matched | None:
    """Match the segments' colours; None where no segment has colour. All gains are 1 where it is not ``enabled``."""
    patches = {
        number: colour_patches.of_segment(source, patch_mm)
        for number, source in enumerate(sources)
        if "colour" in source.cloud.attributes
    }
    if not patches:
        return None
    grey = np.array([number in patches and patches[number].grey for number in range(len(sources))])
    overlaps = [colour_patches.overlap_of(a, b, patches, patch_mm) for a, b in combinations(patches, 2)]
    overlaps = [overlap for overlap in overlaps if len(overlap) or overlap.left_out]
    gains, compared, shaded = _choose(overlaps, grey)
    reason = {number: _reason(number, gains, overlaps, compared) if enabled else OFF for number in patches}
    used = np.array([reason.get(number, ALONE) is None for number in range(len(sources))])
    gains = replace(gains, **{name: getattr(gains, name) * used[:, None] for name in ("log", "sd", "gradient")})
    limit = [patches[number].limit if number in patches else NEVER for number in range(len(sources))]
    segments = {}
    for number, source in enumerate(sources):
        kind = NONE if number not in patches else GREY if grey[number] else COLOUR
        segments[source.name] = _segment(kind, number, gains, reason.get(number), shaded)
    names = [source.name for source in sources]
    result = _result(patch_mm, segments, names, overlaps, compared, used)
    return Matched(gains, np.array(limit), replace(result, centre_mm=gains.centre_mm))


def _choose(overlaps: list[Overlap], grey: np.ndarray) -> tuple[Gains, list[_Compared], bool]:
    """The gains, what they change, and whether they have gradients: only if these bring withheld patches closer."""
    every = [np.ones(len(overlap), bool) for overlap in overlaps]
    found = []
    for gradients in (False, True):
        gains = colour_gains.gains_of(overlaps, every, grey, gradients)
        found.append((gains, _compare(overlaps, gains, grey, gradients), gradients))
    plain, shaded = (
        _median(np.concatenate([overlap.withheld for overlap in each[1]] or [np.empty(0)])) for each in found
    )
    better = plain is not None and shaded is not None and shaded < BETTER * plain
    # gradients have more unknowns: an overlap that is too small for them must not lose its gains to them
    same = np.array_equal(found[0][0].group, found[1][0].group)
    return found[1] if better and same else found[0]


def _compare(overlaps: list[Overlap], gains: Gains, grey: np.ndarray, gradients: bool) -> list[_Compared]:
    """What the gains change in each overlap, on the patches that they were fitted to and on withheld ones."""
    before = colour_gains.unchanged(overlaps, len(grey))
    halves = [colour_gains.blocks_of(overlap) % 2 == 0 for overlap in overlaps]
    fitted = [
        colour_gains.gains_of(overlaps, [half == first for half in halves], grey, gradients) for first in (True, False)
    ]
    found = []
    for overlap, half in zip(overlaps, halves, strict=True):
        after, withheld, uneven = (np.full(len(overlap), np.nan) for _ in range(3))
        if gains.group[overlap.a] == gains.group[overlap.b]:
            after = _differences(overlap, gains)
            light_a, light_b = (colour.luminance_of(light) for light in gains.lights(overlap))
            uneven = np.log(light_a / light_b)
        if all(part.group[overlap.a] == part.group[overlap.b] for part in fitted):
            # the patches of either half, after gains that were fitted to the other
            withheld = np.where(half, _differences(overlap, fitted[1]), _differences(overlap, fitted[0]))
        found.append(_Compared(_differences(overlap, before), after, withheld, uneven))
    return found


def _differences(overlap: Overlap, gains: Gains) -> np.ndarray:
    light_a, light_b = gains.lights(overlap)
    return colour.difference(colour.lab_of(light_a), colour.lab_of(light_b))


def _reason(number: int, gains: Gains, overlaps: list[Overlap], compared: list[_Compared]) -> str | None:
    """Why a segment keeps its colours; None where its gains are used."""
    group = gains.group[number]
    if np.count_nonzero(gains.group == group) < 2:
        return ALONE
    own = [
        found
        for overlap, found in zip(overlaps, compared, strict=True)
        if gains.group[overlap.a] == gains.group[overlap.b] == group
    ]
    before = np.concatenate([found.before for found in own])
    withheld = np.concatenate([found.withheld for found in own])
    tried = np.isfinite(withheld)
    # where the halves are too small to be fitted alone, nothing shows that the gains help
    return None if tried.any() and np.median(withheld[tried]) < np.median(before[tried]) else NO_BETTER


def _segment(kind: str, number: int, gains: Gains, reason: str | None, shaded: bool) -> SegmentColour:
    gain = np.exp(gains.log[number])
    used = kind != NONE and reason is None
    box = [gains.low_mm[number], gains.high_mm[number]] if used and shaded else None
    return SegmentColour(
        kind,
        gain.tolist(),
        (gain * gains.sd[number]).tolist() if used else None,
        gains.gradient[number].tolist() if used and shaded else None,
        box,
        reason,
    )


def _result(
    patch_mm: float,
    segments: dict[str, SegmentColour],
    names: list[str],
    overlaps: list[Overlap],
    compared: list[_Compared],
    used: np.ndarray,
) -> ColourMatch:
    """The numbers of the match."""
    matched = [bool(used[overlap.a] and used[overlap.b]) for overlap in overlaps]
    pairs = []
    for overlap, found, good in zip(overlaps, compared, matched, strict=True):
        pairs.append(
            ColourOverlap(
                names[overlap.a],
                names[overlap.b],
                len(overlap),
                overlap.left_out,
                _median(found.before),
                _median(found.after) if good else None,
                _median(found.withheld) if good else None,
            )
        )
    kept = [found for found, good in zip(compared, matched, strict=True) if good]
    together = {
        name: np.concatenate([getattr(found, name) for found in kept]) if kept else np.empty(0)
        for name in ("before", "after", "withheld", "uneven")
    }
    return ColourMatch(
        patch_mm=patch_mm,
        centre_mm=np.zeros(3),
        segments=segments,
        overlaps=pairs,
        patches=len(together["after"]),
        difference_before=_median(together["before"]),
        difference_after=_median(together["after"]),
        difference_withheld=_median(together["withheld"]),
        uneven_share=_spread(together["uneven"]),
    )


def _median(values: np.ndarray) -> float | None:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else None


def _spread(values: np.ndarray) -> float | None:
    """Robust standard deviation about zero; None without values."""
    finite = values[np.isfinite(values)]
    return float(robust.MAD_TO_SD * np.median(np.abs(finite))) if len(finite) else None


def notes_of(result: ColourMatch) -> list[str]:
    """Sentences about segments that keep their colours although others were matched or could have been."""
    coloured = [name for name, segment in result.segments.items() if segment.kind != NONE]
    if len(coloured) < 2:
        return []
    alone = [name for name in coloured if result.segments[name].kept_because == ALONE]
    worse = [name for name in coloured if result.segments[name].kept_because == NO_BETTER]
    notes = []
    if alone:
        notes.append(
            f"Colours of {listing(alone)} are as exported: too few places are seen by another coloured segment too,"
            f" unsaturated and not black, to match exposure and white balance."
        )
    if worse:
        notes.append(
            f"Colours of {listing(worse)} are as exported: matching them did not bring places closer that were left out"
            f" of the fit."
        )
    return notes

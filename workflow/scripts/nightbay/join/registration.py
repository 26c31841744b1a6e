"""The pose of an interior in its exterior: by shared targets, by named points, or by surface that both saw."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nightbay.core import rigid, robust
from nightbay.core.errors import NotFound
from nightbay.join import coarse_search, named_points, overlap, pose_fit
from nightbay.join.free_space import FreeSpace, contradictions
from nightbay.join.result import Alternative, CommonPoints, CommonSurface, Tried
from nightbay.join.skin import Skin
from nightbay.matching import matching, pairing, pose_search
from nightbay.matching.target_list import TargetList

WAYS = ("targets", "points", "surfaces")
ALIGNED = 12  # candidates by shape that are aligned and compared
DISTINCT_CELLS = 1.5  # two poses that differ by more, rms over the room, are two
NEAR_MM = 25.0  # surface of both within this that faces the same way is compared; ribs and steps are higher
LEAST_PATCHES = 6  # fewer are no test of a pose


@dataclass(frozen=True)
class NamedPairs:
    """Point pairs of the job sheet: ``names``, and (n, 3) in the exterior's and in the interior's vehicle frame."""

    names: list[str]
    exterior_mm: np.ndarray
    interior_mm: np.ndarray


@dataclass(frozen=True)
class Evidence:
    """What may tie the parts together: target lists of both in their vehicle frames, or None; named pairs, or None;
    ``headings``: turns about Z, degrees, that the two vehicle frames leave open, None where the frames show no floor
    and no plane of symmetry."""

    targets: tuple[TargetList, TargetList] | None
    pairs: NamedPairs | None
    headings: tuple[int, ...] | None


@dataclass(frozen=True)
class Registered:
    """A pose ``T_a_b`` (4, 4) of the interior b in the exterior a, vehicle frames, not yet tested against what would
    contradict it; ``motion`` has its covariance."""

    found_by: str
    T_a_b: np.ndarray
    motion: pose_fit.Motion
    points: CommonPoints | None
    surface: CommonSurface | None
    alternatives: list[Alternative]
    tried: list[Tried]


def register(a: Skin, b: Skin, evidence: Evidence, by: str | None, settings: Any) -> Registered | list[Tried]:
    """The pose by the first way that finds one; ``by``: only this way. Else why each found none."""
    ways = {"targets": _by_targets, "points": _by_points, "surfaces": _by_surfaces}
    tried: list[Tried] = []
    for way in WAYS if by is None else (by,):
        if by is None and way == "points" and evidence.pairs is None:
            continue
        found = ways[way](a, b, evidence, settings)
        if isinstance(found, Registered):
            return replace(found, tried=tried)
        print(f"no join by {way}: {found.reason}")
        tried.append(Tried(way, found.reason))
    return tried


def _by_targets(a: Skin, b: Skin, evidence: Evidence, settings: Any) -> Registered | NotFound:
    if evidence.targets is None:
        return NotFound("no targets were seen on both parts")
    of_a, of_b = evidence.targets
    noise = float(np.sqrt(np.mean([np.trace(each) / 3 for each in [*of_a.covariance_mm2, *of_b.covariance_mm2]])))
    tolerance = pairing.Tolerance(noise, max(a.drift_mm_per_m, b.drift_mm_per_m))
    with_normals = of_a.normal is not None and of_b.normal is not None
    index = pose_search.index(of_a.xyz_mm, of_a.normal if with_normals else None)
    claims = matching.Claims(_labelled(of_a.id, of_b.id))
    match = matching.match(index, of_b.xyz_mm, tolerance, normal_b=of_b.normal if with_normals else None, claims=claims)
    if isinstance(match, matching.NoMatch):
        return NotFound(f"{len(of_a)} and {len(of_b)} targets have no certain match ({_WHY[match.reason]})")
    at_a, at_b = of_a.xyz_mm[match.rows_a], of_b.xyz_mm[match.rows_b]
    own = np.trace(of_a.covariance_mm2[match.rows_a] + of_b.covariance_mm2[match.rows_b], axis1=1, axis2=2) / 3
    fit = named_points.fit(at_a, at_b, named_points.errors(a, b, at_a, at_b, own))
    if isinstance(fit, NotFound):
        return fit
    names = [str(of_b.id[row] if of_b.id else row + 1) for row in match.rows_b]
    return _from_points("targets", fit, names, match.runner_up, a, b, settings)


_WHY = {
    "few": "fewer than four agree",
    "line": "they lie on one line",
    "flat": "a mirror image would fit as well",
    "ambiguous": "several matches are about equally good",
    "by chance": "the match may be a coincidence",
}


def _labelled(of_a: Sequence[str] | None, of_b: Sequence[str] | None) -> np.ndarray | None:
    """Row pairs (k, 2) of ids that occur once in each list."""
    if of_a is None or of_b is None:
        return None
    rows_a = {label: row for row, label in enumerate(of_a) if label and of_a.count(label) == 1}
    pairs = [(rows_a[label], row) for row, label in enumerate(of_b) if label in rows_a and of_b.count(label) == 1]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _by_points(a: Skin, b: Skin, evidence: Evidence, settings: Any) -> Registered | NotFound:
    pairs = evidence.pairs
    if pairs is None:
        return NotFound("the job sheet names no point pairs")
    noise = np.full(len(pairs.names), 2 * settings.join.point_sd_mm**2)
    errors = named_points.errors(a, b, pairs.exterior_mm, pairs.interior_mm, noise)
    fit = named_points.fit(pairs.exterior_mm, pairs.interior_mm, errors)
    if isinstance(fit, NotFound):
        return fit
    by_points = _from_points("points", fit, pairs.names, None, a, b, settings)
    refined = overlap.fit(a, b, overlap.align(a, b, fit.T_a_b), settings.join.patch_mm)
    if isinstance(refined, NotFound):
        return by_points
    better = refined.motion.sd_at(_corners(a, b, fit.T_a_b)).max() < fit.motion.sd_at(_corners(a, b, fit.T_a_b)).max()
    off = pairs.exterior_mm - rigid.transform(refined.T_a_b, pairs.interior_mm)
    allowed = np.sqrt(3 * np.mean(np.diag(errors)) + 3 * np.mean(refined.motion.sd_at(pairs.exterior_mm) ** 2))
    agrees = np.sqrt(np.mean(np.sum(off[fit.used] ** 2, axis=1))) < settings.join.misfit_most * allowed
    if not (better and agrees and sound(refined, settings)):
        return by_points
    return replace(
        by_points,
        found_by="points and surfaces",
        T_a_b=refined.T_a_b,
        motion=refined.motion,
        surface=_common(a, b, refined),
    )


def _from_points(
    found_by: str,
    fit: named_points.PointFit,
    names: Sequence[str],
    runner_up: int | None,
    a: Skin,
    b: Skin,
    settings: Any,
) -> Registered:
    dropped = [name for name, used in zip(names, fit.used, strict=True) if not used]
    points = CommonPoints(len(names), int(fit.used.sum()), fit.withheld_rms_mm, fit.expected_rms_mm, dropped, runner_up)
    surface = check(a, b, fit.T_a_b, fit.motion, settings.join.patch_mm)
    return Registered(found_by, fit.T_a_b, fit.motion, points, surface, [], [])


def check(a: Skin, b: Skin, T_a_b: np.ndarray, motion: pose_fit.Motion, patch_mm: float) -> CommonSurface | None:
    """How common surface agrees with a pose that it took no part in; None where there is too little to tell."""
    found = overlap.contacts(a, b, T_a_b, NEAR_MM)
    if len(found.row) < overlap.LEAST_POINTS:
        return None
    weight = robust.tukey(found.offset_mm - np.median(found.offset_mm), NEAR_MM)
    mean = overlap.patches(found, weight, patch_mm, a.noise_mm)
    if len(mean.count) < LEAST_PATCHES:
        return None
    J = pose_fit.rows(mean.at_mm, mean.normal, motion.centre_mm)
    allowed = overlap.errors(a, b, T_a_b, mean) + J @ motion.covariance @ J.T
    # edges of things that one part saw from elsewhere lie in single patches: the bulk decides
    rms = float(robust.MAD_TO_SD * np.median(np.abs(mean.offset_mm)))
    expected = float(np.sqrt(np.mean(np.diag(allowed))))
    share = _agreeing(found.offset_mm, np.hypot(expected, a.noise_mm))
    return CommonSurface(len(found.row) * b.spacing_mm**2, len(mean.count), rms, expected, False, share)


def _agreeing(offset_mm: np.ndarray, sd_mm: float) -> float:
    return float(np.mean(np.abs(offset_mm) < robust.TUKEY_SD * sd_mm))


def _common(a: Skin, b: Skin, fit: overlap.OverlapFit) -> CommonSurface:
    """The surface that a fit by surfaces used."""
    near = overlap.contacts(a, b, fit.T_a_b, NEAR_MM)
    errors = overlap.errors(a, b, fit.T_a_b, fit.patches)
    sd = float(np.sqrt(np.mean(np.diag(errors)) + a.noise_mm**2))
    return CommonSurface(
        fit.area_mm2,
        len(fit.patches.count),
        fit.withheld_rms_mm,
        fit.expected_rms_mm,
        True,
        _agreeing(near.offset_mm, sd),
    )


def sound(fit: overlap.OverlapFit, settings: Any) -> bool:
    """Whether withheld patches are predicted as well as the declared errors allow, on enough surface."""
    own = settings.join
    return fit.withheld_rms_mm <= own.misfit_most * fit.expected_rms_mm and fit.area_mm2 >= own.overlap_least_mm2


def _corners(a: Skin, b: Skin, T_a_b: np.ndarray) -> np.ndarray:
    return rigid.transform(T_a_b, b.corners_mm)


def _by_surfaces(a: Skin, b: Skin, evidence: Evidence, settings: Any) -> Registered | NotFound:
    if evidence.headings is None:
        return NotFound(
            "the shapes are searched along the floor and the plane of symmetry, and one of the parts has none"
        )
    cell = settings.join.cell_mm
    free_a, free_b = FreeSpace(a.cells(cell)), FreeSpace(b.cells(cell))
    compared = _compared(a, b, coarse_search.search(free_a, free_b, evidence.headings), free_a, free_b, settings)
    if not compared:
        return NotFound("no pose was found in which both parts share surface and do not pass through each other")
    best = compared[0]
    rivals = [_alternative(best, other, b) for other in compared[1:]]
    if rivals and rivals[0].agreement > settings.join.ambiguity:
        return NotFound(
            f"two poses fit about equally well, the second {np.linalg.norm(rivals[0].shift_mm):.0f} mm and "
            f"{rivals[0].turn_deg:.1f} degrees from the first with {rivals[0].agreement:.0%} of its common surface"
        )
    fit = overlap.fit(a, b, best.T_a_b, settings.join.patch_mm)
    if isinstance(fit, NotFound):
        return fit
    if not sound(fit, settings):
        return NotFound(
            f"the {fit.area_mm2 / 100:.0f} cm2 of surface that both saw do not fit: patches that were left out are "
            f"{fit.withheld_rms_mm:.2f} mm (rms) off where {fit.expected_rms_mm:.2f} mm is expected"
        )
    return Registered("surfaces", fit.T_a_b, fit.motion, None, _common(a, b, fit), rivals[:3], [])


@dataclass(frozen=True)
class _Compared:
    T_a_b: np.ndarray
    agreeing: int
    contradiction: float


def _compared(
    a: Skin, b: Skin, candidates: list[coarse_search.Candidate], free_a: FreeSpace, free_b: FreeSpace, settings: Any
) -> list[_Compared]:
    """Distinct poses after alignment that nothing contradicts, those with most common surface first."""
    cell = settings.join.cell_mm
    rough_a, rough_b = a.cells(cell / 2), b.cells(cell / 2)
    poses: list[np.ndarray] = []
    found = []
    for candidate in candidates:
        if len(poses) == ALIGNED:
            break
        T_a_b = overlap.align(rough_a, rough_b, candidate.T_a_b)
        if any(_apart(b, T_a_b, other) < DISTINCT_CELLS * cell for other in poses):
            continue
        poses.append(T_a_b)
        near = overlap.contacts(rough_a, rough_b, T_a_b, cell / 2)
        agreeing = int(np.count_nonzero(np.abs(near.offset_mm) < cell / 10))
        shares = contradictions(free_a, free_b, T_a_b)
        print(
            f"candidate: {candidate.score:.0f} cells, heading {candidate.heading}, {agreeing} agree, "
            f"contradictions {shares[0]:.3f} and {shares[1]:.3f}"
        )
        if max(shares) <= settings.join.contradiction_most:
            found.append(_Compared(T_a_b, agreeing, max(shares)))
    return sorted(found, key=lambda fit: (-fit.agreeing, *fit.T_a_b.ravel()))


def _apart(b: Skin, T_a_b: np.ndarray, other_a_b: np.ndarray) -> float:
    """RMS distance of the room's corners between two poses, mm."""
    off = rigid.transform(T_a_b, b.corners_mm) - rigid.transform(other_a_b, b.corners_mm)
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


def _alternative(best: _Compared, other: _Compared, b: Skin) -> Alternative:
    middle = b.corners_mm.mean(axis=0)[None]
    shift = rigid.transform(other.T_a_b, middle) - rigid.transform(best.T_a_b, middle)
    turn = rigid.angle_deg(other.T_a_b @ rigid.invert(best.T_a_b))
    return Alternative(shift[0], turn, other.agreeing / max(best.agreeing, 1), other.contradiction)

"""Zero planes by named fiducials: points of the vehicle whose nominal coordinates in the design grid are known."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from nightbay.core import distributions, rigid
from nightbay.core.errors import NotFound, Rejected
from nightbay.frame.result import FiducialResult
from nightbay.network.result import AdjustedTarget

AXES = ("x", "y", "z")
STEPS, TURN_RAD, SHIFT_MM = 30, 1e-9, 1e-6  # most steps of the fit; it ends where the frame moves by less
SIGNIFICANCE = 0.01  # of the test that the fiducials fit their nominal coordinates
# Sum of squared normalised residuals by which the other heading has to be better: three standard deviations.
OTHER_HEADING = 9.0
IN_LINE = 0.05  # ratio of the spreads of points below which they lie on a line (common practice, no source)


@dataclass(frozen=True)
class Fiducial:
    """A point with known coordinates: its ``name`` in sentences, ``at_mm`` (3,) as measured with ``covariance_mm2``
    (3, 3), both in the control frame; ``nominal_mm`` {"x", "y" or "z": mm in the design grid}; ``sd_mm``, standard
    deviation of the vehicle's own point from its nominal place."""

    name: str
    at_mm: np.ndarray
    covariance_mm2: np.ndarray
    nominal_mm: dict[str, float]
    sd_mm: float


class Start(NamedTuple):
    """What is known of the frame without fiducials: ``T_grid_control`` (4, 4) of the design grid; whether its
    ``directions`` have a meaning; standard deviations ``turn_sd_rad`` about X, Y, Z, (3,), infinite where kept as
    scanned; ``centre_mm`` (3,) of the part in the control frame and ``reach_mm`` from there to its ends."""

    T_grid_control: np.ndarray
    directions: bool
    turn_sd_rad: np.ndarray
    centre_mm: np.ndarray
    reach_mm: float


@dataclass(frozen=True)
class Fixed:
    """A frame by fiducials: ``T_grid_control`` (4, 4) of the design grid; ``named``: the axes whose zero plane they
    give; ``sd_mm`` {axis: standard uncertainty of it at the part's middle}; ``turn_sd_rad`` (3,) about X, Y, Z;
    ``turned``: whether the heading is the other way round than at the start; ``heads``: whether they show it;
    ``listed`` for the JSON; ``contradiction``:
    a sentence where the fiducials do not fit each other."""

    T_grid_control: np.ndarray
    named: list[str]
    sd_mm: dict[str, float]
    turn_sd_rad: np.ndarray
    turned: bool
    heads: bool
    listed: list[FiducialResult]
    contradiction: str | None


def read(
    entries: Sequence[Mapping[str, Any]],
    targets: Sequence[AdjustedTarget],
    poses: Mapping[str, tuple[np.ndarray, np.ndarray]],
    factor: float,
    sd_mm: float,
) -> list[Fiducial]:
    """The fiducials of the job sheet as they were measured.

    ``targets`` of the network; ``poses`` {segment: (T_control_segment, covariance)}; ``factor``: of all lengths, for
    coordinates of raw files; ``sd_mm``: of entries that state none. Raises :class:`Rejected` for a target or a segment
    that there is not.
    """
    by_id: dict[str, list[AdjustedTarget]] = {}
    for target in targets:
        if target.id is not None:
            by_id.setdefault(target.id, []).append(target)
    found = []
    for number, entry in enumerate(entries, 1):
        nominal = {axis: float(entry[f"{axis}_mm"]) for axis in AXES if f"{axis}_mm" in entry}
        own_sd = float(entry.get("sd_mm", sd_mm))
        if "target" in entry:
            target = _target(str(entry["target"]), by_id)
            name, at_mm, covariance = f"target {target.id}", target.xyz_mm, target.covariance_mm2
        else:
            name = f"point {number}"
            at_mm, covariance = _point(name, entry, poses, factor)
        found.append(Fiducial(name, at_mm, covariance, nominal, own_sd))
    return found


def _target(wanted: str, by_id: Mapping[str, Sequence[AdjustedTarget]]) -> AdjustedTarget:
    """The one adjusted target with an id."""
    alike = by_id.get(wanted, [])
    if len(alike) != 1:
        have = f"{len(alike)} targets have this id" if alike else f"the {len(by_id)} targets with an id lack it"
        raise Rejected(
            f"The job sheet names target '{wanted}' as a fiducial, but {have} in the adjusted network; correct "
            "vehicle_frame.fiducials, or number the target in the list of the control survey."
        )
    if alike[0].disputed:
        raise Rejected(
            f"Target '{wanted}' is a fiducial of the job sheet, but two lists contradict each other about its place; "
            "leave it out of vehicle_frame.fiducials, or measure it again."
        )
    return alike[0]


def _point(
    name: str, entry: Mapping[str, Any], poses: Mapping[str, tuple[np.ndarray, np.ndarray]], factor: float
) -> tuple[np.ndarray, np.ndarray]:
    """Place (3,) and covariance (3, 3) in the control frame of a point that is given by its raw coordinates."""
    at_mm = np.array(entry["point_mm"], float) * factor
    segment = entry.get("segment")
    if segment is None:
        return at_mm, np.zeros((3, 3))
    if segment not in poses:
        raise Rejected(
            f"The job sheet gives {name} of vehicle_frame.fiducials in segment '{segment}', which was not placed; give "
            "the point in another segment, or name a target."
        )
    T_control_segment, covariance = poses[segment]
    at_mm = rigid.transform(T_control_segment, at_mm[None])[0]
    moves = np.hstack([-rigid.cross_matrix(at_mm[None])[0], np.eye(3)])
    return at_mm, moves @ covariance @ moves.T


def fix(fiducials: Sequence[Fiducial], start: Start, most_mm: float) -> Fixed | NotFound:
    """The frame that brings fiducials to their nominal coordinates by weighted least squares.

    What they do not determine is left as it is at the ``start``: a rotation that they leave uncertain by more than
    ``most_mm`` at the ends of the part, and the position along an axis of which no coordinate is given.
    :class:`NotFound` where neither they nor the start give the directions of the axes.
    """
    complete = [fiducial for fiducial in fiducials if len(fiducial.nominal_mm) == len(AXES)]
    alone = len(complete) >= 3 and not _in_line(np.array([fiducial.at_mm for fiducial in complete]))
    if not alone and not start.directions:
        return NotFound(
            "the fiducials do not give the frame by themselves, which takes three with all coordinates that are not in "
            "line, and neither the ground nor the tyres were found"
        )
    if alone:
        nominal = np.array([[fiducial.nominal_mm[axis] for axis in AXES] for fiducial in complete])
        tries = [rigid.fit(nominal, [fiducial.at_mm for fiducial in complete])]
    else:
        half_turn = np.diag([-1.0, -1.0, 1.0, 1.0])
        tries = [start.T_grid_control, half_turn @ start.T_grid_control]
    fits = [_fit(fiducials, start._replace(T_grid_control=pose), most_mm) for pose in tries]
    best = 1 if len(fits) > 1 and fits[0].squares - fits[1].squares > OTHER_HEADING else 0
    turned = bool((fits[best].T_grid_control[0, :3] @ start.T_grid_control[0, :3]) < 0.0) and start.directions
    heads = alone or abs(fits[0].squares - fits[1].squares) > OTHER_HEADING
    return _fixed(fiducials, fits[best], start, turned, heads)


def _in_line(points_mm: np.ndarray) -> bool:
    spread = np.linalg.svd(points_mm - points_mm.mean(axis=0), compute_uv=False)
    return bool(spread[1] < IN_LINE * spread[0])


class _Fit(NamedTuple):
    """``squares``: sum of the squared normalised residuals, with ``redundancy``; ``covariance`` (6, 6) of the rotation
    (rad) and the position (mm) at the part's middle, grid axes; ``residuals`` and their ``sd`` {(row, axis): mm}."""

    T_grid_control: np.ndarray
    squares: float
    redundancy: int
    covariance: np.ndarray
    residuals: dict[tuple[int, str], float]
    sd: dict[tuple[int, str], float]


def _fit(fiducials: Sequence[Fiducial], start: Start, most_mm: float) -> _Fit:
    """Gauss-Newton from a pose, in the directions that the fiducials determine."""
    T = start.T_grid_control
    for _ in range(STEPS):
        centre = rigid.transform(T, start.centre_mm[None])[0]
        rows, residual, sd, keys = _equations(fiducials, T, centre)
        weighted = rows / sd[:, None]
        normal, right = weighted.T @ weighted, weighted.T @ (residual / sd)
        # the position along an axis follows from the rotation wherever a coordinate is named
        shift = np.diag([1.0 / value if value > 0 else 0.0 for value in np.diag(normal)[3:]])
        reduced = normal[:3, :3] - normal[:3, 3:] @ shift @ normal[3:, :3]
        values, vectors = np.linalg.eigh(reduced)
        known = values > (start.reach_mm / most_mm) ** 2
        inverse = vectors[:, known] @ np.diag(1.0 / values[known]) @ vectors[:, known].T
        turn = inverse @ (right[:3] - normal[:3, 3:] @ shift @ right[3:])
        move = shift @ (right[3:] - normal[3:, :3] @ turn)
        T = rigid.moved(T, np.concatenate([turn, move]), centre)
        if np.linalg.norm(turn) < TURN_RAD and np.linalg.norm(move) < SHIFT_MM:
            break
    _, residual, sd, keys = _equations(fiducials, T, centre)
    loose = vectors[:, ~known]
    prior = np.diag(np.where(np.isfinite(start.turn_sd_rad), start.turn_sd_rad, 0.0) ** 2)
    rotation = inverse + loose @ (loose.T @ prior @ loose) @ loose.T
    lever = shift @ normal[3:, :3]
    covariance = np.block([[rotation, -rotation @ lever.T], [-lever @ rotation, shift + lever @ rotation @ lever.T]])
    named = int(np.count_nonzero(np.diag(shift)))
    return _Fit(
        T,
        float(((residual / sd) ** 2).sum()),
        len(residual) - named - int(np.count_nonzero(known)),
        covariance,
        dict(zip(keys, -residual, strict=True)),
        dict(zip(keys, sd, strict=True)),
    )


def _equations(
    fiducials: Sequence[Fiducial], T_grid_control: np.ndarray, centre_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[tuple[int, str]]]:
    """Derivatives (m, 6) of the named coordinates by a motion about ``centre_mm``, grid; nominal minus measured
    coordinates (m,) with their standard deviations; and which they are."""
    rows, residual, sd, keys = [], [], [], []
    R = T_grid_control[:3, :3]
    for number, fiducial in enumerate(fiducials):
        at = rigid.transform(T_grid_control, fiducial.at_mm[None])[0]
        variance = np.diag(R @ fiducial.covariance_mm2 @ R.T)
        for axis, nominal in fiducial.nominal_mm.items():
            k = AXES.index(axis)
            rows.append(np.concatenate([np.cross(at - centre_mm, np.eye(3)[k]), np.eye(3)[k]]))
            residual.append(nominal - at[k])
            sd.append(np.sqrt(fiducial.sd_mm**2 + variance[k]))
            keys.append((number, axis))
    return np.array(rows), np.array(residual), np.array(sd), keys


def _fixed(fiducials: Sequence[Fiducial], found: _Fit, start: Start, turned: bool, heads: bool) -> Fixed:
    """The result of a fit; with redundancy, residuals beyond their standard deviations widen the uncertainty."""
    factor = found.squares / found.redundancy if found.redundancy > 0 else 1.0
    covariance = found.covariance * max(1.0, factor)
    named = [axis for axis in AXES if any(axis in fiducial.nominal_mm for fiducial in fiducials)]
    listed = [
        FiducialResult(
            fiducial.name,
            {axis: found.residuals.get((row, axis)) for axis in AXES},
            {axis: found.sd.get((row, axis)) for axis in AXES},
        )
        for row, fiducial in enumerate(fiducials)
    ]
    sentence = None
    if found.redundancy > 0 and distributions.chi_squared_tail(found.squares, found.redundancy) < SIGNIFICANCE:
        (row, axis), value = max(found.residuals.items(), key=lambda item: abs(item[1] / found.sd[item[0]]))
        sentence = (
            f"The fiducials of the job sheet do not fit their nominal coordinates: {fiducials[row].name} lies "
            f"{abs(value):.1f} mm off along {axis.upper()}, {found.sd[row, axis]:.1f} mm are expected (standard "
            "deviation); check its coordinates and which target it is."
        )
    sd_mm = {axis: float(np.sqrt(covariance[3 + AXES.index(axis), 3 + AXES.index(axis)])) for axis in named}
    turn_sd = np.sqrt(np.diag(covariance)[:3])
    return Fixed(found.T_grid_control, named, sd_mm, turn_sd, turned, heads, listed, sentence)

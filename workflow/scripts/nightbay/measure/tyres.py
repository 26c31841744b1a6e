"""The tyres of an axle as circles in side view: what planes under a vehicle touch."""

from dataclasses import dataclass

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.frame.result import WheelResult
from nightbay.measure import dimensions
from nightbay.measure.body import Body
from nightbay.meshes import vertices
from nightbay.uncertainty import budget as uncertainty_budget

WIDEST_MM = 350.0  # of a single tyre: as far inwards from its outer side its points are looked for
OUTER_MM = 30.0  # a tyre bulges beyond its sidewall's crest by less (common practice, no source)
ARCH = 1.03  # times the radius: what is nearer to the axle beside the tyre's sidewalls is the wheel
# The tread is what faces away from the axle within 18 degrees and lies that near to the radius, share of it: a pattern
# of 8 mm on the smallest tyres is inside.
FACING, NEAR = 0.95, 0.06
SECTORS = 12
LEAST_SECTOR = 8  # vertices in a sector that counts, and
LEAST_SECTORS = 3  # sectors that show how round the tyre is
OUTERMOST = 90.0  # percentile of a tread's distances from the axle: a plane touches what stands out of the pattern


@dataclass(frozen=True)
class Tyre:
    """A tyre in the vehicle frame, mm: its axle at ``x_mm`` and ``height_mm``, its free ``radius_mm``, standard
    uncertainties ``sd_mm`` (3,) of these, and the bounds of the wheel along Y, ``y_mm`` (2,)."""

    x_mm: float
    height_mm: float
    radius_mm: float
    sd_mm: np.ndarray
    y_mm: np.ndarray


def of_axles(body: Body) -> list[list[Tyre] | NotFound]:
    """The tyres of each axle from the front, or why they can't be given as circles."""
    found: list[list[Tyre] | NotFound] = []
    for axle in body.frame.axles:
        mine = dimensions.wheels_of(body, axle)
        tyres = [tyre for wheel in mine if (tyre := _tyre(body, wheel)) is not None]
        found.append(tyres or NotFound("the tread of its tyres was not scanned"))
    return found


def rows(body: Body, tyres: list[Tyre], candidates: np.ndarray) -> np.ndarray:
    """Which of the vertices ``candidates``, rows (k,), belong to a wheel: (k,) bool."""
    points = body.vertices_mm[candidates]
    inside = np.zeros(len(candidates), bool)
    for tyre in tyres:
        reach = np.hypot(points[:, 0] - tyre.x_mm, points[:, 2] - tyre.height_mm)
        beside = (points[:, 1] > tyre.y_mm[0]) & (points[:, 1] < tyre.y_mm[1])
        inside |= beside & (reach < ARCH * tyre.radius_mm)
    return inside


def _tyre(body: Body, wheel: WheelResult) -> Tyre | None:
    """A wheel's tyre; None where frame did not find its radius."""
    x, _, z = wheel.centre_mm
    x_sd, _, z_sd = wheel.sd_mm
    if wheel.radius_mm is None or x is None or z is None or x_sd is None or z_sd is None:
        return None
    y_mm = _across(body, wheel)
    return Tyre(x, z, wheel.radius_mm, np.array([x_sd, z_sd, _radius_sd_mm(body, (x, z), wheel.radius_mm, y_mm)]), y_mm)


def _across(body: Body, wheel: WheelResult) -> np.ndarray:
    """Low and high Y of a wheel, (2,); of the widest tyre where only one sidewall was seen."""
    known = wheel.sidewalls_y_mm.known()
    if not known:
        y = wheel.centre_mm[1] or 0.0
        return np.array([y - WIDEST_MM / 2, y + WIDEST_MM / 2])
    if len(known) == 2:
        return np.array([min(known) - OUTER_MM, max(known) + OUTER_MM])
    (y,) = known
    # the sidewall that a scanner outside sees is the outer one, away from the vehicle's middle
    inward = -np.sign(y) if y else 1.0
    return np.sort([y - inward * OUTER_MM, y + inward * WIDEST_MM])


def _radius_sd_mm(body: Body, axle_mm: tuple[float, float], radius_mm: float, y_mm: np.ndarray) -> float:
    """Standard uncertainty of a radius for a plane that touches the tread: how the sectors differ, and how far the
    tread's outermost parts stand out. One point's noise where too little of the tread is in the model."""
    points = body.vertices_mm
    near = np.flatnonzero(
        (np.abs(points[:, 0] - axle_mm[0]) < (1.0 + NEAR) * radius_mm)
        & (points[:, 1] > y_mm[0])
        & (points[:, 1] < y_mm[1])
        & (points[:, 2] < axle_mm[1] + (1.0 + NEAR) * radius_mm)
    )
    near = near[body.areas[near] > 0.0]
    off = points[near][:, [0, 2]].astype(np.float64) - axle_mm
    reach = np.hypot(*off.T)
    # away from the ground, where the tyre carries no load
    tread = (np.abs(reach - radius_mm) < NEAR * radius_mm) & (off[:, 1] > -0.5 * axle_mm[1])
    near, off, reach = near[tread], off[tread], reach[tread]
    if len(near):
        normals = vertices.normals(body.surface, near)[:, [0, 2]]
        outward = np.einsum("ij,ij->i", normals, off) / reach > FACING
        off, reach = off[outward], reach[outward]
    sector = np.floor((np.arctan2(off[:, 1], off[:, 0]) / (2.0 * np.pi) + 0.5) * SECTORS).astype(int)
    medians = [
        float(np.median(reach[sector == number]))
        for number in range(SECTORS)
        if np.count_nonzero(sector == number) >= LEAST_SECTOR
    ]
    if len(medians) < LEAST_SECTORS:
        return float(body.scan.noise_mm)
    uneven = float(np.std(medians, ddof=1)) / np.sqrt(len(medians))
    crown = float(np.percentile(reach, OUTERMOST) - np.median(reach))
    return float(np.hypot(uneven, uncertainty_budget.rectangular_sd_mm(crown)))

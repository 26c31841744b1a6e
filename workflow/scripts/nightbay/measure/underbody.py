"""What was seen of a vehicle from below, and its ground clearance (ISO 612, from memory)."""

from dataclasses import replace

import numpy as np

from nightbay.core.errors import NotFound
from nightbay.measure import dimensions, unscanned_extents
from nightbay.measure.body import Body
from nightbay.measure.result import Dimension, TouchPoints, Underbody
from nightbay.measure.tyres import Tyre
from nightbay.meshes import vertices
from nightbay.uncertainty import budget as uncertainty_budget

CELL_MM = 50.0  # of the plan view, wider on a surface whose vertices lie further apart
CELL_BY_SUPPORT = 2.5  # least cell, by the side of a square with the support's area
DOWN = -0.5  # greatest Z of the normal of what faces down, within 60 degrees
# Times the radius of the wheels: no underbody lies higher, and no roof, whose inner side faces down too, as low (common
# practice, no source).
HIGH = 2.0
BESIDE_WHEEL = 1.2  # times the radius: so far from the axle its wheels hide what lies above them
STRIP = 0.8  # of the least distance of an axle's tyres: the middle part of a vehicle, ISO 612 (from memory)
WHOLE = 0.95  # share of the plan that has to be seen for a value that is not only an upper bound
LEAST = 0.5  # share of it below which even the bound says too little (this project's choice)
UNSEEN = "unseen underbody"  # cause of an uncertainty of unknown size, in a budget
UNSEEN_TYRES = "inner sides of the tyres"
MEANING = (
    "from the ground to the lowest point between the axles, in the middle 80 % of the width between the tyres (ISO 612)"
)


def seen(body: Body, tyres: list[Tyre]) -> Underbody:
    """Shares of the plan that were seen from below; ``tyres`` of all axles."""
    cell_mm = max(CELL_MM, CELL_BY_SUPPORT * float(np.sqrt(body.support_mm2)))
    radius_mm = max(tyre.radius_mm for tyre in tyres)
    counted = np.flatnonzero(body.areas > 0.0)
    low = counted[body.vertices_mm[counted, 2] < HIGH * radius_mm]
    down = low[vertices.normals(body.surface, low)[:, 2] < DOWN] if len(low) else low
    forward = body.axes.forward
    # ahead of the first axle, positive
    footprint, below = (
        np.column_stack([forward * body.vertices_mm[rows, 0], body.vertices_mm[rows, 1]]) for rows in (counted, down)
    )
    first, last = forward * body.frame.axles[0].x_mm, forward * body.frame.axles[-1].x_mm
    clear = BESIDE_WHEEL * radius_mm
    half = max(max(abs(tyre.y_mm)) for tyre in tyres)
    strip, _ = half_strip_mm(body, tyres)
    return Underbody(
        front=_share(footprint, below, (first + clear, np.inf), half, cell_mm),
        between=_share(footprint, below, (last + clear, first - clear), half, cell_mm),
        rear=_share(footprint, below, (-np.inf, last - clear), half, cell_mm),
        strip=_share(footprint, below, (last, first), strip, cell_mm),
    )


def half_strip_mm(body: Body, tyres: list[Tyre]) -> tuple[float, bool]:
    """Half the width of the strip in which the clearance is taken, and whether the tyres' inner sides give it; else it
    lies between the widest tyres that there may be, and is narrower."""
    inner, known = [], True
    for axle in body.frame.axles:
        for wheel in dimensions.wheels_of(body, axle):
            y = wheel.sidewalls_y_mm.known()
            known &= len(y) == 2
            inner += [min(map(abs, y))] if len(y) == 2 else []
    edge = min(inner) if known and inner else min(min(abs(tyre.y_mm)) for tyre in tyres)
    return STRIP * edge, bool(known and inner)


def _share(
    footprint: np.ndarray, below: np.ndarray, along_mm: tuple[float, float], half_mm: float, cell_mm: float
) -> float | None:
    """Share of the cells of the ``footprint``, points of the plan (n, 2), that hold one of ``below``, (m, 2); in a
    rectangle, without the footprint's outermost cells. None without a cell."""
    cells = []
    for points in (footprint, below):
        inside = (points[:, 0] > along_mm[0]) & (points[:, 0] < along_mm[1]) & (np.abs(points[:, 1]) < half_mm)
        cells.append(np.floor(points[inside] / cell_mm).astype(np.int64))
    if not len(cells[0]):
        return None
    low, high = cells[0].min(axis=0), cells[0].max(axis=0)
    whole, seen_below = np.zeros((2, *(high - low + 1)), bool)
    whole[tuple((cells[0] - low).T)] = True
    seen_below[tuple((cells[1] - low).T)] = True
    # a cell under an opening, such as a window, lies between others of its row
    whole = np.maximum.accumulate(whole, axis=1) & np.maximum.accumulate(whole[:, ::-1], axis=1)[:, ::-1]
    whole[[0, -1]] = False
    inner = whole & np.roll(whole, 1, axis=1) & np.roll(whole, -1, axis=1)
    return float(seen_below[inner].mean()) if inner.any() else None


def clearance(body: Body, tyres: list[Tyre], underbody: Underbody) -> Dimension | NotFound:
    """The ground clearance, an upper bound where not all of the strip was seen; or why it can't be stated."""
    if underbody.strip is None or underbody.strip < LEAST:
        return NotFound(
            f"{underbody.strip or 0.0:.0%} of the underbody between the axles was scanned, {LEAST:.0%} are needed even "
            "for an upper bound"
        )
    half_mm, known = half_strip_mm(body, tyres)
    x = np.sort([body.frame.axles[0].x_mm, body.frame.axles[-1].x_mm])
    points = body.vertices_mm
    inside = (points[:, 0] > x[0]) & (points[:, 0] < x[1]) & (np.abs(points[:, 1]) < half_mm)
    areas = np.where(inside, body.areas, 0.0)
    down = np.array([0.0, 0.0, -1.0])
    lowest = body.touch(down, areas)
    if lowest is None:
        return NotFound("too little of the underbody between the axles was scanned")
    value_mm = -lowest.reach_mm
    budget_mm = {
        **body.end_budget_mm(lowest),
        "registration": uncertainty_budget.registration_sd_mm(lowest.point_mm, down, body.frame, body.poses),
        "drift": uncertainty_budget.drift_sd_mm(value_mm, body.scan),
        "ground": uncertainty_budget.ground_sd_mm(body.frame, lowest.point_mm),
    }
    unscanned = unscanned_extents.find(points, areas, down, lowest, body.support_mm2)
    causes = {dimensions.UNSCANNED: unscanned is not None, UNSEEN: underbody.strip < WHOLE, UNSEEN_TYRES: not known}
    budget_mm |= {cause: None for cause, there in causes.items() if there}
    stated = dimensions.dimension(MEANING, value_mm, budget_mm, TouchPoints(None, lowest.point_mm), body.scale)
    return replace(stated, at_most=any(causes.values()))

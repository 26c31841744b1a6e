"""Sizes of the interior that an outfitter builds on, in the vehicle's frame: load lengths, loading heights, apertures.

The stage measure states the sizes of a room in the room's own frame, whose front is often not known. The join carries
their ends into the vehicle. What lies inside one part keeps its uncertainty; heights above the ground and places along
X get that of the join at their points.
"""

import re

import numpy as np

from nightbay.core import axes, rigid
from nightbay.fitting import bare_face
from nightbay.frame.result import Plane
from nightbay.join import pose_fit, thickness
from nightbay.join.joined_parts import JoinedParts, X, Y, Z
from nightbay.join.result import FLOOR_END_MM, Aperture, LoadSize, LoadSizes
from nightbay.measure.result import COVERAGE, RoomSize
from nightbay.uncertainty import budget as uncertainty_budget

ALIGNED_DEG = 3.0  # most between the axes of the room and of the vehicle: a room's walls follow its vehicle's
OF_ENDS = ("noise", "flatness", "shape", "edge", "spacing")  # causes of a room's size that come from its ends
OPENING = re.compile(r"opening_(width|height)_((?:left|right|front|rear)_wall)_(\d+)")
OPEN_END = re.compile(r"(front|rear)_opening_(width_floor|width_belt|height)")
NO_LENGTH = {
    "floor": "The load length at floor height can't be stated: one of its ends was not found; scan the floor from its "
    "front end to its rear end.",
    "belt": "The load length at belt height can't be stated: one of its ends was not found; scan both side walls from "
    "their front ends to their rear ends.",
}


def find(joined: JoinedParts) -> LoadSizes:
    """The load sizes of a join, with a sentence on each thing that can't be stated."""
    exterior, room = joined.exterior.frame, joined.interior.measure.room
    from_axle = len(exterior.axles) > 1
    x_from = "front axle" if from_axle else "zero X"
    refused = _refusal(joined)
    if refused is not None:
        return LoadSizes({}, [], x_from, [refused])
    sizes, not_stated = _lengths(joined)
    floor = _floor_height(joined, sizes.get("length_floor"))
    apertures = [*_openings(joined, from_axle), *_open_ends(joined)]
    if isinstance(floor, LoadSize):
        sizes["floor_height"] = floor
    else:
        not_stated.append(floor)
    if any(size.key.startswith("opening_height_") for size in room) and not _stands(joined):
        not_stated.append(
            "The heights of the apertures' lower edges can't be stated: the exterior shows no ground; scan the ground "
            "beside the vehicle with it."
        )
    return LoadSizes(sizes, apertures, x_from, not_stated)


def _refusal(joined: JoinedParts) -> str | None:
    """Why no load size can be stated at all, one sentence; None where they can."""
    exterior = joined.exterior.frame
    if not joined.interior.measure.room:
        return "No load size can be stated: the interior has no sizes of a room, for the reason that stands there."
    if exterior.heading.found_by == "kept" or not all(exterior.zero_planes[axis].found for axis in "yz"):
        return (
            "No load size can be stated: the exterior does not show which end of the vehicle is its front; name it in "
            "the job sheet (parts, exterior, axes, forward)."
        )
    R = joined.T_a_b[:3, :3]
    off_deg = float(np.degrees(np.arccos(np.clip(np.abs(R).max(axis=0).min(), 0.0, 1.0))))
    if off_deg > ALIGNED_DEG or R[2, 2] < 0.5:
        return (
            f"No load size can be stated: the room's axes lie {off_deg:.1f} degrees off the vehicle's, at most "
            f"{ALIGNED_DEG:.0f} degrees are allowed; name the floor and the front wall of the interior in the job "
            "sheet (parts, interior, axes)."
        )
    return None


def _stands(joined: JoinedParts) -> bool:
    """Whether the exterior's ground is known."""
    return joined.exterior.frame.ground_z_mm(np.zeros(3)) is not None


def _size(value_mm: float, budget_mm: dict[str, float | None], ends_mm: tuple[np.ndarray, np.ndarray]) -> LoadSize:
    return LoadSize(
        value_mm=float(value_mm),
        uncertainty_mm=uncertainty_budget.combine(budget_mm),
        coverage=COVERAGE,
        budget_mm=budget_mm,
        unknown=uncertainty_budget.unknown(budget_mm),
        low_mm=ends_mm[0],
        high_mm=ends_mm[1],
    )


def _ends(size: RoomSize) -> tuple[np.ndarray, np.ndarray]:
    """The low and the high end of a room's size, (3,) each in the interior's frame."""
    low, high = size.size.points_mm.low, size.size.points_mm.high
    assert low is not None and high is not None  # a room's sizes have both ends
    return low, high


def _end_causes(size: RoomSize) -> dict[str, float | None]:
    """What the ends of a room's size add: of both together, so no less than that of one."""
    return {cause: sd for cause, sd in size.size.budget_mm.items() if cause in OF_ENDS}


def _lengths(joined: JoinedParts) -> tuple[dict[str, LoadSize], list[str]]:
    """Load lengths at floor and belt height; a room that was laid across the vehicle has them as widths."""
    across = abs(joined.T_a_b[0, 0]) < abs(joined.T_a_b[0, 1])
    found, not_stated = {}, []
    for height, reason in NO_LENGTH.items():
        own = f"width_{height}" if across else f"length_{height}"
        size = next((each for each in joined.interior.measure.room if each.key == own), None)
        if size is None:
            not_stated.append(reason)
        else:
            found[f"length_{height}"] = _length(joined, size)
    return found, not_stated


def _length(joined: JoinedParts, size: RoomSize) -> LoadSize:
    """A length along the vehicle's X through the middle between its ends, from surface to surface.

    A wall is met where its plane is; an edge is taken to run across the vehicle, and what a room that lies askew makes
    of that is in the budget. Nothing of the join but its rotation matters: both ends move together.
    """
    R, ends = joined.T_a_b[:3, :3], [joined.carried(end) for end in _ends(size)]
    middle = (ends[0] + ends[1]) / 2
    walls = [_wall_at(joined, size, end) for end in _ends(size)]
    met = []
    for end, wall in zip(ends, walls, strict=True):
        normal = X if wall is None else R @ wall.normal
        met.append(middle + X * float(normal @ (end - middle) / normal[0]))
    value_mm = abs(float(met[1][0] - met[0][0]))
    rows = np.subtract(*(pose_fit.rows(end[None], X[None], joined.motion.centre_mm)[0] for end in ends))
    off = float(np.abs(R[0]).max())  # cosine between the room's length and the vehicle's
    askew_mm = uncertainty_budget.rectangular_sd_mm(value_mm / 2 * (1 - off**2)) * np.sqrt(walls.count(None))
    causes = size.size.budget_mm | {"join": joined.join_sd_mm(rows)}
    if None in walls:
        causes["alignment"] = float(askew_mm)
    order = np.argsort([-joined.forward * end[0] for end in met])
    kinds = ["open end" if walls[at] is None else "wall" for at in order]
    made = _size(value_mm, causes, (met[order[0]], met[order[1]]))
    return LoadSize(**{**made.__dict__, "ends": kinds})


def _wall_at(joined: JoinedParts, size: RoomSize, end_mm: np.ndarray) -> Plane | None:
    """The plane of a size's end, (3,) in the interior's frame; None for an edge."""
    room = joined.interior.frame.room
    planes = [plane for plane in room.planes if plane.number in size.planes] if room else []
    near = [plane for plane in planes if abs(plane.normal @ end_mm - plane.offset_mm) < bare_face.NEAR_MM]
    return min(near, key=lambda plane: abs(float(plane.normal @ end_mm - plane.offset_mm)), default=None)


def _floor_height(joined: JoinedParts, length: LoadSize | None) -> LoadSize | str:
    """Height of the load floor's rear end above the ground, or why it can't be stated."""
    room = joined.interior.frame.room
    floor = next((plane for plane in room.planes if plane.kind == "floor"), None) if room else None
    if not _stands(joined):
        return (
            "The height of the load floor can't be stated: the exterior shows no ground; scan the ground beside the "
            "vehicle with it."
        )
    if length is None or floor is None:
        return "The height of the load floor can't be stated: its rear end was not found; scan it."
    rear = rigid.transform(rigid.invert(joined.T_a_b), length.high_mm[None])[0]
    inward = joined.T_a_b[:3, :3].T @ (X * joined.forward)
    axis = int(np.argmax(np.abs(inward)))
    low, high = floor.low_mm.copy(), floor.high_mm.copy()
    low[axis], high[axis] = sorted([rear[axis], rear[axis] + FLOOR_END_MM * float(np.sign(inward[axis]))])
    b = joined.b
    found = bare_face.fit(b.points_mm, b.normals, floor, low, high, b.noise_mm)
    if found is None:
        return (
            f"The height of the load floor can't be stated: too little of its last {FLOOR_END_MM:.0f} mm was scanned; "
            "scan the rear end of the floor."
        )
    return _above_ground(joined, found.point_mm, {**found.sd_mm})


def _above_ground(joined: JoinedParts, at_mm: np.ndarray, causes: dict[str, float | None]) -> LoadSize:
    """The height of a point (3,) of the interior's frame above the ground; ``causes`` of its own."""
    at = joined.carried(at_mm)
    ground_mm = joined.exterior.frame.ground_z_mm(at)
    assert ground_mm is not None
    value_mm = float(at[2] - ground_mm)
    ground = {"ground": uncertainty_budget.ground_sd_mm(joined.exterior.frame, at)}
    budget = causes | joined.place_budget_mm(at_mm, Z) | ground | joined.scale_budget_mm(value_mm)
    return _size(value_mm, budget, (np.array([at[0], at[1], ground_mm]), at))


def _side(joined: JoinedParts, kind: str) -> str:
    """The side of the vehicle that a wall of the room, or an end, faces from inside: ``kind`` begins with its side."""
    convention = axes.axes(joined.interior.frame.axes)
    name = kind.split("_")[0].split(" ")[0]
    outward = {
        "front": X * convention.forward, "rear": -X * convention.forward, "left": Y * convention.left,
        "right": -Y * convention.left,
    }[name]  # fmt: skip
    turned = joined.T_a_b[:3, :3] @ outward
    axis = int(np.argmax(np.abs(turned)))
    return thickness.sides(axes.axes(joined.exterior.frame.axes))[axis, 1 if turned[axis] > 0 else -1]


def _openings(joined: JoinedParts, from_axle: bool) -> list[Aperture]:
    """The openings in the walls of which both clear sizes are stated."""
    found: dict[tuple[str, int], dict[str, RoomSize]] = {}
    for size in joined.interior.measure.room:
        match = OPENING.fullmatch(size.key)
        if match:
            found.setdefault((match[2].replace("_", " "), int(match[3])), {})[match[1]] = size
    apertures = []
    for (wall, number), own in found.items():
        side = _side(joined, wall)
        sizes = {name: _inside(joined, size) for name, size in own.items()}
        if "height" in own and _stands(joined):
            sizes["sill_height"] = _above_ground(joined, _ends(own["height"])[0], _end_causes(own["height"]))
        if "width" in own and side in ("left", "right"):
            sizes["front_edge"] = _front_edge(joined, own["width"], from_axle)
        apertures.append(Aperture(side, wall, number, sizes))
    return apertures


def _open_ends(joined: JoinedParts) -> list[Aperture]:
    """The ends of the room without a wall; the height of the floor there is that of the load floor."""
    found: dict[str, dict[str, LoadSize]] = {}
    for size in joined.interior.measure.room:
        match = OPEN_END.fullmatch(size.key)
        if match:
            found.setdefault(match[1], {})[match[2]] = _inside(joined, size)
    return [Aperture(_side(joined, end), None, None, sizes) for end, sizes in found.items()]


def _inside(joined: JoinedParts, size: RoomSize) -> LoadSize:
    """A size between two places of the interior: the join moves both, so it keeps its value and its uncertainty."""
    low, high = (joined.carried(end) for end in _ends(size))
    return _size(size.size.value_mm, dict(size.size.budget_mm), (low, high))


def _front_edge(joined: JoinedParts, width: RoomSize, from_axle: bool) -> LoadSize:
    """How far behind the front axle, or zero X, the front edge of an opening in a side of the vehicle lies."""
    frame, poses = joined.exterior.frame, joined.exterior.refine.poses
    own = max(_ends(width), key=lambda end: joined.forward * joined.carried(end)[0])
    at = joined.carried(own)
    start = at.copy()
    start[0] = frame.axles[0].x_mm if from_axle else 0.0
    budget = _end_causes(width) | joined.place_budget_mm(own, X)
    if from_axle:
        start[2] = frame.wheels[0].centre_mm[2] if frame.wheels else start[2]
        posed = (budget["registration"], uncertainty_budget.registration_sd_mm(start, X, frame, poses))
        budget |= {"registration": uncertainty_budget.root_sum(posed), "centres": frame.axles[0].sd_mm}
    else:
        budget["frame"] = frame.zero_planes["x"].sd_mm
    value_mm = float(-joined.forward * (at[0] - start[0]))
    return _size(value_mm, budget | joined.scale_budget_mm(value_mm), (start, at))


def table(load: LoadSizes) -> list[str]:
    """The sizes as lines of delimited text, with a heading; both ends of each are in the vehicle frame."""
    lines = ["what,side,opening,value_mm,uncertainty_k2_mm,low_x_mm,low_y_mm,low_z_mm,high_x_mm,high_y_mm,high_z_mm"]
    rows = [(name, "", "", size) for name, size in load.sizes.items()]
    for aperture in load.apertures:
        listed = "open end" if aperture.wall is None else f"{aperture.wall} {aperture.number}"
        rows += [(name, aperture.side, listed, size) for name, size in aperture.sizes.items()]
    for name, side, listed, size in rows:
        numbers = [size.value_mm, size.uncertainty_mm, *size.low_mm, *size.high_mm]
        lines.append(",".join([name, side, listed, *(f"{number:.3f}" for number in numbers)]))
    return lines

"""Wheels: round shapes on the ground, with the centre and the axle about which a rotation maps them onto themselves."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from nightbay.core import robust
from nightbay.core.errors import NotFound

CELL_MM = 30.0  # of the plan view in which contact patches are separated
SPACING_MM = 5.0  # points of a wheel are thinned to this: some 10 000 a wheel
TURNS_DEG = (50.0, 110.0, 180.0)  # a wheel is compared with itself after these turns
LEAST_POINTS = 150
VOTERS = 3000  # points that vote for the first guess of the centre
REACHES_MM = (25.0, 10.0, 4.0)
SECTORS = 8  # of the wheel, left out in turn for the uncertainty
ALIKE = 0.8  # least cosine between a rotated normal and its partner's
# The crest of a tyre's wall is what a side face touches: within 18 deg of the axle and 40 mm of curvature the wall lies
# 2 mm lower at most.
FACING, CREST_MM = 0.95, 5.0
LEAST_WALL, LEAST_CREST = 20, 5  # points of a sector's tyre wall, and of them on its crest
# radii of tyres from a moped's to a lorry's
RADIUS_LOW_MM, RADIUS_HIGH_MM = 180.0, 600.0
WIDTH_MM = 350.0  # widest single tyre
# Normals vote for the first guess of a centre on a grid of radii and of positions along the vehicle, about the middle
# of the contact patch. A wheel's points lie within a step of its radius.
RADIUS_STEP_MM, PLACE_STEP_MM, PLACE_MM = 10.0, 15.0, 60.0
SIDEWAYS = 0.3  # least length of a unit normal in side view for its direction there to be known
VOTE_MM = 20.0  # a normal votes for a centre that it passes within this: two steps of the radius
# Random normals pass near a centre too: this share of them is deducted, and what remains must be more than a few votes
# (common practice, no source).
RANDOM_SHARE, LEAST_VOTES = 0.1, 50.0
# Shares of the radius. A wheel's points exclude the contact patch, where the tyre is pressed flat, and the arch. The
# tyre's wall lies between rim and tread. The radius of the tread is taken above half the height of the axle, where the
# tyre carries no load (common practice, no source).
ARCH, FLAT = 1.02, 0.15
WALL_FROM, WALL_TO, TREAD_FROM, FREE_FROM = 0.6, 0.98, 0.9, 0.5
# Rings of a wheel's wall and of what lies beyond its edge, shares of the radius; how far a face beyond may stand from
# the wall's to be the same, and the share of the wall's density from which on it goes on (common practice, no source).
WALL, BEYOND, FLUSH_MM, GOES_ON = (0.7, 0.95), (1.1, 1.3), 10.0, 0.5
LEAST_TREAD = 50  # points of a tread, for its radius
ASIDE = 1.5  # how many spacings a partner may lie beside the image: a point of the next cell does
LEAST_PAIRS = 100  # of a point and one that it meets, for four unknowns (common practice, no source)
MOST_CONDITION = 1e8  # of the normal equations, whose columns have unit length: beyond it, a direction is undetermined
MOST_STEPS, SHIFT_MM = 30, 1e-3  # most steps of the fit; it ends where the centre moves by less than SHIFT_MM


@dataclass(frozen=True)
class Wheel:
    """A wheel in the level frame (X along the vehicle, Z up from the ground).

    ``axle_mm`` (3,): a point of the axle, the wheel centre where both side faces of the tyre were seen, else where the
    axle meets the one that was; ``sd_mm`` (2,) standard uncertainties of its X and Z; ``axle`` (3,) unit direction,
    outward (to +Y for a wheel in the middle plane), with ``turn_sd_rad``; ``faces_mm`` (2,): from there along the axle
    to the side faces, the inner first, NaN where one was not seen, with ``faces_sd_mm`` (2,); ``radius_mm`` of the
    tread, None where it was not seen; ``share`` of its points that fit others after a rotation; ``side``: -1, 0, 1 for
    -Y, middle, +Y.

    The wheel centre plane lies halfway between the rim flanges (ISO 8855, JIS D 0030; from memory). The flanges hide
    behind the tyre, which is centred between them, so its side faces are used instead.
    """

    axle_mm: np.ndarray
    sd_mm: np.ndarray
    axle: np.ndarray
    turn_sd_rad: float
    faces_mm: np.ndarray
    faces_sd_mm: np.ndarray
    radius_mm: float | None
    share: float
    side: int

    @property
    def centred(self) -> bool:
        """Whether ``axle_mm`` is the wheel centre."""
        return bool(np.isfinite(self.faces_mm).all())

    @property
    def centre_sd_mm(self) -> float:
        """Standard uncertainty of the wheel centre along the axle, as if both faces erred alike; NaN without one."""
        return float(np.mean(self.faces_sd_mm))

    @property
    def places_mm(self) -> np.ndarray:
        """Where the axle meets the side faces, (2, 3), the inner first, NaN where one was not seen."""
        return self.axle_mm + np.outer(self.faces_mm, self.axle)


@dataclass(frozen=True)
class Axle:
    """One axle in the level frame: ``x_mm`` of its middle with ``sd_mm``; ``wheels`` of it, by ascending Y."""

    x_mm: float
    sd_mm: float
    wheels: tuple[Wheel, ...]

    @property
    def paired(self) -> bool:
        """Whether both wheels were found."""
        return len(self.wheels) == 2

    @property
    def middle_mm(self) -> np.ndarray:
        """Midpoint between the wheel centres, or between the tyres' outer faces where not both are known: (3,), NaN
        where the outer faces are not known either."""
        if all(wheel.centred for wheel in self.wheels):
            return np.mean([wheel.axle_mm for wheel in self.wheels], axis=0)
        return np.mean([wheel.places_mm[1] for wheel in self.wheels], axis=0)

    @property
    def middle_sd_mm(self) -> float:
        """Standard uncertainty of the midpoint along the axle, mm."""
        centred = all(wheel.centred for wheel in self.wheels)
        low, high = (wheel.centre_sd_mm if centred else wheel.faces_sd_mm[1] for wheel in self.wheels)
        return float(np.hypot(low, high) / 2)

    @property
    def line(self) -> np.ndarray:
        """Unit direction (3,) from the wheel at lower Y to the one at higher Y, level; a single wheel's own axle."""
        if self.paired:
            line = self.wheels[1].axle_mm - self.wheels[0].axle_mm
        else:
            line = self.wheels[0].axle * (-1.0 if self.wheels[0].side < 0 else 1.0)
        line = line * (1.0, 1.0, 0.0)
        return line / np.linalg.norm(line)


def contact_patches(points_mm: np.ndarray, band_mm: float) -> np.ndarray:
    """Plan-view bounds of what stands on the ground: (k, 2, 2), low and high of X and Y, ascending by X then Y.

    ``points_mm`` (n, 3) in the level frame; the patches are the connected parts of points with Z within ``band_mm``.
    """
    plan = points_mm[(points_mm[:, 2] > 0.0) & (points_mm[:, 2] < band_mm), :2]
    if not len(plan):
        return np.empty((0, 2, 2))
    low = plan.min(axis=0) - 3 * CELL_MM
    cell = np.floor((plan - low) / CELL_MM).astype(np.int64)
    grid = np.zeros(cell.max(axis=0) + 4, bool)
    grid[cell[:, 0], cell[:, 1]] = True
    label, count = ndimage.label(ndimage.binary_dilation(grid, iterations=2), np.ones((3, 3)))
    of_point = label[cell[:, 0], cell[:, 1]]
    parts = [plan[of_point == number] for number in range(1, count + 1)]
    patches = np.array([[part.min(axis=0), part.max(axis=0)] for part in parts])
    return patches[np.lexsort((patches[:, 0, 1], patches[:, 0, 0]))]


def fit(points_mm: np.ndarray, normals: np.ndarray, x_mm: float, side: int, threads: int = 1) -> Wheel | NotFound:
    """The wheel among points (n, 3) of the level frame with unit normals (n, 3), or why there is none.

    ``x_mm`` is where the middle of its contact patch lies; ``side`` as in :class:`Wheel`.
    """
    centre = _coarse_centre(points_mm, normals, x_mm)
    if centre is None:
        return NotFound("no round shape was found there")
    radius = centre[1]
    reach = np.hypot(points_mm[:, 0] - centre[0], points_mm[:, 2] - centre[1])
    mine = (reach < ARCH * radius) & (points_mm[:, 2] > FLAT * radius)
    goes_on = _goes_on(points_mm, normals, centre)
    points, normals = points_mm[mine], normals[mine]
    if len(points) < LEAST_POINTS:
        return NotFound(f"only {len(points)} points of a wheel, {LEAST_POINTS} are needed")
    fitted = _register(points, normals, centre, threads)
    if fitted is None:
        return NotFound("its points do not fit each other after a rotation, which leaves the axle undetermined")
    at, axle, covariance, meets = fitted
    if goes_on:
        return NotFound("the surface at its sides goes on beyond its edge")
    axle = axle * np.sign(axle[1]) * (1.0 if side >= 0 else -1.0)
    faces_y, faces_sd = _side_faces(points, normals, meets, at, axle, radius)
    shown = np.isfinite(faces_y)
    middle = float(faces_y[shown].mean()) if shown.any() else at[1]
    at = at + axle * (middle - at[1]) / axle[1]
    sd = np.sqrt(np.diag(covariance))
    faces = (faces_y - middle) / axle[1]
    tread = _free_radius(points, normals, at, radius)
    return Wheel(at, sd[:2], axle, float(sd[2:].max()), faces, faces_sd, tread, float(meets.mean()), side)


def _goes_on(points_mm: np.ndarray, normals: np.ndarray, centre: np.ndarray) -> bool:
    """Whether a side face goes on beyond a wheel's edge, as a body's flat side does, which a rotation maps onto itself
    too; looked for up to 45 degrees below the axle at ``centre`` (2,) X and Z, where arches leave a wheel free."""
    off_x, below = np.abs(points_mm[:, 0] - centre[0]), centre[1] - points_mm[:, 2]
    share = np.hypot(off_x, below) / centre[1]
    low = (below > 0.0) & (below < off_x)
    wall, beyond = (low & (share > inner) & (share < outer) for inner, outer in (WALL, BEYOND))
    areas = [outer**2 - inner**2 for inner, outer in (WALL, BEYOND)]
    for side in (-1.0, 1.0):
        facing = side * normals[:, 1] > FACING
        face = points_mm[wall & facing, 1]
        if len(face) < LEAST_WALL:
            continue
        flush = beyond & facing & (np.abs(points_mm[:, 1] - np.median(face)) < FLUSH_MM)
        if np.count_nonzero(flush) / areas[1] > GOES_ON * len(face) / areas[0]:
            return True
    return False


def _coarse_centre(points_mm: np.ndarray, normals: np.ndarray, x_mm: float) -> np.ndarray | None:
    """X and Z of the point where most normals meet in side view, for a circle that stands on the ground; or None."""
    across = np.hypot(normals[:, 0], normals[:, 2])
    tilted = np.flatnonzero(across > SIDEWAYS)
    tilted = tilted[:: max(1, len(tilted) // VOTERS)]
    points, lines = points_mm[tilted][:, [0, 2]], normals[tilted][:, [0, 2]] / across[tilted, None]
    best, best_score = None, 0.0
    for radius in np.arange(RADIUS_LOW_MM, RADIUS_HIGH_MM, RADIUS_STEP_MM):
        for x in x_mm + np.arange(-PLACE_MM, PLACE_MM + 1.0, PLACE_STEP_MM):
            off = points - (x, radius)
            near = (off**2).sum(axis=1) < (radius + PLACE_STEP_MM) ** 2
            missed = off[near, 0] * lines[near, 1] - off[near, 1] * lines[near, 0]
            # a random line passes within the limit in proportion to it: that many are no evidence
            score = robust.tukey(missed, VOTE_MM).sum() - RANDOM_SHARE * np.count_nonzero(near)
            if score > best_score:
                best, best_score = np.array([x, radius]), score
    return best if best_score > LEAST_VOTES else None


class _Registered(NamedTuple):
    """A point of the axle (3,), its unit direction (3,), covariance (4, 4) of (x, z, turns about x and z), and which
    points meet others after a turn, (n,) bool."""

    at: np.ndarray
    axle: np.ndarray
    covariance: np.ndarray
    meets: np.ndarray


class _Cloud(NamedTuple):
    """Points (n, 3) with unit normals (n, 3) and a tree of them."""

    points: np.ndarray
    normals: np.ndarray
    tree: cKDTree
    threads: int


def _register(points: np.ndarray, normals: np.ndarray, centre: np.ndarray, threads: int) -> _Registered | None:
    """The axle about which a rotation maps the points onto each other; None where they do not define it."""
    at, axle = np.array([centre[0], np.median(points[:, 1]), centre[1]]), np.array([0.0, 1.0, 0.0])
    cloud = _Cloud(points, normals, cKDTree(points), threads)
    nearest = cloud.tree.query(points, k=2, workers=threads)[0][:, 1]
    aside = ASIDE * max(SPACING_MM, float(np.median(nearest)))  # a partner lies up to that far beside the image
    angle = np.arctan2(points[:, 2] - at[2], points[:, 0] - at[0])
    sector = robust.blocks_along(np.append(angle, [-np.pi, np.pi]), SECTORS)[:-2]
    for reach_mm in REACHES_MM:
        for _ in range(MOST_STEPS):
            rows, jacobian, residuals = _turned(cloud, at, axle, float(np.hypot(reach_mm, aside)))
            if len(rows) < LEAST_PAIRS:
                return None
            step = robust.step(jacobian, residuals, reach_mm, sector[rows])
            if step.condition > MOST_CONDITION:
                return None
            at = at + np.array([step.change[0], 0.0, step.change[1]])
            axle = axle + np.cross([step.change[2], 0.0, step.change[3]], axle)
            axle /= np.linalg.norm(axle)
            if np.abs(step.change[:2]).max() < SHIFT_MM:
                break
    meets = np.zeros(len(points), bool)
    meets[rows[np.abs(residuals) < reach_mm]] = True
    return _Registered(at, axle, step.covariance, meets)


def _turned(cloud: _Cloud, at: np.ndarray, axle: np.ndarray, wide_mm: float) -> tuple[np.ndarray, ...]:
    """Rows (m,), derivatives (m, 4) and residuals (m,) mm of points that a rotation brings to one of like normal."""
    points, normals, tree, threads = cloud
    off = points - at
    found = []
    for turn in TURNS_DEG:
        rotation = Rotation.from_rotvec(np.radians(turn) * axle).as_matrix()
        image = off @ rotation.T
        distance, partner = tree.query(image + at, distance_upper_bound=wide_mm, workers=threads)
        rows = np.flatnonzero(np.isfinite(distance))
        alike = np.einsum("ij,ij->i", normals[rows] @ rotation.T, normals[partner[rows]]) > ALIKE
        rows, partner = rows[alike], partner[rows][alike]
        facing = normals[partner]
        back = facing @ rotation  # the normal turned back to the unturned point
        residuals = np.einsum("ij,ij->i", facing, image[rows] + at - points[partner])
        by_centre = facing - back
        by_axle = np.cross(image[rows], facing) - np.cross(off[rows], back)
        found.append((rows, np.column_stack([by_centre[:, [0, 2]], by_axle[:, [0, 2]]]), residuals))
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))


def _side_faces(
    points: np.ndarray, normals: np.ndarray, meets: np.ndarray, at: np.ndarray, axle: np.ndarray, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Y of the tyre's side faces, (2,), the inner first (``axle`` points to the outer), and standard uncertainties.

    A face is the mean over sectors of the outermost tyre wall, NaN where the wall's crest does not show. ``meets`` (n,)
    bool: which points meet others after a turn; a fork or a silencer beside the tyre does not, and is left out.
    """
    off = points - at
    reach, along = np.hypot(off[:, 0], off[:, 2]), off @ axle
    wall = (reach > WALL_FROM * radius) & (reach < WALL_TO * radius)
    angle = np.arctan2(off[:, 2], off[:, 0])
    sector = robust.blocks_along(np.append(angle, [-np.pi, np.pi]), SECTORS)[:-2]
    shown = {}
    for face, sign in enumerate((-1.0, 1.0)):
        crests = _crests(sign * along, sign * (normals @ axle), wall, meets, sector)
        if len(crests) > 1:
            tyre = wall & (sign * along < np.median(list(crests.values())) + REACHES_MM[-1])
            shown[face] = sign * np.sign(axle[1]), [np.flatnonzero(tyre & (sector == number)) for number in crests]
    faces, sd = np.full(2, np.nan), np.full(2, np.nan)
    for face, (outward, walls) in shown.items():
        # the outermost 2 % of a side may be lettering; where both sides show, each has half of the points
        ends = [np.percentile(outward * points[rows, 1], 100.0 - 2.0 / len(shown)) for rows in walls]
        faces[face], sd[face] = outward * np.mean(ends), np.std(ends, ddof=1) / np.sqrt(len(ends))
    return faces, sd


def _crests(
    outward: np.ndarray, facing: np.ndarray, wall: np.ndarray, meets: np.ndarray, sector: np.ndarray
) -> dict[int, float]:
    """How far out the crest of a tyre wall lies in each sector that shows it: {sector: mm}.

    ``outward`` (n,) mm along the axle, ``facing`` (n,) cosine of the normal with it. Points that face a side without
    being its outermost belong to the other side, their normals turned over.
    """
    end = np.percentile(outward[wall & meets], 95.0) if (wall & meets).any() else np.inf
    found = {}
    for number in range(SECTORS):
        here = wall & (sector == number)
        crest = here & meets & (facing > FACING) & (outward > end - CREST_MM)
        if np.count_nonzero(here) >= LEAST_WALL and np.count_nonzero(crest) >= LEAST_CREST:
            found[number] = np.percentile(outward[crest], 98.0)
    return found


def _free_radius(points: np.ndarray, normals: np.ndarray, at: np.ndarray, radius: float) -> float | None:
    """Radius of the tread, away from the ground: median distance from the axle of what faces away from it; or None."""
    off = points - at
    reach = np.hypot(off[:, 0], off[:, 2])
    outward = (normals[:, 0] * off[:, 0] + normals[:, 2] * off[:, 2]) / np.maximum(reach, 1.0)
    tread = (outward > FACING) & (reach > TREAD_FROM * radius) & (points[:, 2] > FREE_FROM * radius)
    return float(np.median(reach[tread])) if np.count_nonzero(tread) >= LEAST_TREAD else None

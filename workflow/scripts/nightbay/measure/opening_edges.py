"""The edges of an opening in a wall: the face of its passage where that was scanned, else the wall's last points."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from nightbay.core import plane_fit, robust
from nightbay.core.errors import NotFound
from nightbay.fitting.bare_face import BLOCKS, FACING, LEAST_POINTS
from nightbay.measure.room_faces import End, Shell
from nightbay.uncertainty import budget as uncertainty_budget

MIDDLE = 0.7  # of an edge's length counts: corners are rounded
SEEN = 0.8  # least share of the strips across an edge in which it was seen
FACED = 0.6  # least share of them in which the passage's face was
UNFACED = 0.2  # with a smaller share, it has none: a thin sheet
WALLED = 0.5  # least share of them in which the wall goes on beside an edge
LEAST_STRIPS = 5
INSIDE_CELLS, BEHIND_CELLS = 1.5, 2.5  # how far from the end of the empty place an edge may lie
THINNED_MM = 2.0  # of the cleaned points: closer ones say little more
STRIP = 2.0  # width of a strip across the edge, spacings
NEIGHBOURS = 8
FACE_MM = 5.0  # the passage's face lies this near to its innermost points
LIMITS_MM = (8.0, 5.0, 3.0)  # of the fit of that face; hinges and locks stand out further
STRAIGHT = 0.5  # most scatter of the last points, spacings: a scan's own end is more ragged
UNSURE = 0.25  # largest standard uncertainty of a curve through them, spacings
NARROW_MM = 3.0  # on a narrower face no slant and no rounding through the wall shows
CELLS = (12, 3)  # of a face, along the edge and through the wall, in which it is compared with the fit
STEPS = 41
SIGNIFICANT = 25.5  # Hotelling's T squared of two terms, eight blocks, 1 %
SPARSE_MM = 12.0  # between points: of sparser ones a gap of the scan can't be told from an edge


@dataclass(frozen=True)
class Place:
    """Where an edge is looked for: at ``end_mm`` along an axis ``across`` the opening, on the side ``sign`` of it, over
    ``low_mm`` to ``high_mm`` of the axis ``along`` the edge; the axis ``through`` leads through the wall, whose points
    lie between ``wall_mm``, (low, high); ``cell_mm``: how well the place is known."""

    across: int
    along: int
    through: int
    sign: float
    end_mm: float
    low_mm: float
    high_mm: float
    wall_mm: tuple[float, float]
    cell_mm: float

    @property
    def span_mm(self) -> tuple[float, float]:
        """The part of the edge's length that counts."""
        cut = (1 - MIDDLE) / 2 * (self.high_mm - self.low_mm)
        return self.low_mm + cut, self.high_mm - cut

    @property
    def box_mm(self) -> tuple[np.ndarray, np.ndarray]:
        """Bounds, (3,) each, of the points that may belong to the edge."""
        box = np.empty((2, 3))
        ends = (
            self.end_mm - self.sign * INSIDE_CELLS * self.cell_mm,
            self.end_mm + self.sign * BEHIND_CELLS * self.cell_mm,
        )
        box[:, self.across] = sorted(ends)
        box[:, self.along] = self.span_mm
        box[:, self.through] = self.wall_mm
        return box[0], box[1]

    def scaled(self, along_mm: np.ndarray) -> np.ndarray:
        """Positions along the edge, (n,) mm, as -1 .. 1 over its span."""
        low, high = self.span_mm
        return (2 * along_mm - low - high) / (high - low)


@dataclass(frozen=True)
class Edge:
    """An edge at :data:`STEPS` equal steps over its span: ``outward_mm`` (n,), away from the opening, with the standard
    uncertainty ``fit_mm`` (n,) of the fit; ``sd_mm`` by other causes; ``through_mm``: where it is along that axis."""

    place: Place
    outward_mm: np.ndarray
    fit_mm: np.ndarray
    sd_mm: dict[str, float]
    through_mm: float


def clear(high: Edge, low: Edge) -> tuple[End, End]:
    """The ends of the least clear distance of two opposite edges, side by side."""
    step = int(np.argmin(high.outward_mm + low.outward_mm))
    return _end(high, step), _end(low, step)


def _end(edge: Edge, step: int) -> End:
    place = edge.place
    point = np.empty(3)
    point[place.across] = place.sign * edge.outward_mm[step]
    point[place.along] = np.linspace(*place.span_mm, STEPS)[step]
    point[place.through] = edge.through_mm
    return End(point, edge.sd_mm | {"edge": float(edge.fit_mm[step])})


def find(shell: Shell, place: Place) -> Edge | NotFound:
    """The edge of an opening near a :class:`Place`, from the cleaned points: the model's surface reaches over rims.

    Where the face of the passage was scanned, it is a fit to that face. Else the wall ends up to a spacing beyond its
    last points, and the edge is taken in the middle of that. NotFound where neither was seen well.
    """
    points, normals = shell.points_in(*place.box_mm, THINNED_MM)
    if len(points) < LEAST_POINTS:
        return NotFound("it was not seen")
    spacing_mm = _spacing(points)
    faces = points[-place.sign * normals[:, place.across] > FACING]
    if not _has_face(points, faces, place, max(STRIP * spacing_mm, 10.0)):
        found = _last_points(points, place, spacing_mm)
    else:
        found = _face(faces, place, spacing_mm, shell.scan.noise_mm)
    if isinstance(found, Edge) and not _in_the_wall(points, normals, found, spacing_mm):
        return NotFound("no wall was seen beside it")
    return found


def _has_face(points: np.ndarray, faces: np.ndarray, place: Place, width_mm: float) -> bool:
    """Whether ``faces`` (k, 3) of the points (n, 3) near an edge are a passage's: seen in some strips, and no points
    lie further into the opening, as a thin sill does before the floor."""
    if not len(faces):
        return False
    faced = _strips(faces, place, width_mm)
    everything = _strips(points, place, width_mm)
    behind_mm = float(np.median(faced.innermost) - np.median(everything.innermost))
    return faced.share >= UNFACED and behind_mm < FACE_MM


def _in_the_wall(points: np.ndarray, normals: np.ndarray, edge: Edge, spacing_mm: float) -> bool:
    """Whether the wall goes on beyond an edge: else the edge is that of the room. The floor may end an opening."""
    place = edge.place
    if place.across == 2 and place.sign < 0:
        return True
    beyond = place.sign * points[:, place.across] > float(np.median(edge.outward_mm)) + spacing_mm
    wall = points[beyond & (np.abs(normals[:, place.through]) > FACING)]
    return len(wall) > 0 and _strips(wall, place, max(2 * STRIP * spacing_mm, 20.0)).share > WALLED


def _spacing(points: np.ndarray) -> float:
    """Distance of neighbours on a surface of the same density in a square pattern, mm: half of the points have more."""
    distance, _ = cKDTree(points).query(points, k=NEIGHBOURS + 1)
    return float(np.median(distance[:, -1]) * np.sqrt(np.pi / NEIGHBOURS))


def _rows(scaled: np.ndarray) -> np.ndarray:
    """Rows (n, 3) of a second-order curve along an edge: door frames are bowed."""
    return np.column_stack([np.ones(len(scaled)), scaled, scaled**2])


@dataclass(frozen=True)
class Strips:
    """Strips across an edge: their ``middles`` (n,), -1 .. 1 of the span; the ``innermost`` point of each, (n,) mm
    outward; ``counts`` (n,) of points; ``share`` of all strips that have any; their ``width_mm``."""

    middles: np.ndarray
    innermost: np.ndarray
    counts: np.ndarray
    share: float
    width_mm: float


def _strips(points: np.ndarray, place: Place, width_mm: float) -> Strips:
    low, high = place.span_mm
    count = max(int((high - low) / width_mm), 1)
    width_mm = (high - low) / count
    strip = np.minimum(((points[:, place.along] - low) / width_mm).astype(np.int64), count - 1)
    numbers, strip = np.unique(strip, return_inverse=True)
    innermost = np.full(len(numbers), np.inf)
    np.minimum.at(innermost, strip, place.sign * points[:, place.across])
    middles = place.scaled(low + (numbers + 0.5) * width_mm)
    return Strips(middles, innermost, np.bincount(strip), len(numbers) / count, width_mm)


def _curve(middles: np.ndarray, values: np.ndarray, cell_mm: float) -> tuple[np.ndarray, robust.Step]:
    """A robust curve (3,) through values of strips, and the last step of its fit."""
    start = np.array([np.median(values), 0.0, 0.0])
    return plane_fit.solve(
        _rows(middles), values, start, robust.blocks_along(middles, BLOCKS), (2 * cell_mm, cell_mm, cell_mm / 2)
    )


def _last_points(points: np.ndarray, place: Place, spacing_mm: float) -> Edge | NotFound:
    """The edge from the last points of the wall in strips across it."""
    if spacing_mm > SPARSE_MM:
        return NotFound(f"its points lie {spacing_mm:.0f} mm apart, at most {SPARSE_MM:.0f} mm are allowed")
    strips = _strips(points, place, STRIP * spacing_mm)
    if strips.share < SEEN or len(strips.middles) < LEAST_STRIPS:
        return NotFound(f"it was seen over {strips.share:.0%} of its length")
    line, step = _curve(strips.middles, strips.innermost, place.cell_mm)
    if not np.isfinite(step.covariance).all():
        return NotFound("too little of it was seen")
    scatter = robust.MAD_TO_SD * float(np.median(np.abs(strips.innermost - _rows(strips.middles) @ line)))
    if scatter > STRAIGHT * spacing_mm:
        return NotFound("its end is ragged, as that of a scan is")
    rows = _rows(np.linspace(-1, 1, STEPS))
    fit_mm = np.sqrt(np.einsum("ni,ij,nj->n", rows, step.covariance, rows))
    if fit_mm.max() > UNSURE * spacing_mm:
        return NotFound("its end is ragged, as that of a scan is")
    # the median of the gap between random points and the edge; of even points it is 0.1 spacings less
    beyond_mm = float(np.log(2.0)) * spacing_mm**2 / strips.width_mm
    spacing = {"spacing": uncertainty_budget.rectangular_sd_mm(spacing_mm / 2)}
    near = np.abs(place.sign * points[:, place.across] - np.median(strips.innermost)) < place.cell_mm
    return Edge(place, rows @ line - beyond_mm, fit_mm, spacing, float(np.median(points[near, place.through])))


def _face(points: np.ndarray, place: Place, spacing_mm: float, noise_mm: float) -> Edge | NotFound:
    """The face of the passage from points that face across it.

    Its innermost line counts: slant and rounding through the wall are fitted. What the face still deviates from the fit
    is in the budget.
    """
    strips = _strips(points, place, max(STRIP * spacing_mm, 10.0))
    along, outward = place.scaled(points[:, place.along]), place.sign * points[:, place.across]
    share = strips.share
    if len(strips.middles) >= LEAST_STRIPS:
        line, _ = _curve(strips.middles, strips.innermost, place.cell_mm)
        near = np.abs(outward - _rows(along) @ line) < FACE_MM
        points, along, outward = points[near], along[near], outward[near]
        share = _strips(points, place, strips.width_mm).share if len(points) else 0.0
    if share < FACED:
        return NotFound(f"the face of its passage was seen over {share:.0%} of its length")
    if len(points) < LEAST_POINTS or len(strips.middles) < LEAST_STRIPS:
        return NotFound(f"the face of its passage has {len(points)} points only")
    depth = points[:, place.through]
    first, last = np.percentile(depth, (5, 95))
    scaled = (2 * depth - first - last) / max(last - first, 1e-9)
    fitted = _surface(along, scaled if last - first > NARROW_MM else None, outward, line)
    if fitted is None:
        return NotFound("the face of its passage is not smooth")
    rows, solution, covariance, residual, used = fitted
    fit_mm = np.sqrt(np.einsum("ni,ij,nj->n", rows, covariance, rows))
    shape_mm = _misfit(residual[used], along[used], scaled[used])
    causes = {"noise": noise_mm / np.sqrt(used.sum()), "shape": shape_mm}
    return Edge(place, rows @ solution, fit_mm, causes, float(np.median(depth[used])))


def _surface(
    along: np.ndarray, depth: np.ndarray | None, outward: np.ndarray, line: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray] | None:
    """A robust surface through a face: rows (STEPS, p) of its innermost line, solution (p,), covariance (p, p),
    residuals (n,) of the points and which of them were used. None with too few.

    ``along`` and ``depth`` (n,), -1 .. 1. Bow and lean along the edge, and rounding and slant through the wall, are
    fitted where they are significant only: the least of a surface that errs is biased.
    """
    columns = [np.ones_like(along), along, along**2]
    if depth is not None:
        columns += [depth, depth**2]
    design, start = np.column_stack(columns), np.append(line, np.zeros(len(columns) - 3))
    keep = np.ones(len(start), bool)
    block = robust.blocks_along(along, BLOCKS)
    for pair in (slice(3, 5), slice(1, 3), None):
        solution, step = plane_fit.solve(design[:, keep], outward, start[keep], block, LIMITS_MM)
        used = step.weights > 0.0
        if used.sum() < LEAST_POINTS or not np.isfinite(step.covariance).all():
            return None
        full, covariance = np.zeros(len(keep)), np.zeros((len(keep), len(keep)))
        full[keep], covariance[np.ix_(keep, keep)] = solution, step.covariance
        if pair is not None and keep[pair].any():
            terms = full[pair]
            keep[pair] = terms @ np.linalg.solve(covariance[pair, pair], terms) > SIGNIFICANT
            start = np.where(keep, full, 0.0)
    steps = np.linspace(-1, 1, STEPS)
    rows = np.column_stack([np.ones(STEPS), steps, steps**2])
    if depth is not None:
        at = steps[np.argmin(np.column_stack([steps, steps**2]) @ full[3:])] if keep[3] else 0.0
        rows = np.column_stack([rows, np.full(STEPS, at), np.full(STEPS, at**2)])
    return rows, full, covariance, outward - design @ full, used


def _misfit(residual: np.ndarray, along: np.ndarray, depth: np.ndarray) -> float:
    """Root mean square of the means of residuals (n,) in cells of a face, mm, less what noise gives them."""
    column = np.clip(((along + 1) / 2 * CELLS[0]).astype(np.int64), 0, CELLS[0] - 1)
    row = np.clip(((depth + 1) / 2 * CELLS[1]).astype(np.int64), 0, CELLS[1] - 1)
    cell = column * CELLS[1] + row
    counts = np.bincount(cell, minlength=CELLS[0] * CELLS[1])
    full = counts > 3
    if not full.any():
        return float(residual.std())
    means = np.bincount(cell, residual, len(counts))[full] / counts[full]
    squares = np.bincount(cell, residual**2, len(counts))[full] / counts[full]
    by_noise = (squares - means**2) / (counts[full] - 1)
    return float(np.sqrt(max(float(np.mean(means**2 - by_noise)), 0.0)))

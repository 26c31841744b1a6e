"""Losses of track in a capture run: found, located, and the pieces of the run fitted to each other again.

The run is divided into stretches of equal numbers of points. Those that show the same surface are linked by distances
along the normal; a step in the pose beside which neither noise nor drift explains these distances is a slip. The search
ends when no further step is significant.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from nightbay.core import rigid
from nightbay.tracking import capture_order, displacement, locate, step_test, stretches
from nightbay.tracking.capture_order import CaptureOrder
from nightbay.tracking.links import LEVER_MM
from nightbay.tracking.result import NOT_RIGID, ONLY_NOTED, OTHER_STAYS, UNDETERMINED, Slip, Tracking
from nightbay.tracking.step_test import Fitted
from nightbay.tracking.stretches import Points, Stretches

MOST_STRETCHES, FEWEST_STRETCHES = 120, 20  # a run's path of 60 m is 0.5 m in each, about a field of view
POINTS_A_STRETCH = 2000  # at least: a field of view in surfels of the largest cells
FINER = 8  # parts into which the stretches around a slip are divided to find its moment
AHEAD = 2  # further slips that are tried where pieces do not fit each other: with one unknown no two may
MOST_SLIPS = 4  # a run that lost its track more often is of no use
NEVER_BACK = "it never comes back over a surface that it has seen"
APART = POINTS_A_STRETCH // 4  # points between two slips, or between one and an end of the run, at least
SURE = 2.0  # standard deviations by which the found displacement must exceed its own worst uncertainty to be undone
SAMPLE_STEP = 20  # of the surfels over which a displacement is averaged
RIGID = 3.0  # residual between fitted pieces against that within pieces: beyond it the change was no rigid motion


@dataclass(frozen=True)
class Track:
    """Pieces of a run: ``tracking`` as found, and how to undo it.

    ``order`` of capture, None where nothing was tested; ``keys`` (s,): the first displaced point of each slip, its time
    or its number from 0; ``poses`` (s, 4, 4) that carry the piece after each slip to its place.
    """

    tracking: Tracking
    order: CaptureOrder | None
    keys: np.ndarray
    poses: np.ndarray

    def placed(self, xyz_mm: np.ndarray, normal: np.ndarray | None, start: int) -> tuple[np.ndarray, np.ndarray | None]:
        """Points (n, 3) and normals of the file from row ``start`` on, those after a slip moved to their place."""
        if not any(slip.moved for slip in self.tracking.slips):
            return xyz_mm, normal
        stop = start + len(xyz_mm)
        time = self.order.time if self.order is not None else None
        key = np.arange(start, stop) if time is None else np.asarray(time[start:stop])
        piece = np.searchsorted(self.keys, key, side="right")
        xyz_mm, normal = np.array(xyz_mm), None if normal is None else np.array(normal)
        for number, T in enumerate(self.poses, start=1):
            rows = piece == number
            xyz_mm[rows] = rigid.transform(T, xyz_mm[rows])
            if normal is not None:
                normal[rows] = rigid.rotate(T, normal[rows])
        return xyz_mm, normal


def find(
    xyz_mm: np.ndarray,
    normal: np.ndarray | None,
    time: np.ndarray | None,
    noise_mm: float,
    drift_mm_per_m: float,
    move: bool,
) -> Track:
    """The :class:`Track` of a run with the points and normals (n, 3) and the times (n,) of a file, in its order.

    ``noise_mm`` of a point; ``drift_mm_per_m``: the least that the run's drift is taken for; ``move``: what came after
    a slip is moved back, else slips are only located and measured, and :meth:`Track.placed` changes nothing. A few
    bytes a point are held where a time column is not in order, and else no more than :data:`stretches.MOST_POINTS` of
    each stretch.
    """
    order = capture_order.find(xyz_mm, time)
    if order is None:
        return _untested(None, "its file does not keep the order in which the points were captured")
    count = min(MOST_STRETCHES, len(xyz_mm) // POINTS_A_STRETCH)
    if count < FEWEST_STRETCHES:
        return _untested(order, "it has too few points")
    points = Points(xyz_mm, normal, order)
    while count >= FEWEST_STRETCHES:
        bounds = np.linspace(0, len(xyz_mm), count + 1).astype(np.int64)
        edge_mm = stretches.cell_mm(points, bounds)
        if edge_mm is not None:
            return _Search(points, edge_mm, noise_mm, drift_mm_per_m, move).run(bounds)
        count //= 2  # longer stretches hold more points on the same surface
    return _untested(order, "its points lie too far apart")


def _untested(order: CaptureOrder | None, why: str) -> Track:
    tracking = Tracking(None if order is None else order.by, why, 0.0, None, [])
    return Track(tracking, order, np.empty(0), np.empty((0, 4, 4)))


@dataclass(frozen=True)
class _Search:
    """Search for the slips of a run, with what stays the same in it."""

    points: Points
    edge_mm: float
    noise_mm: float
    drift_mm_per_m: float
    move: bool

    def run(self, bounds: np.ndarray) -> Track:
        """The :class:`Track` of the run in stretches of these ``bounds``."""
        at: list[int] = []  # numbers of the first displaced points
        poses: list[np.ndarray] = []
        while True:
            divided = _with(bounds, at)
            fitted = self.fitted(divided, at, poses)
            if fitted is None:
                return _untested(self.points.order, NEVER_BACK)
            poses = list(fitted.poses)
            cuts = [int(np.searchsorted(divided, number)) for number in at]
            rigid_all = all(self.is_rigid(fitted, known) for known in cuts)
            # a slip not yet found leaves the pieces around the others without a fit; a bending run never gets one
            if rigid_all or len(at) == 1:
                kept = fitted, divided, list(at)
            cut = self.next_slip(fitted, cuts) if rigid_all or len(at) - len(kept[2]) < AHEAD else None
            if cut is None or len(at) == MOST_SLIPS:
                return self.pruned(*kept)
            number = self.located(divided, cut, at, poses)
            if not _is_apart(number, [0, *at, len(self.points.xyz_mm)]):
                return self.pruned(*kept)
            before = int(np.searchsorted(at, number))
            poses.insert(before, poses[before - 1] if before else np.eye(4))
            at.insert(before, number)

    def pruned(self, fitted: Fitted, bounds: np.ndarray, at: list[int]) -> Track:
        """The result without slips that are no longer significant beside those found after them."""
        while at:
            cuts = [int(np.searchsorted(bounds, number)) for number in at]
            squared = fitted.squared(cuts)
            least = int(np.argmin(squared))
            if squared[least] > fitted.assessed.threshold:
                break
            at = [*at[:least], *at[least + 1 :]]
            again = self.fitted(bounds, at, [*fitted.poses[:least], *fitted.poses[least + 1 :]])
            assert again is not None
            fitted = again
        return self.track(fitted, bounds, at)

    def build(self, bounds: np.ndarray) -> Stretches:
        return stretches.build(self.points, bounds, self.edge_mm, self.noise_mm)

    def fitted(self, bounds: np.ndarray, at: Sequence[int], poses: Sequence[np.ndarray]) -> Fitted | None:
        cuts = [int(np.searchsorted(bounds, number)) for number in at]
        return step_test.fit(self.build(bounds), cuts, poses, self.noise_mm, self.drift_mm_per_m)

    def next_slip(self, fitted: Fitted, cuts: Sequence[int]) -> int | None:
        """The stretch at which a further step is most significant, None where none is."""
        assessed = fitted.assessed
        squared = assessed.squared(cuts)
        cut = int(np.argmax(squared))
        if squared[cut] <= assessed.threshold or not step_test.is_confirmed(assessed, fitted.stretches, cuts, cut):
            return None
        every = sorted([*cuts, cut])
        step = assessed.evidence.step(every)[0][every.index(cut)]
        in_view = fitted.stretches.of(cut)[0] - assessed.linked.centre_mm
        # a step below the noise of a point is not worth a cut
        return cut if displacement.rms_mm(step, in_view) > self.noise_mm else None

    def located(self, bounds: np.ndarray, cut: int, at: Sequence[int], poses: Sequence[np.ndarray]) -> int:
        """Number of the first point after the slip that lies near the beginning of stretch ``cut``."""
        low, high = max(cut - 2, 0), min(cut + 2, len(bounds) - 1)
        parts = int(np.clip((bounds[high] - bounds[low]) // (high - low) // POINTS_A_STRETCH, 1, FINER))
        finer = np.interp(np.linspace(low, high, parts * (high - low) + 1), np.arange(len(bounds)), bounds)
        finer = np.concatenate([bounds[:low], finer.astype(np.int64), bounds[high + 1 :], at])
        finer = np.unique(finer).astype(np.int64)
        cuts = [int(np.searchsorted(finer, number)) for number in at]
        start = int(np.searchsorted(finer, bounds[cut]))
        if parts > 1:
            moved = self.build(finer).moved(cuts, poses)
            assessed = step_test.assess(moved, cuts, self.noise_mm, self.drift_mm_per_m)
            if assessed is not None:
                near = (finer[:-1] > bounds[low]) & (finer[:-1] < bounds[high])
                start = int(np.argmax(np.where(near, assessed.squared(cuts), -1.0)))
        number = int(finer[start])
        before = int(np.searchsorted(at, number))
        start_poses = [*poses[:before], poses[before - 1] if before else np.eye(4), *poses[before:]]
        fitted = self.fitted(finer, [*at[:before], number, *at[before:]], start_poses)
        if fitted is None:
            return number
        both = (fitted.poses[before - 1] if before else np.eye(4), fitted.poses[before])
        return locate.first_displaced(self.points, fitted.stretches, start, both, self.noise_mm)

    def track(self, fitted: Fitted, bounds: np.ndarray, at: Sequence[int]) -> Track:
        """The result of the search."""
        assessed, order = fitted.assessed, self.points.order
        cuts = [int(np.searchsorted(bounds, number)) for number in at]
        covariances = assessed.covariance(cuts) if cuts else np.empty((0, 6, 6))
        squared = fitted.squared(cuts)
        before = [np.eye(4), *fitted.poses]
        # carries each later piece's raw points to the piece before it
        undone = [rigid.invert(B) @ T for B, T in zip(before, fitted.poses, strict=False)]
        reasons = [self.not_moved(fitted, *each) for each in zip(cuts, undone, covariances, strict=True)]
        stays = any(reasons)  # a piece whose neighbour has no certain place has none either
        found = [
            self.slip(
                fitted,
                cut,
                at[number],
                np.eye(4) if stays else fitted.poses[number],
                undone[number],
                squared[number],
                covariances[number],
                (reasons[number] or OTHER_STAYS) if stays else None,
            )
            for number, cut in enumerate(cuts)
        ]
        shares = assessed.testable[1:]
        tracking = Tracking(order.by, None, float(shares.mean()), _detectable_mm(fitted), found)
        keys = np.array([number if order.time is None else order.time[order.row(number)] for number in at])
        return Track(tracking, order, keys, np.array([slip.T_segment_later for slip in found]).reshape(-1, 4, 4))

    def not_moved(self, fitted: Fitted, cut: int, undone: np.ndarray, covariance: np.ndarray) -> str | None:
        """Why the piece that begins at stretch ``cut`` can't be moved by ``undone``, (4, 4); None where it can."""
        linked = fitted.assessed.linked
        later = fitted.stretches.xyz_mm[fitted.stretches.start[cut] :: SAMPLE_STEP]
        found_mm = np.sqrt(np.mean(np.sum((rigid.transform(undone, later) - later) ** 2, axis=1)))
        spread = displacement.covariance_at(later - linked.centre_mm, covariance).mean(axis=0)
        unsure_mm = float(np.sqrt(np.linalg.eigvalsh(spread)[-1]))
        if not fitted.assessed.testable[cut] or SURE * unsure_mm > found_mm:
            return UNDETERMINED
        if not self.is_rigid(fitted, cut):
            return NOT_RIGID
        return None if self.move else ONLY_NOTED

    def is_rigid(self, fitted: Fitted, cut: int) -> bool:
        """Whether the pieces before and after stretch ``cut`` fit each other about as well as they fit themselves."""
        linked = fitted.assessed.linked
        crossing = linked.crossing(cut)
        within_mm = np.median(linked.rms_mm[~crossing]) if not crossing.all() else 0.0
        return bool(np.median(linked.rms_mm[crossing]) <= RIGID * max(within_mm, self.noise_mm))

    def slip(
        self,
        fitted: Fitted,
        cut: int,
        number: int,
        place: np.ndarray,
        undone: np.ndarray,
        squared: float,
        covariance: np.ndarray,
        reason: str | None,
    ) -> Slip:
        """The record of one slip."""
        linked, order = fitted.assessed.linked, self.points.order
        view = fitted.stretches.centres_mm[cut]
        shift = rigid.transform(undone, view[None])[0] - view
        turn = Rotation.from_matrix(undone[:3, :3]).as_rotvec()
        at_view = displacement.covariance_at((view - linked.centre_mm)[None], covariance)[0]
        crossing = linked.crossing(cut)
        scale = np.repeat([1.0 / LEVER_MM, 1.0], 3)
        return Slip(
            at_share=number / len(self.points.xyz_mm),
            at_point=number + 1,
            at_time=None if order.time is None else float(order.time[order.row(number)]),
            shift_mm=float(np.linalg.norm(shift)),
            shift_sd_mm=displacement.sd_along(shift, at_view),
            rotation_deg=float(np.degrees(np.linalg.norm(turn))),
            rotation_sd_deg=float(np.degrees(displacement.sd_along(turn, covariance[:3, :3]) / LEVER_MM)),
            T_segment_later=place,
            covariance=rigid.covariance_at_origin(covariance * np.outer(scale, scale), linked.centre_mm),
            squared_mahalanobis=float(squared),
            threshold=fitted.assessed.threshold,
            residual_mm=float(np.median(linked.rms_mm[crossing])) if crossing.any() else 0.0,
            moved=reason is None,
            reason=reason,
        )


def _with(bounds: np.ndarray, at: Sequence[int]) -> np.ndarray:
    """Bounds of stretches, (k + 1,), with those nearest to the numbers ``at`` replaced by these."""
    kept = bounds[1:-1]
    for number in at:
        kept = kept[np.abs(kept - number) > POINTS_A_STRETCH / 2]
    return np.unique(np.concatenate([bounds[:1], kept, bounds[-1:], at])).astype(np.int64)


def _is_apart(number: int, others: Sequence[int]) -> bool:
    return all(abs(number - other) >= APART for other in others)


def _detectable_mm(fitted: Fitted) -> float | None:
    """Shift in its worst direction that is found in half of all cases, mm, at the median moment that can be tested."""
    assessed, from_centre = fitted.assessed, fitted.stretches.centres_mm - fitted.assessed.linked.centre_mm
    sizes = []
    for cut in np.flatnonzero(assessed.testable):
        covariance = assessed.covariance([int(cut)])[0]
        worst = np.linalg.eigvalsh(displacement.covariance_at(from_centre[cut][None], covariance)[0])[-1]
        sizes.append(np.sqrt(assessed.threshold * worst))
    return float(np.median(sizes)) if sizes else None

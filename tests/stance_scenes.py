"""Scanned vehicles whose body stands differently on its wheels in some segments, as clean and refine would leave them.

Truth: in the vehicle frame, the body is where the mesh has it. In a segment that moved, wheels and floor (or a door)
are moved against it before drift, noise and the error of the pose are laid on, because poses follow the body's targets.
"""

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from scipy.spatial.transform import Rotation

import blockcar
import bodies
import part_results
import shapes
import simulate
import survey
import vehicles
import viewpoints
from nightbay.clean.result import SegmentGround
from nightbay.clouds import cloud
from nightbay.core import rigid
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from scan_errors import GROUND, NOISIER, SURFACE, TARGET, walk

BLOCKCAR_SCALE = 1.2
TARGET_SPACING_MM, TARGET_NOISE_MM = 190.0, 0.05
REST_MM = 3.0  # wheels and floor: how far beyond the tyre a point still counts as the wheel's
PLANS = {  # runs of a plan: names of sides, or shares of the way round (from the middle of the front, over the right)
    "sides": ("left", "right", "front", "rear"),
    "five": ("left", "right", "front", "rear", "roof"),
    "thirds": ((-0.06, 0.36), (0.28, 0.70), (0.62, 1.02)),
    "twice": ((-0.06, 0.36), (0.28, 0.70), (0.62, 1.02), (0.60, 1.00)),  # the left side, with the door, two times
    "thrice": ((-0.06, 0.40), (0.36, 0.70), (0.62, 1.02), (0.60, 1.00), (0.58, 1.04)),
    "halves": ((-0.06, 0.56), (0.44, 1.06)),
}


@dataclass(frozen=True)
class Vehicle:
    """A mesh to scan: its wheels' centres (k, 3) on the outer faces, their radius, widths; a door's box (2, 3)."""

    body: bodies.Body
    wheels_mm: np.ndarray
    radius_mm: float
    width_mm: float
    door_mm: np.ndarray


@dataclass(frozen=True)
class Motion:
    """How wheels and floor stand against the body in a segment: ``drop_mm`` of the body at the vehicle's zero,
    ``roll_deg`` of the body to the right, ``pitch_deg`` nose down."""

    drop_mm: float = 0.0
    roll_deg: float = 0.0
    pitch_deg: float = 0.0

    def rise_mm(self, x_mm, y_mm):
        """How much higher the floor stands in the body's frame there, (n,)."""
        slopes = np.tan(np.radians([self.roll_deg, self.pitch_deg]))
        return self.drop_mm + slopes[0] * np.asarray(y_mm) - slopes[1] * np.asarray(x_mm)


@dataclass(frozen=True)
class Case:
    """What happened in a job: ``motions`` {segment number: Motion}, ``doors`` {segment number: how far the door stands
    open at its rear edge, mm}; ``steer_deg`` of the front wheels; ``steered`` {segment number: deg} of one segment
    more; ``floor_mm``: rms unevenness of the floor; ``drift_mm_per_m``; ``noise_mm``; ``glossy``: factor of the noise
    of tyres and rims."""

    motions: dict = field(default_factory=dict)
    doors: dict = field(default_factory=dict)
    steer_deg: float = 0.0
    floor_mm: float = 1.0
    drift_mm_per_m: float = 0.03
    noise_mm: float = 0.1
    glossy: float = 1.0


@lru_cache(maxsize=3)
def vehicle(name):
    """A vehicle by name: "compact", "van" or "block"."""
    if name == "block":
        mesh = blockcar.car()
        mesh.apply_scale(BLOCKCAR_SCALE)
        body = bodies.of_mesh(mesh, bodies.PAINT)
        radius, width = blockcar.RADIUS * BLOCKCAR_SCALE, 200.0 * BLOCKCAR_SCALE
        half = (blockcar.WIDTH / 2 - 10) * BLOCKCAR_SCALE
        wheels = [[x, side * half, radius] for x in (0.0, blockcar.WHEELBASE * BLOCKCAR_SCALE) for side in (-1.0, 1.0)]
        door = BLOCKCAR_SCALE * np.array([[500.0, -900.0, 300.0], [1500.0, -700.0, 690.0]])
        return Vehicle(body, np.array(wheels), radius, width, door)
    build, shape = {"compact": (vehicles.compact, shapes.COMPACT), "van": (vehicles.panel_van, shapes.VAN)}[name]
    body = build()
    tyre = body.vertices_mm[np.unique(body.faces[body.material == bodies.RUBBER])]
    tyre = tyre[tyre[:, 2] < 900.0]
    wheels, radius = [], 0.0
    for x in (0.0, shape.wheelbase):
        for side in (-1.0, 1.0):
            mine = tyre[(np.abs(tyre[:, 0] - x) < 500.0) & (np.sign(tyre[:, 1]) == side)]
            radius = float(mine[:, 2].max() - mine[:, 2].min()) / 2
            wheels.append([x, side * float(np.abs(mine[:, 1]).max()), radius])
    low, high = body.bounds_mm
    door = np.array([[0.28 * shape.wheelbase, low[1], 0.28 * high[2]], [0.62 * shape.wheelbase, 0.0, 0.52 * high[2]]])
    return Vehicle(body, np.array(wheels), radius, 260.0, door)


@dataclass(frozen=True)
class Run:
    """Points of a run without errors, vehicle frame: ``true`` (n, 3), ``normals``, ``noisier`` (n,) factors, their
    ``view``; which are of the ``floor``, of ``wheel`` k (else -1), of the ``door``; the path ``views``; the ``targets``
    that it saw, (t, 3)."""

    name: str
    true: np.ndarray
    normals: np.ndarray
    noisier: np.ndarray
    view: np.ndarray
    floor: np.ndarray
    wheel: np.ndarray
    door: np.ndarray
    views: viewpoints.Viewpoints
    targets: np.ndarray


@lru_cache(maxsize=4)
def runs(name, plan, points=300_000, seed=1):
    """The runs of a plan on a vehicle, each with its points before any error."""
    car, found = vehicle(name), []
    marks = survey.targets(car.body, TARGET_SPACING_MM, seed=seed)
    for number, way in enumerate(PLANS[plan]):
        if isinstance(way, str):
            views = viewpoints.side(car.body, way, seed=seed + number, with_top=plan == "sides")
        else:
            views = viewpoints.wall(car.body, *way, seed=seed + number)
        scan = simulate.scan(
            car.body,
            views,
            points=points // len(PLANS[plan]),
            noise_mm=0.0,
            seed=seed * 100 + number,
            faults=replace(simulate.PERFECT, dropouts=True),
            T_vehicle_segment=np.eye(4),
        )
        some = scan.all_points()
        keep = np.isin(some.label, (SURFACE, TARGET, GROUND))
        true, normals, view = some.true_mm[keep], some.normals[keep].astype(float), some.view[keep]
        floor = some.label[keep] == GROUND
        off = true[:, None] - car.wheels_mm
        round_ = np.hypot(off[..., 0], off[..., 2]) < car.radius_mm + REST_MM
        inward = -np.sign(car.wheels_mm[:, 1]) * off[..., 1]
        inside = round_ & (inward > -60.0) & (inward < car.width_mm + 60.0)
        wheel = np.where(inside.any(axis=1) & ~floor, inside.argmax(axis=1), -1)
        door = np.all((true > car.door_mm[0]) & (true < car.door_mm[1]), axis=1) & (wheel < 0) & ~floor
        seen = survey.target_list(scan, marks, seed=seed + number, noise_mm=0.0).truth
        # noise of tyres is half as large again, of rims as of paint
        noisier = np.where(floor, NOISIER[bodies.GROUND], np.where(wheel >= 0, 1.5, 1.0))
        title = way if isinstance(way, str) else f"run {number + 1}"
        found.append(
            Run(
                title, true, normals, noisier, view, floor, wheel, door, views, marks.xyz_mm[np.unique(seen[seen >= 0])]
            )
        )
    return found


def names(name, plan):
    """Names of the segments of a plan, in the order of its runs."""
    return [way if isinstance(way, str) else f"run {number + 1}" for number, way in enumerate(PLANS[plan])]


def _unevenness(rng, rms_mm):
    """A floor: waves of 0.7 to 5 m in all directions, as a function of (n, 2) mm."""
    count = 12
    length, turn, phase = 10 ** rng.uniform(2.85, 3.7, count), rng.uniform(0, np.pi, count), rng.uniform(0, 7, count)
    size = rng.normal(0, 1, count) * length / np.linalg.norm(length)
    waves = 2 * np.pi / length * np.array([np.cos(turn), np.sin(turn)])
    return lambda xy: np.sin(xy @ waves + phase) @ size * rms_mm * np.sqrt(2.0)


def job(folder, name, plan, case, seed, points=300_000):
    """What clean and refine would leave of a job, {"clean", "refine"}, and T_control_vehicle."""
    rng = np.random.default_rng([seed, 5])
    car, uneven = vehicle(name), _unevenness(rng, case.floor_mm)
    T_control_vehicle = rigid.pose(blockcar.rotation(rng), rng.uniform(-2000, 2000, 3))
    cleaned, poses = [], {}
    for number, run in enumerate(runs(name, plan, points)):
        true, normals = _stand(run, car, case, number, uneven)
        rest = rng.normal(0, 1, len(true)) * run.noisier * case.noise_mm * np.where(run.wheel >= 0, case.glossy, 1.0)
        errors = walk(run.views, case.drift_mm_per_m, rng)
        seen = _drifted(run.views, errors, true + rest[:, None] * normals, run.view)
        T_segment_vehicle = simulate.random_frame(rng)
        pose, covariance = _pose(run, errors, T_segment_vehicle, T_control_vehicle, rng)
        poses[run.name] = part_results.pose(pose, covariance)
        cleaned.append(_write(folder / run.name, run, seen, normals, T_segment_vehicle))
    refined = typed.write(part_results.refine(poses))
    refine = Upstream("refine", "job", "exterior", None, "ok", [], [], refined, folder)
    return {"clean": cleaned, "refine": refine}, T_control_vehicle


def _stand(run, car, case, number, uneven):
    """Points and normals of a run as they stood while it was captured, vehicle frame of the body."""
    true, normals = run.true.copy(), run.normals.copy()
    for at, steer in ((at, case.steer_deg) for at in range(2)):
        mine = run.wheel == at
        turn = Rotation.from_euler("z", steer, degrees=True).as_matrix()
        middle = car.wheels_mm[at] - [0.0, np.sign(car.wheels_mm[at, 1]) * car.width_mm / 2, 0.0]
        true[mine], normals[mine] = (true[mine] - middle) @ turn.T + middle, normals[mine] @ turn.T
    true[run.floor, 2] += uneven(true[run.floor, :2])
    motion = case.motions.get(number)
    if motion is not None:
        moved = run.floor | (run.wheel >= 0)
        turn = Rotation.from_rotvec(np.radians([motion.roll_deg, motion.pitch_deg, 0.0])).as_matrix()
        true[moved] = true[moved] @ turn.T + [0.0, 0.0, motion.drop_mm]
        normals[moved] = normals[moved] @ turn.T
    if case.doors.get(number):
        hinge = np.array([car.door_mm[0, 0], 0.0, 0.0])
        angle = case.doors[number] / (car.door_mm[1, 0] - hinge[0])
        side = np.sign(car.door_mm.mean(axis=0)[1])
        turn = Rotation.from_rotvec([0.0, 0.0, side * angle]).as_matrix()
        hinge[1] = np.median(true[run.door, 1]) if run.door.any() else 0.0
        true[run.door] = (true[run.door] - hinge) @ turn.T + hinge
        normals[run.door] = normals[run.door] @ turn.T
    return true, normals


def _drifted(views, errors, xyz_mm, view):
    """Points as the drifting scanner places them from their viewpoints, as :meth:`simulate.Scan.drifted` does."""
    shift, turn = errors
    return xyz_mm + shift[view] + np.cross(turn[view], xyz_mm - views.position_mm[view])


def _pose(run, errors, T_segment_vehicle, T_control_vehicle, rng):
    """The pose from noisy, drifting targets with the covariance that a network would state."""
    nearest = np.array([np.argmin(np.sum((run.views.aim_mm - at) ** 2, axis=1)) for at in run.targets])
    marks = _drifted(run.views, errors, run.targets, nearest) + rng.normal(0, TARGET_NOISE_MM, run.targets.shape)
    measured = rigid.transform(T_segment_vehicle, marks)
    known = rigid.transform(T_control_vehicle, run.targets)
    pose = rigid.fit(known, measured)
    sd = np.sqrt(np.mean((rigid.transform(pose, measured) - known) ** 2) * len(known) / (len(known) - 2))
    centre = known.mean(axis=0)
    J = np.concatenate([-rigid.cross_matrix(known - centre), np.tile(np.eye(3), (len(known), 1, 1))], axis=2)
    covariance = np.linalg.inv(np.einsum("nki,nkj->ij", J, J)) * sd**2
    return pose, rigid.covariance_at_origin(covariance, centre)


def _write(folder, run, seen, normals, T_segment_vehicle):
    """The working cloud of a run, its removed floor, and clean's record."""
    xyz, normal = rigid.transform(T_segment_vehicle, seen), rigid.rotate(T_segment_vehicle, normals)
    origin = np.round(xyz.mean(axis=0))
    body = ~run.floor
    cloud.write(
        folder, [cloud.Cloud((xyz[body] - origin).astype(np.float32), normal[body].astype(np.float32))], origin, 256.0
    )
    floor = xyz[run.floor]
    part_results.write_removed(folder, floor - origin, origin)
    ground = None
    if len(floor) > 100:
        middle = floor.mean(axis=0)
        _, _, axes = np.linalg.svd(floor - middle, full_matrices=False)
        up = axes[2] * np.sign(axes[2] @ rigid.rotate(T_segment_vehicle, [[0.0, 0.0, 1.0]])[0])
        ground = SegmentGround(up, float(up @ middle), float(np.std((floor - middle) @ up)), len(floor))
    record = typed.write(part_results.clean(ground))
    return Upstream("clean", "job", "exterior", run.name, "ok", [], [], record, folder)

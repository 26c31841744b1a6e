"""The demo day: five jobs of an invented shop. Names and vehicles are invented.

A job states which body is scanned, in which runs, files and units; :mod:`make_day` carries it out.
"""

from dataclasses import dataclass, field

import ball_bar
import bodies
import loadbay
import open_van
import simulate
import vehicles
import viewpoints

TARGET_NOISE_MM = 0.05
DRIFT_MM_PER_M = 0.03
DRIFT_WITHOUT_TARGETS_MM_PER_M = 0.1
NOISE_MM = 0.1


@dataclass(frozen=True)
class Run:
    """One capture run: its file and unit, its share of the vehicle's points, what it sees."""

    name: str
    file: str
    share: float
    units: str = "mm"
    normals: bool = True
    colour: bool = False
    gain: tuple | None = None  # exposure and white balance, factors of the light of red, green and blue
    moved: int = 0  # targets that were knocked aside before this run
    common: int | None = None  # the run sees only that many targets of the control survey; None: all in view
    part: str | None = None  # the run's part where that is not the job's


@dataclass(frozen=True)
class Job:
    """One vehicle's part, or with runs of another part both. ``points_share``: of the points asked for a vehicle."""

    name: str
    vehicle_class: str
    part: str
    title: str
    body: str  # a name of BODIES
    runs: tuple
    nominal_mm: dict = field(default_factory=dict)
    seen_m2: float = 20.0  # about; what the runs see of the body
    points_share: float = 1.0
    target_spacing_mm: float | None = None
    with_top: bool = False  # the runs along the sides carry on over the roof
    refused: bool = False
    drift_mm_per_m: float = DRIFT_MM_PER_M
    state: dict = field(default_factory=dict)
    identity: dict = field(default_factory=dict)
    fixed_points: int | None = None  # raw points of the job, however many are asked for a vehicle
    artefacts: tuple = ()  # calibrated ones that the job's part shows, as its job sheet states them

    def points(self, asked: int) -> int:
        """Raw points of the job where ``asked`` are asked for a vehicle."""
        return self.fixed_points or round(asked * self.points_share)

    def part_of(self, run: Run) -> str:
        """The part that a run belongs to."""
        return run.part or self.part


BODIES = {
    "panel van": vehicles.panel_van,
    "compact": vehicles.compact,
    "load bay": loadbay.load_bay,
    "open van": open_van.open_van,
    "ball bar": ball_bar.ball_bar,
}

JOBS = (
    Job(
        name="larch-van",
        vehicle_class="van",
        part="exterior",
        title="Panel van without its rear doors, outside and load bay, for a roof carrier",
        body="open van",
        nominal_mm={"length": 5400, "width": 2020, "height": 2500, "wheelbase": 3400},
        seen_m2=54.0,
        target_spacing_mm=230.0,
        state={"load": "empty", "temperature_c": 20, "body_material": "steel"},
        identity={
            "reference": "order 2207",
            "operator": "first shift",
            "scanned_on": "2026-03-04",
            "place": "hall 2",
            "scanner": "hand-held scanner 3",
            "calibrated_on": "2026-02-17",
            "registration": "NB 412",
            "show_vehicle": "shop",
        },
        runs=(
            Run("left", "left.ply", 0.22, moved=2),
            Run("right", "right.ply", 0.22),
            Run("front", "front.laz", 0.12, normals=False),
            Run("rear", "rear.e57", 0.13, units="m", normals=False),
            Run("roof", "roof.ply", 0.16, moved=1),
            Run("bay", "bay.ply", 0.15, colour=True, part="interior"),
        ),
    ),
    Job(
        name="pebble-compact",
        vehicle_class="compact",
        part="exterior",
        title="Compact, outside, for a cover",
        body="compact",
        nominal_mm={"length": 4000, "width": 1750, "height": 1500, "wheelbase": 2520},
        target_spacing_mm=190.0,
        with_top=True,
        state={"load": "driver only", "temperature_c": 18, "body_material": "steel"},
        identity={"reference": "order 2211", "scanned_on": "2026-03-04", "scanner": "hand-held scanner 3"},
        runs=(
            Run("left", "left.ply", 0.32),
            Run("right", "right.ply", 0.32, moved=2),
            Run("front", "front.ply", 0.19),
            Run("rear", "rear.xyz", 0.17, normals=False),
        ),
    ),
    Job(
        name="larch-loadbay",
        vehicle_class="van",
        part="interior",
        title="Panel van, load bay, for a fit-out",
        body="load bay",
        seen_m2=23.0,
        points_share=0.4,
        drift_mm_per_m=DRIFT_WITHOUT_TARGETS_MM_PER_M,
        runs=(
            Run("fore", "fore.ply", 0.5, colour=True, gain=(0.95, 0.85, 0.7)),
            Run("aft", "aft.ply", 0.5, colour=True, gain=(1.2, 1.35, 1.6)),
        ),
    ),
    Job(
        name="finch-compact",
        vehicle_class="compact",
        part="exterior",
        title="Compact, outside: one run shares too few targets",
        body="compact",
        nominal_mm={"length": 4000, "width": 1750, "height": 1500, "wheelbase": 2520},
        points_share=0.05,
        target_spacing_mm=260.0,
        refused=True,
        runs=(Run("left", "left.ply", 0.6), Run("rear", "rear.ply", 0.4, common=3)),
    ),
    Job(
        name="morning-check",
        vehicle_class="",
        part="artefact",
        title="Ball bar of hall 2, scanned in the morning",
        body="ball bar",
        seen_m2=0.5,
        fixed_points=120_000,
        identity={"scanned_on": "2026-03-04", "place": "hall 2", "scanner": "hand-held scanner 3"},
        runs=(Run("bar", "bar.ply", 1.0),),
        artefacts=(
            {
                "name": "bar 600",
                "kind": "ball_bar",
                "diameter_mm": ball_bar.DIAMETER_MM,
                "diameter_uncertainty_mm": 0.004,
                "distance_mm": ball_bar.DISTANCE_MM,
                "distance_uncertainty_mm": 0.006,
                "coverage_factor": 2,
                "expansion_per_k": 0.0,
                "temperature_c": 21.5,
                "temperature_sd_c": 0.5,
                "certificate": "K 0417",
                "calibrated_on": "2025-11-20",
            },
        ),
    ),
)


def views(job: Job, run: Run, body: bodies.Body, seed: int) -> viewpoints.Viewpoints:
    """The path of a run."""
    if job.part == "exterior" and run.part == "interior":
        return viewpoints.both(
            viewpoints.inside(body, 1500.0, 4250.0, seed=seed, middle_mm=loadbay.MIDDLE),
            viewpoints.both(*(_round_the_aperture(body, seed, forward) for forward in (False, True))),
        )
    if job.part == "artefact":
        return ball_bar.views(body, seed)
    if job.part == "interior":
        span = {"fore": (1500.0, 2300.0), "aft": (3200.0, 4250.0)}[run.name]
        return viewpoints.inside(body, *span, seed=seed)
    along = viewpoints.side(body, run.name, seed=seed, with_top=job.with_top)
    if job.body == "open van" and run.name == "rear":
        return viewpoints.both(along, _round_the_aperture(body, seed, forward=True))
    return along


def _round_the_aperture(body: bodies.Body, seed: int, forward: bool) -> viewpoints.Viewpoints:
    """The path along the edge of the rear doors' aperture, from behind looking ``forward``, or from inside."""
    return viewpoints.aperture(body, open_van.INNER, open_van.FLANGE_X, seed=seed, forward=forward)


def resolution_mm(job: Job, points: float) -> float:
    """Grid that ``points`` raw points of the job can fill: their mean distance, in half millimetres, 1 to 20 mm."""
    return min(20.0, max(1.0, round(2 * (job.seen_m2 * 1e6 / points) ** 0.5) / 2))


def faults(job: Job, run: Run) -> simulate.Faults:
    """What goes wrong in a run of a job."""
    if job.part_of(run) == "artefact":
        return simulate.Faults(mirrors=0.0, clusters=0.0)
    if job.part_of(run) == "interior":
        return simulate.Faults(mirrors=0.0, strays=0.002)
    return simulate.Faults(mirrors=4.0, layers_mm=(0.4,), layer_path_mm=1200.0)


def surroundings(body: bodies.Body) -> bodies.Body:
    """Objects beside a vehicle in a shop: a tool box, an axle stand."""
    low, high = body.bounds_mm
    x, y = low[0] + 0.4 * (high[0] - low[0]), high[1] + 70
    box = bodies.box((x, y, 0), (x + 450, y + 260, 240), bodies.SURROUNDINGS)
    x, y = low[0] + 0.6 * (high[0] - low[0]), low[1] - 250
    stand = bodies.box((x, y, 0), (x + 180, y + 180, 420), bodies.SURROUNDINGS)
    return bodies.join([box, stand])

"""The frame and the sizes of rooms: the demo's load bay at many seeds in random raw poses, and invented rooms.

    bash tests/bench/run.sh interior_room [seeds]

The chain's own functions of frame and measure run in process on simulated points in their true registration: the
figures show these two stages alone. The truth of each room is its construction. The last line is one JSON object.
"""

import json
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import invented_rooms
import numpy as np
import yaml

import blockcar
import loadbay
import scan_errors
import scenario
import simulate
from nightbay.core import rigid
from nightbay.frame import frame
from nightbay.frame.result import FrameResult
from nightbay.measure import room_sizes
from nightbay.measure.room_faces import Shell
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.refine.result import RefineResult

ROOT = Path(__file__).resolve().parents[2]
SEEDS, POINTS, ROOM_SEEDS = 20, 150_000, 1
MOST_FRAME_DEG, MOST_SIZE_MM = 0.05, 1.0
TRUE_MM = {  # of the demo's bay, from its construction in demo/loadbay.py
    "width_floor": 2 * loadbay.HALF,
    "height_roof": loadbay.CEILING - loadbay.FLOOR,
    "height_bows": loadbay.CEILING - 8 - 34 - loadbay.FLOOR,
    "width_wheel_boxes": 2 * (loadbay.HALF - 100 - 125),
    "width_belt": 2 * (loadbay.HALF - float(loadbay._wall(np.array([loadbay.FLOOR + 900.0]))[0])),
    "rear_opening_width_floor": 2 * loadbay.HALF,
    "rear_opening_height": loadbay.CEILING - loadbay.FLOOR,
}
# ribs, posts of the sliding door and bows: the middle and half the width of each, along X, which runs rearward
MEMBERS = {
    "ribs_left": [(x, 45) for x in loadbay.RIBS_LEFT],
    "ribs_right": sorted([(1540, 30), (2680, 30), *((x, 45) for x in loadbay.RIBS_RIGHT)]),
    "bows": [(x + 130, 30) for x in loadbay.RIBS_LEFT],
}


@dataclass(frozen=True)
class Case:
    """A room to be framed: points (n, 3) with normals (n, 3) in its true vehicle frame (X rearward), the rows of each
    segment by name; ``axes`` of the job sheet."""

    points: np.ndarray
    normals: np.ndarray
    segments: dict
    axes: dict


@dataclass(frozen=True)
class Outcome:
    """``result`` of frame; the error of the rotation ``angle_deg``; how far the room is from square, ``square_deg``;
    whether the direction up and the heading are called ``decided``; the ``sizes``."""

    result: FrameResult
    angle_deg: float
    square_deg: float
    decided: bool
    sizes: list

    @property
    def wrong(self) -> bool:
        """A frame that is off and not marked as undecided."""
        return self.decided and self.angle_deg > MOST_FRAME_DEG


def run(
    case: Case, seed: int, drift_mm_per_m: float = scenario.DRIFT_WITHOUT_TARGETS_MM_PER_M, sized: bool = True
) -> Outcome:
    """Frame a room that lies anyhow in its raw frame, and take its sizes where ``sized``."""
    rng = np.random.default_rng([seed, 77])
    T_control_vehicle = rigid.pose(blockcar.rotation(rng), rng.uniform(-3000, 3000, 3))
    options = yaml.safe_load((ROOT / "config/config.yaml").read_text(encoding="utf-8"))
    options["scan"]["target_drift_mm_per_m"] = drift_mm_per_m
    options = settings(options)
    with tempfile.TemporaryDirectory() as name:
        upstream = blockcar.upstream(
            Path(name),
            case.points,
            case.normals,
            case.segments,
            T_control_vehicle,
            part="interior",
            ground=False,
            seed=seed,
        )
        made = frame.frame(upstream, {"axes": case.axes}, options, Path(name), 1)
    made.pop("notes")
    result = typed.read(FrameResult, made)
    left = result.T_vehicle_control @ T_control_vehicle
    square = np.degrees(np.arccos(np.clip(np.abs(left[:3, :3]).max(axis=1), 0, 1))).max()
    decided = result.room.up.decided and result.room.along.decided and not result.heading.assumed
    decided = decided and result.heading.found_by != "kept"
    refined = typed.read(RefineResult, upstream["refine"].result)
    seen_mm2 = sum(plane.area_mm2 for plane in result.room.planes)
    spacing = float(np.sqrt(seen_mm2 / len(case.points)))
    shell = Shell(
        rigid.transform(left, case.points), rigid.rotate(left, case.normals), spacing, result,
        refined.poses, refined.scale, options.scan,
    )  # fmt: skip
    sizes = room_sizes.find(shell, options.measure.belt_mm)[0] if sized else []
    return Outcome(result, rigid.angle_deg(left), float(square), decided, sizes)


@dataclass(frozen=True)
class Bay:
    """The demo's load bay as its job scans it, without errors: a scan, its true points and normals, a run each."""

    scans: list
    taken: list

    @classmethod
    def scanned(cls, points: int = POINTS) -> "Bay":
        """Draw the points once: the errors of each seed are laid on them."""
        job = next(job for job in scenario.JOBS if job.part == "interior")
        body, scans, taken = loadbay.load_bay(), [], []
        for number, part in enumerate(job.runs):
            scan = simulate.scan(
                body, scenario.views(job, part, body, number), points=round(points * part.share), noise_mm=0.0,
                seed=number, faults=simulate.Faults(mirrors=0.0, strays=0.0),
            )  # fmt: skip
            drawn = scan.all_points()
            scans.append(scan)
            taken.append((drawn, np.flatnonzero(drawn.label == simulate.SURFACE)))
        return cls(scans, taken)

    def case(self, seed: int, names: tuple = ("fore", "aft")) -> Case:
        """The bay with the noise and drift of a seed, as the demo's job has them: noise along the beam, larger at
        grazing incidence, and the walk of each run."""
        rng = np.random.default_rng([seed, 3])
        xyz, normals, segments = [], [], {}
        for name, scan, (drawn, rows) in zip(names, self.scans, self.taken, strict=True):
            true, view = drawn.true_mm[rows], drawn.view[rows]
            facing = rigid.rotate(scan.T_vehicle_segment, drawn.normals[rows])
            facing /= np.linalg.norm(facing, axis=1, keepdims=True)
            beam = true - scan.views.position_mm[view]
            beam /= np.linalg.norm(beam, axis=1, keepdims=True)
            cosine = np.maximum(np.abs(np.einsum("ij,ij->i", beam, facing)), 0.1)
            drift, turn = scan_errors.walk(scan.views, scenario.DRIFT_WITHOUT_TARGETS_MM_PER_M, rng)
            noisy = true + (rng.normal(0, scenario.NOISE_MM, len(true)) / cosine)[:, None] * beam
            start = sum(len(part) for part in xyz)
            xyz.append(replace(scan, drift_mm=drift, turn_rad=turn).drifted(noisy, view))
            normals.append(facing)
            segments[name] = np.arange(start, start + len(rows))
        return Case(np.concatenate(xyz), np.concatenate(normals), segments, {})


def spans(key: str) -> list[float]:
    """What a distance of two ribs or bows may be by its key: of their middles, of like flanks, or clear."""
    ribs = next(ribs for name, ribs in MEMBERS.items() if name in key)
    sides = (1, -1) if key.startswith("clear") else (-1, -1) if "front" in key else (1, 1) if "rear" in key else (0, 0)
    return [
        b + sides[1] * half_b - a - sides[0] * half_a
        for at, (a, half_a) in enumerate(ribs)
        for b, half_b in ribs[at + 1 :]
    ]


def errors(outcome: Outcome) -> dict[str, tuple[float, float]]:
    """Error and expanded uncertainty, mm, of each size whose truth is known; pitches by the ribs that are nearest."""
    found = {}
    for entry in outcome.sizes:
        true = TRUE_MM.get(entry.key)
        if entry.key.startswith(("pitch", "clear")):
            true = min(spans(entry.key), key=lambda span: abs(span - entry.size.value_mm))
        if true is not None:
            found[entry.key] = (entry.size.value_mm - true, entry.size.uncertainty_mm)
    return found


def invented(mesh, seed: int, names=("a", "b"), axes=None, points=80_000) -> Case:
    """A scan of an invented room, in two overlapping segments; hidden points are left out by a coarse depth test."""
    rng = np.random.default_rng([seed, 5])
    xyz, normals = blockcar.scan(mesh, points, seed)
    low, high = mesh.bounds
    views = low + (high - low) * np.column_stack(
        [rng.uniform(0.1, 0.9, 8), rng.uniform(0.3, 0.7, 8), rng.uniform(0.4, 0.7, 8)]
    )
    shown = np.any([np.einsum("ij,ij->i", view - xyz, normals) > 0 for view in views], axis=0)
    xyz, normals = xyz[shown], normals[shown]
    middle, lap = np.median(xyz[:, 0]), 0.1 * (high[0] - low[0])
    segments = {names[0]: np.flatnonzero(xyz[:, 0] < middle + lap), names[1]: np.flatnonzero(xyz[:, 0] > middle - lap)}
    return Case(xyz, normals, segments, axes or {})


def measured(seeds: int = SEEDS) -> dict:
    """The benchmark's numbers, as the module says."""
    scanned = Bay.scanned()
    outcomes, worst, beyond, counts = [], (0.0, ""), 0, 0
    for seed in range(seeds):
        bay = scanned.case(seed)
        outcome = run(bay, seed)
        for key, (error, uncertainty) in errors(outcome).items():
            worst = max(worst, (abs(error), key))
            beyond += abs(error) > uncertainty
            counts += 1
        outcomes.append(outcome)
        # the same bay without names of its ends, and with a raw axis that means nothing in particular
        plain = replace(bay, segments=dict(zip("ab", bay.segments.values(), strict=True)))
        outcomes.append(run(plain, seed + 1000, sized=False))
        axis = sorted(f"{sign}{name}" for sign in "+-" for name in "xyz")[seed % 6]
        outcomes.append(run(replace(plain, axes={"up": axis}), seed + 2000, sized=False))
        print(f"bay {seed}: {outcome.angle_deg:.4f} deg, worst size {worst[0]:.2f} mm ({worst[1]})", flush=True)
    bay_wrong, bay_undecided = sum(o.wrong for o in outcomes), sum(not o.decided for o in outcomes[::3])
    others = {}
    for name, mesh in invented_rooms.rooms().items():
        for seed in range(ROOM_SEEDS):
            for names in (("a", "b"), ("front", "rear")):
                others[name, seed, names] = run(invented(mesh, seed, names), seed + 31, sized=False)
        mine = [outcome for (owner, _, _), outcome in others.items() if owner == name]
        print(
            f"{name}: wrong {sum(o.wrong for o in mine)}, undecided {sum(not o.decided for o in mine)} of {len(mine)}, "
            f"worst square {max(o.square_deg for o in mine):.4f} deg", flush=True,
        )  # fmt: skip
    named = [outcome for (_, _, names), outcome in others.items() if "front" in names]
    return {
        "room_error_mm": worst[0],
        "room_sizes": counts,
        "room_beyond_uncertainty": beyond / max(counts, 1),
        "room_frame_deg": max(outcome.angle_deg for outcome in outcomes[::3]),
        "room_square_deg": max(outcome.square_deg for outcome in [*outcomes, *others.values()]),
        "wrong_frames": int(bay_wrong + sum(outcome.wrong for outcome in others.values())),
        "room_undecided": bay_undecided / seeds,
        "other_rooms": len(others),
        "other_rooms_undecided": sum(not outcome.decided for outcome in others.values()),
        # rooms whose front nobody names can't be decided: the shape of an interior does not show it
        "other_rooms_named": len(named),
        "other_rooms_named_undecided": sum(not outcome.decided for outcome in named),
    }


def main(arguments: list[str]) -> None:
    """Print the numbers as one JSON object on the last line."""
    print(json.dumps(measured(int(arguments[0]) if arguments else SEEDS)))


if __name__ == "__main__":
    main(sys.argv[1:])

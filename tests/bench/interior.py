"""Bench of registration by surfaces alone: thousands of pairs of partial scans with known relative pose.

Usage: bash tests/bench/run.sh interior [--pairs 3000] [--seed 1] [--out FILE] [--only INDEX] [--dump FOLDER]
           [--kind KIND] [--meshes FOLDER] [--no-peer] [--loops 4] [--seeds 20] [--pairs-only] [--processes 2]
           [--errors]

The pairs: :mod:`pair_scans`; when a pose is determined and when it is wrong: :mod:`pair_truth`; the peer, Open3D:
:mod:`pair_peer`. ``--out`` gets a line of JSON for each pair; a run that finds lines there goes on behind them.
``--meshes``: a folder whose OFF, PLY, OBJ and STL files are drawn from, beside those of the pymeshlab wheel; Debian's
libcgal-demo, for one, has a hundred in data.tar.gz. ``--only`` runs these pairs (numbers with commas) and prints all
about them; ``--dump`` writes their segments.

The last line: ``wrong_accepted``: accepted poses that are wrong. ``right_share``: share of the determined pairs that
are accepted and right. ``undecidable_accepted``: accepted though another pose explains the scans as well, right by
luck or wrong. ``rivalled``: determined pairs of which another pose, too, contradicts nowhere, with less than half of
the true overlap; ``outdone``: pairs of which such a pose has more than twice the overlap of the true one and of each
other, so that a rule that prefers the larger overlap is wrong. ``sole_right_share``: the right share of the determined
pairs without such a pose. ``coverage_95``: share of the coordinates (six a pose, at the overlap's middle) of accepted
poses in the right basin that lie in their stated 95 %. ``peer_right_share`` and ``peer_wrong``: the same for the peer,
accepted from the fitness on that makes the fewest mistakes in this run, ``..._safe`` from the least that accepts
nothing wrong. ``own_s`` and ``peer_s``: mean seconds of processor time a pair.

Of closed loops of eight segments (:mod:`pair_loop`): ``loops_right`` and ``loops_wrong``, those that are put together,
of ``loops``; ``loops_joined``: those of them for which sets of segments were needed; ``loop_rms_ratio``: root mean
square error of the joint poses over that of the poses that the same runs started their joint fit from;
``loop_chain_rms_ratio``: over that of the same pairs in a chain, each fitted for itself. Both over all right loops.

Then rooms (:mod:`interior_room`), colours (:mod:`interior_colour`), joined parts (:mod:`interior_join`) and runs that
lost their track (:mod:`interior_slips`), whose figures those modules describe.
"""

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path

import interior_colour
import interior_join
import interior_room
import interior_slips
import numpy as np

import pair_loop
import pair_peer
import pair_registration
import pair_scans
import pair_shapes
import pair_truth

BANDS = (0.0, 0.15, 0.3, 0.5, 0.7, 1.01)


def main():
    options = arguments()
    numbers = options.only or range(options.pairs)
    rows = read(options.out)
    left = [number for number in numbers if number not in rows]
    meshes = mesh_files(options.meshes)
    jobs = [(options.seed, number, options.kind, meshes, options.peer, options.dump) for number in left]
    began = time.monotonic()
    with ProcessPoolExecutor(options.processes, mp_context=get_context("spawn")) as pool:
        for done, row in enumerate(pool.map(run, jobs, chunksize=1), 1):
            rows[row["index"]] = row
            if options.out:
                with open(options.out, "a", encoding="utf-8") as file:
                    file.write(json.dumps(row) + "\n")
            if options.only:
                print(json.dumps(row, indent=1))
            elif done % 50 == 0 or done == len(jobs):
                print(f"{done} of {len(jobs)} pairs, {time.monotonic() - began:.0f} s", flush=True)
    rows = [rows[number] for number in numbers]
    table(rows)
    if options.errors:
        list_errors(rows)
    found = figures(rows)
    if not options.only:
        with ProcessPoolExecutor(options.processes, mp_context=get_context("spawn")) as pool:
            found |= loops(list(pool.map(pair_loop.measure, [(options.seed, k) for k in range(options.loops)])))
    if not (options.only or options.pairs_only):
        found |= interior_room.measured(options.seeds)
        found |= interior_colour.colour_figures()
        found |= interior_join.figures()
        found |= interior_slips.figures()
    print(json.dumps(found))


def arguments():
    parser = argparse.ArgumentParser(description="Bench of registration by surfaces alone.")
    parser.add_argument("--pairs", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--only", type=lambda text: [int(number) for number in text.split(",")])
    parser.add_argument("--dump", type=Path)
    parser.add_argument("--seeds", type=int, default=20, help="of the rooms")
    parser.add_argument("--pairs-only", action="store_true", help="without rooms, colour, joined parts and slips")
    parser.add_argument("--kind", choices=list(pair_shapes.KINDS))
    parser.add_argument("--meshes", type=Path)
    parser.add_argument("--no-peer", dest="peer", action="store_false")
    parser.add_argument("--loops", type=int, default=4)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--errors", action="store_true", help="list wrong poses, crashes and wrong refusals")
    options = parser.parse_args()
    if options.dump and not options.only:
        parser.error("--dump needs --only")
    return options


def mesh_files(folder):
    """Names of the mesh files in a folder, sorted."""
    if folder is None:
        return ()
    return tuple(sorted(str(path) for path in folder.iterdir() if path.suffix in (".off", ".ply", ".obj", ".stl")))


def read(path):
    """Rows of an earlier run by number."""
    if not path or not path.exists():
        return {}
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.endswith("}")]
    return {row["index"]: row for row in rows}


def run(job):
    """The row of a pair: what it is, what is true of it, what the stage and the peer made of it."""
    seed, index, kind, meshes, with_peer, dump = job
    began = time.process_time()
    pair = pair_scans.pair(seed, index, kind, meshes)
    made_s = time.process_time() - began
    true = pair_truth.truth(pair)
    if dump:
        write(pair, true, dump / f"pair_{index}")
    row = {
        "index": index,
        "kind": pair.kind,
        "shape": pair.shape,
        "size_mm": round(pair.size_mm, 1),
        "spacing_mm": round(pair.spacing_mm, 3),
        "noise_mm": round(pair.noise_mm, 4),
        "points": [len(pair.a.points), len(pair.b.points)],
        "normals": "measured" if pair.a.certainty is None else "estimated",
        "overlap": round(pair.overlap, 4),
        "determined": true.determined,
        "alternatives": len(true.alternatives),
        "rivals": [round(share, 3) for share in true.rivals],
        "sd_mm": round(min(true.sd_mm, 1e6), 5),
        "sd_deg": round(min(true.sd_deg, 1e6), 6),
        "limit_mm": round(true.limit_mm, 4),
        "limit_deg": round(true.limit_deg, 5),
        "made_s": round(made_s, 3),
    }
    outcome = pair_registration.register(pair)
    row |= {"state": outcome.state, "reason": outcome.reason, "own_s": round(outcome.seconds, 3)}
    if outcome.poses:
        T_a_b, covariance = outcome.poses["b"]
        row["error"] = asdict(pair_truth.error(pair, true, T_a_b, covariance))
        row["mistaken"] = _mistaken(pair, true, T_a_b)
    if with_peer:
        began = time.process_time()
        found = pair_peer.register(pair)
        error = pair_truth.error(pair, true, found.T_a_b)
        row["peer"] = {
            "fitness": found.fitness,
            "rmse_mm": found.rmse_mm,
            "seconds": round(time.process_time() - began, 3),
            "error": asdict(error),
        }
    return row


def _mistaken(pair, true, T_a_b):
    """Whether the pose is right for an alternative that the scans can't tell from the truth."""
    at = pair.b.points[:: max(1, len(pair.b.points) // 200)]
    ours = at @ T_a_b[:3, :3].T + T_a_b[:3, 3]
    for other in true.alternatives:
        apart = np.linalg.norm(ours - at @ other[:3, :3].T - other[:3, 3], axis=1)
        if np.median(apart) < 3 * true.limit_mm:
            return True
    return False


def write(pair, true, folder):
    """Segments as text (X Y Z and normal, in frames of their own) and the truth as JSON, for a closer look."""
    folder.mkdir(parents=True, exist_ok=True)
    for scan in (pair.a, pair.b):
        np.savetxt(folder / f"{scan.name}.xyz", np.hstack([scan.points, scan.normal]), "%.4f")
    facts = {
        "T_a_b": pair.T_a_b.tolist(),
        "alternatives": [T.tolist() for T in true.alternatives],
        "T_control_a": pair.a.T_control_segment.tolist(),
        "middle_a_mm": true.middle_mm.tolist(),
    }
    (folder / "truth.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")


def counts(rows):
    """Counts of some rows: all, determined, right of those, wrong, undecidable accepted, crashes."""
    accepted = [row for row in rows if row["state"] == "accepted"]
    sound = [row for row in accepted if not row["error"]["wrong"]]
    return {
        "pairs": len(rows),
        "determined": sum(row["determined"] for row in rows),
        "right": sum(row["determined"] for row in sound),
        "wrong": len(accepted) - len(sound),
        "undecidable": sum(row["alternatives"] > 0 for row in accepted),
        "crashes": sum(row["state"] == "crashed" for row in rows),
    }


def table(rows):
    """Print counts by kind of shape and band of overlap."""
    peers = {row["index"]: row["peer_accepted"] for row in with_peer(rows)}
    print(f"{'kind':<10} {'overlap':<9} {'pairs':>6} {'determ.':>8} {'right':>6} {'wrong':>6} {'undec.':>7} "
          f"{'crash':>6} {'peer right':>11} {'peer wrong':>11}")  # fmt: skip
    groups = [(kind, low, high) for kind in (*pair_shapes.KINDS, "all") for low, high in [*_bands(), (0.0, 1.01)]]
    for kind, low, high in groups:
        mine = [row for row in rows if kind in (row["kind"], "all") and low <= row["overlap"] < high]
        if not mine:
            continue
        n = counts(mine)
        theirs = [row for row in mine if peers.get(row["index"])]
        right = sum(row["determined"] and not row["peer"]["error"]["wrong"] for row in theirs)
        wrong = sum(row["peer"]["error"]["wrong"] for row in theirs)
        band = f"{100 * low:.0f}-{100 * min(high, 1):.0f} %"
        print(f"{kind:<10} {band:<9} {n['pairs']:>6} {n['determined']:>8} {n['right']:>6} {n['wrong']:>6} "
              f"{n['undecidable']:>7} {n['crashes']:>6} {right:>11} {wrong:>11}")  # fmt: skip


def _bands():
    return list(zip(BANDS[:-1], BANDS[1:], strict=True))


def with_peer(rows):
    """The rows that the peer has registered, each with whether it is accepted at its best threshold."""
    mine = [row for row in rows if "peer" in row]
    if not mine:
        return []
    step, *_ = pair_peer.best_threshold(*_peer(mine))
    return [row | {"peer_accepted": row["peer"]["fitness"] >= step} for row in mine]


def _peer(rows):
    fitness = np.array([row["peer"]["fitness"] for row in rows])
    right = np.array([not row["peer"]["error"]["wrong"] for row in rows])
    return fitness, right, np.array([not row["determined"] for row in rows])


def list_errors(rows):
    """Print a line for each pair that is wrong, crashed, or refused though determined."""
    for row in rows:
        wrong = row["state"] == "accepted" and row["error"]["wrong"]
        refused = row["state"] == "refused" and row["determined"]
        if wrong or refused or row["state"] == "crashed":
            facts = f"{row['error']['middle_mm']:.2f} mm, {row['error']['deg']:.3f} deg, " if wrong else ""
            facts += f"chi squared {row['error']['distance_2']:.1f}" if wrong else row["reason"]
            what = "WRONG" if wrong else row["state"]
            print(f"{row['index']:>6} {what} {row['shape']}, {row['size_mm']:.0f} mm, overlap {row['overlap']:.2f}, "
                  f"normals {row['normals']}: {facts}")  # fmt: skip


def figures(rows):
    """The figures of the last line."""
    n, sole = counts(rows), counts([row for row in rows if not row["rivals"]])
    basin = [row["error"]["inside"] for row in rows if row["state"] == "accepted" and row["error"]["right_basin"]]
    found = {
        "pairs": n["pairs"],
        "wrong_accepted": n["wrong"],
        "right_share": round(n["right"] / max(n["determined"], 1), 4),
        "determined": n["determined"],
        "undecidable_accepted": n["undecidable"],
        "sole_right_share": round(sole["right"] / max(sole["determined"], 1), 4),
        "rivalled": n["determined"] - sole["determined"],
        "outdone": sum(pair_truth.outdone(row["rivals"]) for row in rows),
        "mistaken": sum(row.get("mistaken", False) for row in rows),
        "crashes": n["crashes"],
        "coverage_95": round(float(np.mean(basin)) / 6, 4) if basin else None,
        "own_s": round(float(np.mean([row["own_s"] for row in rows])), 3) if rows else None,
    }
    mine = [row for row in rows if "peer" in row]
    if mine:
        best, safe = pair_peer.best_threshold(*_peer(mine)), pair_peer.safe_threshold(*_peer(mine))
        found |= {
            "peer_right_share": round(best[2], 4),
            "peer_wrong": best[1],
            "peer_threshold": round(best[0], 4) if np.isfinite(best[0]) else None,
            "peer_right_share_safe": round(safe[2], 4),
            "peer_s": round(float(np.mean([row["peer"]["seconds"] for row in mine])), 3),
        }
    return found


def loops(measured):
    """Print the loops; the figures of all of them."""
    for number, loop in enumerate(measured):
        print(f"loop {number}: {loop.reason or 'put together'}; joint {loop.joint_mm} mm, start {loop.start_mm} mm, "
              f"chain {loop.chain_mm} mm, {loop.joined} by sets, wrong: {loop.wrong}")  # fmt: skip
    whole = [loop for loop in measured if loop.state == "accepted"]
    right = [loop for loop in whole if not loop.wrong]
    joint, start, chain = (
        float(np.sqrt(np.mean([getattr(loop, name) ** 2 for loop in right]))) if right else np.nan
        for name in ("joint_mm", "start_mm", "chain_mm")
    )
    return {
        "loops": len(measured),
        "loops_right": len(right),
        "loops_wrong": len(whole) - len(right),
        "loops_joined": sum(loop.joined > 0 for loop in whole),
        "loop_rms_ratio": round(joint / start, 4) if right else None,
        "loop_chain_rms_ratio": round(joint / chain, 4) if right else None,
    }


if __name__ == "__main__":
    main()

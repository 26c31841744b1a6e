"""The plain chain against Nightbay's clean, fuse and reduce on the same simulated exterior.

    bash tests/bench/run.sh chain [--points 5500000] [--resolution 2.0] [--only nightbay]

The plain chain is what anyone writes from Open3D's calls: the segments in one cloud by their true poses, statistical
outlier removal, voxel grid, Poisson surface, trimmed where the points are few, quadric reduction. Both get the same raw
points of four runs around a compact and the true poses, without ground and surroundings, for which the plain chain has
no step. Each runs in a process of its own; CPU seconds and peak memory are the kernel's account of it (wait4). Kernels
are compiled before, once for all nights, by a run on a hundredth of the points that is not counted; Open3D's come
compiled. Both are asked for the same number of faces: that of Nightbay's level `fine`.

The errors are those of the reduced surfaces: distance to the true surface of points spread evenly over the faces,
within 3 mm of a point that was measured on the vehicle ("measured area"). Area further than that from any point that
clean kept is invented.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np

RUNS = {"left": 0.32, "right": 0.32, "front": 0.19, "rear": 0.17}
NOISE_MM = 0.1
APART_MM = 3.0
SAMPLES = 400_000


def make_scan(folder, points):
    """Raw points of the runs, each in a frame of its own, with the true pose and which points lie on the vehicle."""
    import simulate
    import vehicles
    import viewpoints

    body = vehicles.compact()
    np.savez(folder / "truth.npz", vertices=body.vertices_mm, faces=body.faces)
    for number, (name, share) in enumerate(RUNS.items()):
        views = viewpoints.side(body, name, seed=number, with_top=True)
        run = simulate.scan(
            body,
            views,
            points=round(points * share),
            noise_mm=NOISE_MM,
            seed=number,
            ground=False,
            faults=simulate.Faults(mirrors=4.0),
        )
        every = run.all_points()
        np.save(folder / f"{name}.xyz.npy", every.xyz)
        np.save(folder / f"{name}.normals.npy", every.normals)
        np.save(folder / f"{name}.measured.npy", every.label == simulate.SURFACE)
        np.save(folder / f"{name}.pose.npy", run.T_vehicle_segment)


def cap_threads(threads):
    """Hold OpenMP, TBB and Numba to ``threads``. Call it before the first of them is imported."""
    for name in ("OMP_NUM_THREADS", "NUMBA_NUM_THREADS", "TBB_NUM_THREADS"):
        os.environ[name] = str(threads)


def run_nightbay(folder, resolution_mm, faces):
    """Working clouds, clean, fuse, reduce."""
    import yaml

    from nightbay.clean import clean
    from nightbay.clouds import cloud
    from nightbay.fuse import fuse
    from nightbay.pipeline.settings import settings as frozen
    from nightbay.reduce import reduce

    root = Path(__file__).resolve().parents[2]
    settings = yaml.safe_load((root / "config" / "config.yaml").read_text(encoding="utf-8"))
    settings["scan"] |= {"resolution_mm": resolution_mm, "noise_mm": NOISE_MM}
    settings["reduce"]["levels"] = {"fine": settings["reduce"]["levels"]["fine"]}  # the plain chain makes one, too
    cleaned, poses, spent = [], {}, {}

    def took(name, since):
        spent[name] = round(spent.get(name, 0.0) + time.process_time() - since, 2)

    for name in RUNS:
        since = time.process_time()
        xyz, normals = np.load(folder / f"{name}.xyz.npy"), np.load(folder / f"{name}.normals.npy")
        origin_mm = np.round(xyz.mean(axis=0))
        block = cloud.Cloud((xyz - origin_mm).astype(np.float32), normals)
        cloud.write(folder / "intake" / name, [block], origin_mm, 500.0)
        del xyz, normals, block
        took("working clouds", since)
        since = time.process_time()
        kept = folder / "clean" / name
        kept.mkdir(parents=True)
        taken = SimpleNamespace(
            segment=name,
            part="exterior",
            folder=folder / "intake" / name,
            result={"normals": "measured", "normals_certainty": None},
        )
        result = clean.clean({"intake": taken}, {}, frozen(settings), kept, 1)
        cleaned.append(SimpleNamespace(segment=name, folder=kept, result=result))
        poses[name] = {"T_control_segment": np.load(folder / f"{name}.pose.npy").tolist()}
        took("clean", since)
    since = time.process_time()
    upstream = {
        "clean": cleaned,
        "refine": SimpleNamespace(result={"poses": poses, "normal_orientation": {}, "scale": {"factor": 1.0}}),
        "frame": SimpleNamespace(result={"T_vehicle_control": np.eye(4).tolist()}),
    }
    for stage in ("fuse", "reduce"):
        (folder / stage).mkdir()
    numbers = fuse.fuse(upstream, {}, settings, folder / "fuse", 2)
    took("fuse", since)
    _mark(folder / "fuse" / "surface.ply")
    since = time.process_time()
    filled = SimpleNamespace(folder=folder / "fuse")
    levels = reduce.reduce({"fill": filled}, {}, frozen(settings), folder / "reduce", 2)
    took("reduce", since)
    shutil.copyfile(folder / "reduce" / "fine.ply", folder / "nightbay.ply")
    return {"faces_fused": numbers["faces"], "faces": levels["levels"]["fine"]["faces"], "parts_cpu_s": spent}


def _mark(path):
    """Mark every face as measured, as fill would: no gap is closed here, and reduce wants the mark."""
    from nightbay.meshes import surface

    whole = surface.read_ply(path)
    whole.face["filled"] = np.zeros(len(whole.faces), np.uint8)
    surface.write_ply(path, whole)


def run_plain(folder, resolution_mm, faces):
    """The plain chain; ``faces``: of its result."""
    from nightbay.core import native

    o3d = native.open3d()
    spent, since = {}, time.process_time()

    def took(name):
        nonlocal since
        spent[name] = round(time.process_time() - since, 2)
        since = time.process_time()

    whole = o3d.geometry.PointCloud()
    for name in RUNS:
        part = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.load(folder / f"{name}.xyz.npy")))
        part.normals = o3d.utility.Vector3dVector(np.load(folder / f"{name}.normals.npy").astype(np.float64))
        whole += part.transform(np.load(folder / f"{name}.pose.npy"))
        del part
    took("one cloud")
    whole, _ = whole.remove_statistical_outlier(nb_neighbors=20, std_ratio=2.0)
    took("outlier removal")
    whole = whole.voxel_down_sample(resolution_mm)
    whole.normalize_normals()
    took("voxel grid")
    extent_mm = 1.1 * whole.get_axis_aligned_bounding_box().get_max_extent()  # 1.1: Poisson's own scale
    depth = int(np.ceil(np.log2(extent_mm / resolution_mm)))
    mesh, density = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(whole, depth=depth, n_threads=2)
    took("poisson")
    density = np.asarray(density)
    mesh.remove_vertices_by_mask(density < np.quantile(density, 0.02))
    full = len(mesh.triangles)
    mesh = mesh.simplify_quadric_decimation(min(faces, full))
    took("reduction")
    o3d.io.write_triangle_mesh(str(folder / "plain.ply"), mesh)
    return {"depth": depth, "faces_poisson": full, "faces": len(mesh.triangles), "parts_cpu_s": spent}


def child(name, folder, resolution_mm, faces=0):
    """Run a chain in a process of its own: its numbers, CPU seconds, peak memory in GB, wall seconds."""
    since = time.perf_counter()
    words = [__file__, "--child", name, "--folder", folder, "--resolution", resolution_mm, "--faces", faces]
    process = subprocess.Popen([sys.executable, *map(str, words)], stdout=sys.stderr)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"the {name} chain ended with {process.returncode}")
    numbers = json.loads((folder / f"{name}.json").read_text())
    cost = {"cpu_s": used.ru_utime + used.ru_stime, "peak_gb": used.ru_maxrss / 2**20}
    return numbers, cost | {"wall_s": time.perf_counter() - since}


def judge(folder, name, measured, kept, truth):
    """Errors of one surface over the measured area, and the share of its area that is invented."""
    import trimesh

    from nightbay.core import native

    o3d = native.open3d()
    mesh = o3d.io.read_triangle_mesh(str(folder / f"{name}.ply"))
    mesh = trimesh.Trimesh(np.asarray(mesh.vertices), np.asarray(mesh.triangles), process=False)
    samples, _ = trimesh.sample.sample_surface(mesh, SAMPLES, seed=1)
    on = measured.query(samples, distance_upper_bound=APART_MM)[0] <= APART_MM
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(truth["vertices"].astype(np.float32), truth["faces"].astype(np.uint32))
    off = scene.compute_distance(samples[on].astype(np.float32)).numpy()
    far = kept.query(samples, distance_upper_bound=APART_MM)[0] > APART_MM
    return {
        "rms_mm": float(np.sqrt(np.mean(off.astype(np.float64) ** 2))),
        "median_mm": float(np.median(off)),
        "p95_mm": float(np.quantile(off, 0.95)),
        "invented_area": float(far.mean()),
        "area_m2": mesh.area / 1e6,
    }


def compile_kernels(folder, resolution_mm):
    """Run Nightbay's side once on points so few that compiling is nearly all it does."""
    small = folder / "small"
    small.mkdir()
    make_scan(small, 55_000)
    child("nightbay", small, 10 * resolution_mm)


def compare(points, resolution_mm, only=None):
    """One run of both chains, or of ``only`` Nightbay's; prints the parts and returns the figures."""
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        compile_kernels(folder, resolution_mm)
        make_scan(folder, points)
        numbers, cost = {}, {}
        numbers["nightbay"], cost["nightbay"] = child("nightbay", folder, resolution_mm)
        if only is None:
            numbers["plain"], cost["plain"] = child("plain", folder, resolution_mm, numbers["nightbay"]["faces"])
        truth, trees = np.load(folder / "truth.npz"), measured_and_kept(folder)
        raw = sum(len(np.load(folder / f"{name}.xyz.npy", mmap_mode="r")) for name in RUNS)
        quality = {name: judge(folder, name, *trees, truth) for name in numbers}
    for name in numbers:
        print(json.dumps({name: numbers[name] | cost[name] | quality[name]}))
    return {"raw_points": raw, "resolution_mm": resolution_mm} | figures(cost, quality)


def measured_and_kept(folder):
    """Search trees, in the vehicle frame, of the points measured on the vehicle and of those that clean kept."""
    from scipy.spatial import cKDTree

    from nightbay.clouds.cloud import CloudFile
    from nightbay.core import rigid

    measured, kept = [], []
    for name in RUNS:
        pose = np.load(folder / f"{name}.pose.npy")
        on_vehicle = np.load(folder / f"{name}.measured.npy")
        measured.append(rigid.transform(pose, np.load(folder / f"{name}.xyz.npy")[on_vehicle]))
        cleaned = CloudFile(folder / "clean" / name)
        kept += [rigid.transform(pose, block.xyz_mm + cleaned.origin_mm) for block in cleaned.blocks()]
    return cKDTree(np.concatenate(measured)), cKDTree(np.concatenate(kept))


def figures(cost, quality):
    """What Nightbay's side cost and is worth, and where the plain chain ran too, the one over the other."""
    ours = {
        "cpu_s": cost["nightbay"]["cpu_s"],
        "peak_gb": cost["nightbay"]["peak_gb"],
        "rms_mm": quality["nightbay"]["rms_mm"],
        "invented_area": quality["nightbay"]["invented_area"],
    }
    if "plain" not in cost:
        return ours
    return ours | {
        "cpu_ratio": cost["plain"]["cpu_s"] / cost["nightbay"]["cpu_s"],
        "wall_ratio": cost["plain"]["wall_s"] / cost["nightbay"]["wall_s"],
        "peak_memory_ratio": cost["nightbay"]["peak_gb"] / cost["plain"]["peak_gb"],
        "rms_ratio": quality["nightbay"]["rms_mm"] / quality["plain"]["rms_mm"],
        "rms_plain_mm": quality["plain"]["rms_mm"],
        "invented_area_plain": quality["plain"]["invented_area"],
    }


def main():
    """The command line; the last line printed is one JSON object."""
    parser = argparse.ArgumentParser(description="The plain chain against Nightbay's clean, fuse and reduce.")
    parser.add_argument("--points", type=int, default=5_500_000, help="raw points asked of the simulator")
    parser.add_argument("--resolution", type=float, default=2.0, help="surface resolution of both, mm")
    parser.add_argument("--only", choices=["nightbay"], help="run this side alone")
    parser.add_argument("--child", choices=["nightbay", "plain"], help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--faces", type=int, default=0, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        cap_threads(2)
        chain = {"nightbay": run_nightbay, "plain": run_plain}[options.child]
        numbers = chain(options.folder, options.resolution, options.faces)
        (options.folder / f"{options.child}.json").write_text(json.dumps(numbers))
        return
    found = compare(options.points, options.resolution, options.only)
    print(json.dumps({key: round(value, 5) if isinstance(value, float) else value for key, value in found.items()}))


if __name__ == "__main__":
    main()

"""The same pair gives the same pose to the last bit, from any number of threads."""

import os
import subprocess
import sys

import numpy as np

import overlap_scenes

SEARCH = """
import sys
from pathlib import Path
import overlap_scenes, yaml
from nightbay.clouds.cloud import CloudFile
from nightbay.pipeline.settings import settings
from nightbay.refine import pair_search
from nightbay.refine.coarse_match import SearchedSegment

own = settings({"refine": yaml.safe_load(overlap_scenes.CONFIG.read_text(encoding="utf-8"))["refine"]}).refine
a, b = (SearchedSegment(CloudFile(Path(folder))) for folder in sys.argv[1:])
found = pair_search.search_pair("a", "b", a, b, own)
poses = b"".join(pose.T_a_b.tobytes() for pose in found.record.alternatives)
print("found", found.doubt or "trusted", len(found.record.alternatives), poses.hex(), found.record)
"""


def found(folders, threads):
    """What a process of its own finds."""
    own = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), str(threads))
    done = subprocess.run(
        [sys.executable, "-c", SEARCH, *map(str, folders)],
        env=os.environ | own | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def test_the_search_does_not_depend_on_threads(tmp_path):
    rng = np.random.default_rng(1)
    folders = []
    for name in "ab":
        points, normals = overlap_scenes.egg(8_000, rng)
        written = overlap_scenes.write_segment(tmp_path / name, name, points, normals, overlap_scenes.random_pose(rng))
        folders.append(written.folder)
    single = found(folders, 1)
    assert single.startswith("found trusted ")
    assert found(folders, 3) == single  # a process of its own too

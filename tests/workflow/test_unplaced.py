"""A part with a segment that can't be placed: refused by default, with ``leave_out`` made from the others."""

import json
import re

import numpy as np
import pytest

import overlap_scenes
from nightbay.core import rigid
from nightbay.pipeline import stage
from raw_exports import write_ply
from workflow import nights

JOB = "alder"
SHEET = """vehicle_class: van
units: mm
{unplaced}
parts:
  interior: {{segments: {{fore: raw/fore.ply, aft: raw/aft.ply, shelf: raw/shelf.ply}}}}
  exterior: {{segments: {{side: raw/side.ply}}}}
parameters:
  scan: {{resolution_mm: 20}}
  report: {{picture_px: 400}}
"""
CHAIN = ("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure")


def write_runs(folder):
    """Raw exports: two runs through a bay that overlap, a flat sheet that fits nowhere in it, a body from one side.

    Points are 11 to 16 mm apart, below the resolution of the job sheet.
    """
    rng = np.random.default_rng(21)
    for name, (low, high) in {"aft": (650, 2001), "fore": (-1, 1350)}.items():
        points, normals = overlap_scenes.bay(60_000, rng)
        seen = (points[:, 0] >= low) & (points[:, 0] <= high)
        save(folder / f"{name}.ply", points[seen], normals[seen], overlap_scenes.random_pose(rng), rng)
    flat = np.column_stack([rng.uniform(0, 1200, 8_000), rng.uniform(0, 800, 8_000), np.zeros(8_000)])
    save(folder / "shelf.ply", flat, np.tile([0.0, 0.0, 1.0], (len(flat), 1)), np.eye(4), rng)
    points, normals = overlap_scenes.egg(60_000, rng)
    save(folder / "side.ply", points[normals[:, 1] > 0], normals[normals[:, 1] > 0], np.eye(4), rng)


def save(path, points, normals, T, rng):
    noisy = points + normals * rng.normal(0, 0.1, (len(points), 1))
    write_ply(path, "<", "f8", rigid.transform(T, noisy), rigid.rotate(T, normals))


def results(day, part, name):
    return stage.load(day / "results" / JOB / name / f"{part}.json")


def night(day, unplaced):
    """Run a night with this key in the job sheet; the job's row on the board, the board's page and the job's page."""
    (day / JOB / "job.yaml").write_text(SHEET.format(unplaced=unplaced), encoding="utf-8")
    done = nights.run_night(day)
    assert done.returncode == 0, done.stdout + done.stderr
    (row,) = json.loads((day / "results/board/board.json").read_text(encoding="utf-8"))["result"]["jobs"]
    board = (day / "results/board/board/index.html").read_text(encoding="utf-8")
    page = (day / row["page"]).read_text(encoding="utf-8")
    exterior = {name: nights.digests(day / "results" / JOB / name / "exterior") for name in CHAIN}
    return {"row": row, "board": board, "page": page, "exterior": exterior}


@pytest.fixture(scope="module")
def two_nights(tmp_path_factory):
    """The day, and what it showed after a night by default and after one with ``leave_out``."""
    day = tmp_path_factory.mktemp("unplaced") / "day"
    (day / JOB / "raw").mkdir(parents=True)
    write_runs(day / JOB / "raw")
    refused = night(day, "")
    assert results(day, "interior", "refine").status == "rejected"
    return day, refused, night(day, "unplaced: leave_out")


def head(page):
    """The top of a page, above its parts."""
    return " ".join(re.sub("<[^>]*>", " ", page.split('<section id="exterior"')[0].split("</style>")[1]).split())


def test_by_default_the_part_is_refused_and_the_segment_named(two_nights):
    _, refused, _ = two_nights
    sentence = next(text for text in refused["row"]["sentences"] if "shelf" in text)
    assert sentence.startswith("segment shelf can't be placed: segments ")
    assert sentence.endswith("unplaced: leave_out in the job sheet makes the model from the other 2 segments")
    assert "The interior was refused; the rest of the job was made without it." in refused["row"]["sentences"]
    assert "segment shelf can&#39;t be placed: " in refused["page"]


def test_left_out_the_rest_is_a_model_with_a_warning_on_page_and_board(two_nights):
    day, _, left_out = two_nights
    assert left_out["row"]["state"] == "complete with warnings"
    for name in CHAIN:
        assert results(day, "interior", name).status == "ok", results(day, "interior", name).reasons
    refined = results(day, "interior", "refine").result
    assert [missing["segment"] for missing in refined["unplaced"]] == ["shelf"]
    assert sorted(refined["poses"]) == ["aft", "fore"]
    assert sorted(results(day, "interior", "frame").result["segments"]) == ["aft", "fore"]
    missing = "Segment shelf is missing, because it could not be placed: segments "
    share = "The interior is made from 2 of its 3 segments, aft and fore."
    for shown in (head(left_out["page"]), left_out["board"]):
        assert missing in shown and share in shown


def test_a_part_by_surfaces_alone_says_on_page_and_board_how_sure_that_is(two_nights):
    _, _, left_out = two_nights
    top = head(left_out["page"])
    assert "The interior was registered by surfaces alone: pose of fore relative to aft ±" in top
    assert "patches of its overlaps, withheld from the fit, agree to" in top
    assert re.search(r"registered by surfaces alone: ±\d+\.\d\d\smm, ±\d\.\d{3}° \(95 %\)", left_out["board"])


def test_nothing_is_lost_and_the_other_part_is_unharmed(two_nights):
    day, refused, left_out = two_nights
    assert left_out["exterior"] == refused["exterior"]  # made again, since the key is that of the whole job
    assert all(results(day, "exterior", name).status == "ok" for name in CHAIN)
    cleaned = stage.load(day / "results" / JOB / "clean" / "interior.shelf.json")
    assert cleaned.status == "ok" and (cleaned.folder / "cloud.ply").is_file()
    assert (day / JOB / "raw" / "shelf.ply").is_file()

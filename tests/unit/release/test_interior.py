"""The release check of an interior: places of a room in the verdict, on the page, in the pictures and in the JSON."""

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh
import yaml

import blockcar
import marked_pages
from nightbay.core import language, rigid
from nightbay.core.paths import SCHEMAS
from nightbay.coverage import views
from nightbay.frame import frame
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stage import Upstream
from nightbay.release import check, command, page
from nightbay.release.findings import Findings
from nightbay.release.result import PartCheck, ReleaseResult

CONFIG = Path(__file__).resolve().parents[3] / "config" / "config.yaml"
LENGTH, WIDTH, HEIGHT = 3000.0, 1700.0, 1800.0
MISSING = np.array([[300.0, 300, -20], [600, 700, 20]])  # on the floor, front right


def room():
    """A load bay with wheel boxes, its rear open: X from its front, Y right, Z up from its floor."""
    walls = trimesh.creation.box(bounds=[[0, -WIDTH / 2, 0], [LENGTH, WIDTH / 2, HEIGHT]])
    walls.invert()
    walls.update_faces(walls.triangles_center[:, 0] < LENGTH - 1)
    sides = [(-WIDTH / 2, -WIDTH / 2 + 200), (WIDTH / 2 - 200, WIDTH / 2)]
    boxes = [trimesh.creation.box(bounds=[[1700, low, 0], [2500, high, 300]]) for low, high in sides]
    return trimesh.util.concatenate([walls, *boxes])


def checked(folder, shown=None):
    """What the stages of the check leave of a scan of the room without a place, or of the points that are ``shown``."""
    points, normals = blockcar.scan(room(), 160_000, 1)
    hidden = (np.abs(points[:, 1]) > WIDTH / 2 - 199) & (points[:, 0] > 1701) & (points[:, 0] < 2499)
    hidden &= points[:, 2] < 299
    gone = np.all((points > MISSING[0]) & (points < MISSING[1]), axis=1)
    points, normals = points[~hidden & ~gone], normals[~hidden & ~gone]
    if shown is not None:
        points, normals = points[shown(points)], normals[shown(points)]
    rng = np.random.default_rng(2)
    T = rigid.pose(blockcar.rotation(rng), rng.uniform(-2000, 2000, 3))
    segments = {"front": np.flatnonzero(points[:, 0] < 1900), "rear": np.flatnonzero(points[:, 0] > 1100)}
    upstream = blockcar.upstream(folder, points, normals, segments, T, part="interior", ground=False)
    nothing_removed = "\n".join([
        "ply", "format binary_little_endian 1.0", "obj_info origin_mm 0 0 0", "element vertex 0",
        *(f"property float {axis}" for axis in "xyz"), "property uchar reason", "end_header\n",
    ])  # fmt: skip
    for record in upstream["clean"]:
        (record.folder / "removed.ply").write_text(nothing_removed, encoding="ascii")
    options = settings(yaml.safe_load(CONFIG.read_text(encoding="utf-8")))
    result = frame.frame(upstream, {"axes": {}}, options, folder, 1)
    result.pop("notes")
    framed = Upstream("frame", "job", "interior", None, "ok", [], [], result, folder)
    clean = {str(record.segment): record for record in upstream["clean"]}
    return check.Checked(clean=clean, refine=upstream["refine"], frame=framed)


@pytest.fixture(scope="module")
def findings(tmp_path_factory):
    done = checked(tmp_path_factory.mktemp("room"))
    coverage, reason, pictures = check._coverage(done, "interior", lambda line: None)
    assert reason is None
    todo = check._areas(coverage, reason, done, "interior")
    return Findings(todo, [PartCheck("interior", [], [], "design_grid", coverage, None)], {}, pictures)


def test_a_place_that_was_never_seen_is_an_action(findings):
    result = findings.in_words()
    assert result.verdict == "scan again"
    (action,) = result.actions
    assert (action.kind, action.part, action.area) == ("area", "interior", 1)
    assert action.sentence.startswith("1: floor, front right, 0.1")
    assert action.sentence.endswith("Scan it again.")


def test_the_open_end_is_listed_and_keeps_no_vehicle(findings):
    (sentence,) = findings.in_words().open_areas
    assert sentence.startswith("2: rear wall, in the middle")


def test_the_pictures_look_from_inside_and_show_the_place_first(findings):
    assert {picture.view for picture in findings.pictures} == set(views.INSIDE)
    first = findings.pictures[0]
    assert (first.view, first.caption, [mark.number for mark in first.marks]) == ("floor", "Floor, from above", [1])
    (mark,) = first.marks
    # the front is at the left of the picture, the vehicle's right side at its top
    assert mark.x_mm < first.wide_mm / 2 and mark.y_mm < first.high_mm / 2


def test_the_json_fits_its_schema_and_is_read_back(findings):
    record = json.loads(json.dumps(typed.write(findings.in_words())))
    jsonschema.validate(record, json.loads((SCHEMAS / "release.schema.json").read_text(encoding="utf-8")))
    area = typed.read(ReleaseResult, record).parts[0].coverage.areas[0]
    assert (area.place, area.verdict) == ("floor, front right", "never seen")


def test_every_word_of_the_page_is_a_message(findings):
    with language.use(marked_pages.LANGUAGE):
        shown = page.html("bay", findings.in_words(), findings.pictures)
    assert marked_pages.unmarked(shown, {"bay"}) == []


@pytest.mark.parametrize(
    ("shown", "because"),
    [
        (lambda points: points[:, 1] > 840, "a floor and two walls were not found"),
        (lambda points: np.linalg.norm(points - [1750, 700, 250], axis=1) < 150, "no floor and walls at right angles"),
    ],
)
def test_an_interior_without_a_frame_says_that_it_was_not_looked_at(tmp_path, shown, because):
    done = checked(tmp_path, shown)
    coverage, reason, pictures = check._coverage(done, "interior", lambda line: None)
    assert coverage is None and pictures == []
    assert check._areas(coverage, reason, done, "interior") == []
    found = Findings([], [PartCheck("interior", [], [], "as_scanned", None, None)], {"interior": reason}, [])
    assert found.verdict == "may leave"
    (line,) = [line for line in command._lines(tmp_path, "bay", found.in_words()) if "not looked at" in line]
    assert f"because it has no frame ({because}" in line and line.endswith("look round it yourself.")

"""The Ahmed body scanned with targets and faults, through the night's stages: each dimension of the handbook is met.

Source of the dimensions: S. Ahmed, G. Ramm, G. Faltin, SAE 840300 (1984), as public case files give them; slant drop
and base height are recomputed from them.
"""

import json

import numpy as np
import pytest

import ahmed
import chained_stages
import make_day
import scenario
import simulate
from nightbay.core import rigid
from nightbay.meshes import surface

JOB = "reference-body"
POINTS = 80_000  # 5 mm apart on its 1.5 m2
RUNS = {"left": 0.3, "right": 0.3, "front": 0.2, "rear": 0.2}
HANDBOOK = {"length": 1044.0, "width": 389.0, "height": 338.0}
BASE = {25.0: 194.179, 35.0: 160.666}  # height of the base below the slant, mm: 288 mm less 222 mm times its sine


@pytest.fixture(scope="module", params=[25.0, 35.0])
def night(request, tmp_path_factory):
    """Slant, results by stage, and the vertices of the filled surface in the true vehicle frame."""
    slant, folder = request.param, tmp_path_factory.mktemp("ahmed")
    runs = tuple(scenario.Run(name, f"{name}.ply", share) for name, share in RUNS.items())
    job = scenario.Job(
        name=JOB,
        vehicle_class="motorcycle",
        part="exterior",
        title="Reference body",
        body="reference body",
        seen_m2=1.5,
        target_spacing_mm=90.0,
        with_top=True,
        runs=runs,
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(scenario.BODIES, "reference body", lambda chord_mm: ahmed.ahmed_body(slant))
        patch.setattr(scenario, "JOBS", (job,))
        # the demo's tool box is half as long as this body, and no clutter that cleaning knows
        patch.setattr(scenario, "surroundings", lambda body: None)
        # a slip of 0.4 mm over 1.2 m of path would be a quarter of a run; slips have tests of their own
        patch.setattr(scenario, "faults", lambda job, run: simulate.Faults(mirrors=4.0))
        make_day.make(folder / "day", folder / "truth", POINTS, round(slant), [JOB], 1, 1.0)
    records = chained_stages.run(folder / "day", JOB, ("reduce", "deliver", "report"))
    assert {record["status"] for record in records.values()} == {"ok"}
    results = {where.split("/")[2]: record for where, record in records.items()}
    truth = json.loads((folder / "truth" / JOB / "truth.json").read_text())
    model = surface.read_ply(folder / "day" / "results" / JOB / "fill" / "exterior" / "surface.ply")
    T_true_found = np.array(truth["T_vehicle_control"]) @ rigid.invert(
        np.array(results["frame"]["result"]["T_vehicle_control"])
    )
    return slant, results, rigid.transform(T_true_found, model.vertices_mm)


@pytest.mark.parametrize("name", HANDBOOK)
def test_each_dimension_is_the_handbook_s_within_its_uncertainty(night, name):
    found = night[1]["measure"]["result"]["dimensions"][name]
    assert abs(found["value_mm"] - HANDBOOK[name]) < found["uncertainty_mm"]
    assert found["uncertainty_mm"] < 2.0  # and that says something


def test_the_frame_names_what_gives_each_plane_and_that_legs_are_no_wheels(night):
    frame = night[1]["frame"]
    planes = frame["result"]["zero_planes"]
    assert [planes[name]["found_by"] for name in "zy"] == ["ground plane", "symmetry plane of the part"]
    assert (planes["x"]["found_by"], planes["x"]["reason"]) == ("kept", "no wheel was found")
    assert any("No wheel stands on the ground" in note for note in frame["notes"])
    assert "wheelbase" not in night[1]["measure"]["result"]["dimensions"]


def plane_through(points):
    """Unit normal and offset of the plane through most of the points, by two rounds of least squares."""
    for _ in range(2):
        middle = points.mean(axis=0)
        normal = np.linalg.svd(points - middle, full_matrices=False)[2][2]
        off = (points - middle) @ normal
        points = points[np.abs(off) < max(3 * np.std(off), 0.5)]
    return normal * np.sign(normal[2] or 1.0), float(points.mean(axis=0) @ normal)


def test_slant_roof_base_and_floor_meet_where_the_handbook_has_them(night):
    """Planes through the model: slant angle, slant length, base height, clearance.

    A plane of hundreds of vertices errs by a tenth of a vertex's noise of 0.1 mm at its middle; poses and the frame
    move all planes together. Where two planes meet, the error of either over the sine of their angle counts: 0.3 mm.
    """
    slant, _, vertices = night
    x, _, z = vertices.T
    nose = -ahmed.LEGS_X[0]
    rear, top = nose + ahmed.LENGTH, ahmed.CLEARANCE + ahmed.HEIGHT
    run, fall = ahmed.SLANT * np.cos(np.radians(slant)), ahmed.SLANT * np.sin(np.radians(slant))
    inner = np.abs(vertices[:, 1]) < 150
    along = (x - (rear - run)) / run
    on_slant = inner & (along > 0.12) & (along < 0.88) & (np.abs(z - (top - along * fall)) < 4)
    on_roof = inner & (x > nose + 150) & (x < rear - run - 25) & (np.abs(z - top) < 4)
    on_base = inner & (np.abs(x - rear) < 4) & (z > ahmed.CLEARANCE + 20) & (z < top - fall - 20)
    on_floor = inner & (x > nose + 150) & (x < rear - 30) & (np.abs(z - ahmed.CLEARANCE) < 4)
    sloped, sloped_off = plane_through(vertices[on_slant])
    level, level_off = plane_through(vertices[on_roof])
    upright, upright_off = plane_through(vertices[on_base])
    upright, upright_off = upright * np.sign(upright[0]), upright_off * np.sign(upright[0])
    angle = np.degrees(np.arccos(np.clip(sloped @ level, -1, 1)))
    assert angle == pytest.approx(slant, abs=0.15)
    in_middle = np.array([0.0, 1.0, 0.0])
    upper = np.linalg.solve([sloped, level, in_middle], [sloped_off, level_off, 0.0])
    lower = np.linalg.solve([sloped, upright, in_middle], [sloped_off, upright_off, 0.0])
    assert np.linalg.norm(lower - upper) == pytest.approx(ahmed.SLANT, abs=1.0)
    assert lower[2] - ahmed.CLEARANCE == pytest.approx(BASE[slant], abs=0.6)
    if np.count_nonzero(on_floor) > 50:  # the scanner hardly looks below
        assert plane_through(vertices[on_floor])[1] == pytest.approx(ahmed.CLEARANCE, abs=0.5)

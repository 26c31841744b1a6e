"""Intake: working clouds from raw exports, and the sentence for each export that is no scan of the vehicle."""

import json
from pathlib import Path

import jsonschema
import numpy as np
import pymeshlab
import pytest
import trimesh
from scipy.spatial import cKDTree

from nightbay.core.units import MM
from nightbay.intake import plausibility
from nightbay.planning import validation

RANGE_MAP = Path(pymeshlab.__file__).parent / "tests/sample_meshes/rangemaps/face000.ply"


@pytest.fixture
def refusal(take):
    """A function that returns the one sentence that an export is refused with."""

    def run(name, **options):
        record, _ = take(name, **options)
        assert record["status"] == "rejected" and record["result"] == {}
        (reason,) = record["reasons"]
        assert reason["sentence"].endswith(".") and "\n" not in reason["sentence"]
        return reason["sentence"]

    return run


def side(count=20_000):
    """A curved panel of 4 x 1.5 m far from the origin, with its normals, (n, 3) each."""
    rng = np.random.default_rng(3)
    u, v = rng.uniform(-2000, 2000, count), rng.uniform(-0.7, 0.7, count)
    normal = np.column_stack([np.zeros(count), np.cos(v), np.sin(v)])
    return np.column_stack([u, 1100 * normal[:, 1], 1100 * normal[:, 2]]) + [70_000, -30_000, 900], normal


def save(name, *columns, fmt="%.5f"):
    np.savetxt(name, np.column_stack(columns), fmt=fmt)
    return name


def test_a_working_cloud_holds_the_points_about_its_origin(take):
    xyz, normal = side()
    record, cloud = take(save("a.xyz", xyz / 1000, normal, fmt="%.8f"), units="m")
    result = record["result"]
    jsonschema.validate(result, validation.schema("intake"))
    got = cloud.block(0, len(cloud))
    distance, row = cKDTree(xyz).query(got.xyz_mm + cloud.origin_mm)
    assert len(np.unique(row)) == len(xyz)
    assert distance.max() < 2e-4  # a float32 at 2 m steps by 1.2e-4 mm, the text by 1e-5
    assert np.abs(got.normal - normal[row]).max() < 1e-6
    assert result["low_mm"] == pytest.approx(xyz.min(axis=0), abs=2e-4)
    assert result["high_mm"] == pytest.approx(xyz.max(axis=0), abs=2e-4)
    assert result["origin_mm"] == cloud.origin_mm.tolist()
    assert (result["count"], result["normals"], result["colour"]) == (len(xyz), "measured", False)
    # Poisson points at density d: the median distance to the nearest is sqrt(ln 2 / (pi d)).
    density = len(xyz) / (4000 * 1100 * 1.4)
    assert result["neighbour_distance_mm"] == pytest.approx(np.sqrt(np.log(2) / (np.pi * density)), rel=0.05)
    assert record["notes"] == []


def test_the_same_bytes_in_a_second_run_and_nothing_left_over(take, tmp_path):
    save("a.xyz", side(5000)[0])
    first = take("a.xyz")[0]
    second = take("a.xyz")[0]
    assert first == second
    assert set(first["files"]) == {"cloud.ply", "tiles.npy"}


@pytest.mark.parametrize(("units", "scale"), [("mm", 1), ("cm", 10), ("m", 1000), ("inch", 25.4)])
def test_units_are_converted(take, units, scale):
    xyz, _ = side(5000)
    result = take(save("a.xyz", xyz / scale, fmt="%.9f"), units=units)[0]["result"]
    assert result["low_mm"] == pytest.approx(xyz.min(axis=0), abs=1e-2)
    assert result["units"] == units


@pytest.mark.parametrize(
    ("units", "true", "sentence"),
    [
        (
            "mm",
            "m",
            "a.xyz spans 4.017 mm with the declared units mm; 800 to 11650 mm are plausible for a segment",
        ),
        ("mm", "m", "it would span 4017 mm in m, so correct 'units' in the job sheet."),
        ("mm", "cm", "it would span 4017 mm in cm or 10203 mm in inch, so correct 'units' in the job sheet."),
        ("mm", "inch", "it would span 1581 mm in cm or 4017 mm in inch, so correct"),
        ("m", "mm", "it would span 4017 mm in mm, so correct 'units' in the job sheet."),
        ("inch", "mm", "it would span 4017 mm in mm, so correct 'units' in the job sheet."),
        ("inch", "m", "it would span 4017 mm in m, so correct 'units' in the job sheet."),
    ],
)
def test_wrong_units_are_refused_and_those_that_fit_named(refusal, units, true, sentence):
    xyz, _ = side(5000)
    xyz = (xyz - xyz.mean(axis=0)) * (4017 / plausibility.span(xyz))
    save("a.xyz", xyz / MM[true], fmt="%.9f")
    assert sentence in refusal("a.xyz", units=units)


@pytest.mark.parametrize("span_mm", [30, 25_000])
def test_a_size_that_fits_in_no_unit(refusal, span_mm):
    """30 mm would be 300 mm, 762 mm or 30 m; 25 m only more."""
    xyz, _ = side(5000)
    xyz = (xyz - xyz.mean(axis=0)) * (span_mm / plausibility.span(xyz))
    found = refusal(save("a.xyz", xyz, fmt="%.9f"))
    assert "no unit would make it fit, so check the file and the vehicle class." in found


def test_the_check_of_units_does_not_mind_turning_outliers_and_ground(take):
    xyz, _ = side()
    rng = np.random.default_rng(5)
    ground = rng.uniform(-1, 1, (5000, 3)) * [3000, 2500, 5] - [0, 0, 900]
    outliers = rng.uniform(-20_000, 20_000, (20, 3))
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    save("a.xyz", np.concatenate([xyz - xyz.mean(axis=0), ground, outliers]) @ turn)
    assert take("a.xyz")[0]["status"] == "ok"


def test_coordinates_that_are_not_finite(refusal):
    xyz, _ = side(5000)
    xyz[[41, 77]] = np.nan
    xyz[99, 2] = -np.inf
    assert refusal(save("a.xyz", xyz)) == (
        "a.xyz: 3 of 5000 points have no coordinates that are finite and at most 1e+12 (point 42 has x = nan): "
        "export it again without them."
    )


def test_all_points_in_one_spot(refusal):
    spot = np.full((5000, 3), [1, 2, 3.0])
    assert refusal(save("a.xyz", spot)) == (
        "a.xyz: all 5000 points lie in one spot at (1, 2, 3) mm, 0 mm across: export it again."
    )


def test_too_few_points(refusal):
    assert refusal(save("a.xyz", side(999)[0])) == (
        "a.xyz holds 999 points; at least 1000 are needed (parameter intake.fewest_points): export the whole segment."
    )


def test_a_point_that_is_far_from_all_others(refusal):
    xyz, _ = side(5000)
    xyz[7, 0] += 3e6
    assert "a point lies 299" in (found := refusal(save("a.xyz", xyz)))
    assert "at most 1000000 mm are allowed (parameter intake.farthest_mm)" in found


def test_the_reason_why_a_file_is_missing_is_passed_on(refusal):
    assert refusal("a.ply", unreadable="a.ply does not exist: put it there.") == "a.ply does not exist: put it there."


def test_what_a_reader_refuses_rejects_the_segment(refusal, tmp_path):
    (tmp_path / "a.ply").write_bytes(b"")
    assert refusal("a.ply") == "a.ply is empty (0 bytes): copy or export it again."


def test_copies_are_dropped_and_counted(take):
    xyz, normal = side(5000)
    save("a.xyz", np.concatenate([xyz, xyz[:500], xyz[:500]]), np.concatenate([normal, normal[:500], normal[:500]]))
    result = take("a.xyz")[0]["result"]
    assert result["count"] == 5000
    assert result["dropped"] == {"invalid": 0, "copies": 1000}


def test_corners_of_loose_faces_become_points_with_the_mean_of_their_normals(take):
    trimesh.creation.icosphere(4, 1000.0).export("a.stl")
    record, cloud = take("a.stl")
    points = cloud.block(0, len(cloud))
    radius = points.xyz_mm + cloud.origin_mm
    assert len(cloud) == 2562
    assert record["result"]["dropped"]["copies"] == 3 * 5120 - 2562
    assert np.sum(points.normal * radius, axis=1).min() > 1000 * np.cos(np.radians(3))


def test_points_without_a_normal_take_their_neighbours(take):
    xyz, normal = side(5000)
    normal[::50] = 0
    record, cloud = take(save("a.xyz", xyz, normal, fmt="%.7f"), columns=["x", "y", "z", "nx", "ny", "nz"])
    points = cloud.block(0, len(cloud))
    assert record["result"]["normals_filled"] == 100
    assert record["notes"] == ["a.xyz: 100 points had no normal; each took that of its nearest neighbour."]
    outward = (points.xyz_mm + cloud.origin_mm - [70_000, -30_000, 900])[:, 1:] / 1100
    # Neighbours lie about 17 mm apart on a radius of 1100 mm, the farthest some 60 mm: 3 deg.
    assert np.sum(points.normal[:, 1:] * outward, axis=1).min() > np.cos(np.radians(4))


def test_too_many_points_without_a_normal_mean_that_all_are_estimated(take):
    xyz, normal = side(5000)
    normal[::10] = 0
    record, _ = take(save("a.xyz", xyz, normal, fmt="%.7f"), columns=["x", "y", "z", "nx", "ny", "nz"])
    assert record["result"]["normals"] == "estimated"


def test_estimated_normals_are_marked_and_said(take):
    record, _ = take(save("a.xyz", side()[0]))
    assert record["result"]["normals"] == "estimated"
    assert 0 <= record["result"]["normals_certainty"] <= 1
    assert record["notes"][0].startswith("a.xyz has no normals: they were estimated from the points. Their outer")


def test_an_interior_has_its_normals_inside(take):
    rng = np.random.default_rng(8)
    xyz = rng.normal(size=(40_000, 3))
    xyz *= 1000 / np.linalg.norm(xyz, axis=1, keepdims=True)
    save("a.xyz", xyz)
    for part, sign in (("exterior", 1), ("interior", -1)):
        cloud = take("a.xyz", part=part)[1]
        points = cloud.block(0, len(cloud))
        assert np.mean(sign * np.sum(points.normal * (points.xyz_mm + cloud.origin_mm), axis=1) > 0) > 0.999


def test_a_real_range_map(take):
    """A face, 174 mm tall, in a van's place: refused for its size, and taken when any size is."""
    record, _ = take(RANGE_MAP)
    assert "spans 174.3 mm with the declared units mm" in record["reasons"][0]["sentence"]
    record, cloud = take(RANGE_MAP, least_share=0)
    assert (record["result"]["count"], record["result"]["normals"]) == (85849, "measured")
    assert record["result"]["normals_filled"] == 667  # vertices that no face uses
    points = cloud.block(0, len(cloud))
    towards_camera = -(points.xyz_mm + cloud.origin_mm)
    assert np.mean(np.sum(points.normal * towards_camera, axis=1) > 0) > 0.999
    json.dumps(record, allow_nan=False)


def test_colour_is_carried_with_its_points(take):
    xyz, normal = side(5000)
    colour = np.random.default_rng(2).integers(0, 256, (5000, 3))
    record, cloud = take(
        save("a.txt", xyz, colour, normal), columns=["x", "y", "z", "red", "green", "blue", "nx", "ny", "nz"]
    )
    points = cloud.block(0, len(cloud))
    _, row = cKDTree(xyz).query(points.xyz_mm + cloud.origin_mm)
    assert record["result"]["colour"]
    assert np.array_equal(points.colour, colour[row])

"""The stage on simulated tables: what it measures, how sure it says it is, and what it refuses."""

import json

import jsonschema
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import artefact_scenes as scenes
from nightbay.artefact import artefact
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.core.paths import SCHEMAS
from nightbay.matching import targets
from nightbay.matching.targets import Targets


def measured(tmp_path, benches, entries, placed=False, poses=None, **others):
    """The result of the stage; ``benches`` by segment."""
    poses = poses or {}
    taken = [scenes.upstream(tmp_path, bench, name, poses.get(name)) for name, bench in benches.items()]
    sheet = scenes.sheet(entries, benches, placed, **others)
    result = artefact.artefact({"intake": taken}, sheet, scenes.SETTINGS, tmp_path, 1)
    notes = result.pop("notes")
    plain = json.loads(json.dumps(result))
    jsonschema.validate(plain, json.loads((SCHEMAS / "artefact.schema.json").read_text()))
    return plain | {"notes": notes}


def bench(seed, **known):
    return scenes.Bench(np.random.default_rng(seed), **known)


def quantity(result, name, key, view=0):
    (found,) = (entry for entry in result["artefacts"] if entry["name"] == name)
    return [shown for shown in found["views"][view]["quantities"] if shown["key"] == key]


def test_sphere_bar_and_plate_on_one_table(tmp_path):
    """A scanner that measures 0.1 mm/m too long; three times the stated uncertainty holds in all but 1 in 300 cases."""
    table = bench(3, scale=1.0001, common_mm=0.01).sphere((0, 0, 45), 38.1).sphere((500, 0, 45), 38.1)
    table.sphere((250, 100, 60), 50.0).plate((100, -140, 10)).table(free=[((100, -140), (300, -20))]).strays()
    entries = [scenes.sphere_entry(), scenes.bar_entry(), scenes.plate_entry()]
    result = measured(tmp_path, {"table": table}, entries)
    assert [entry["name"] for entry in result["artefacts"]] == ["ball", "bar", "plate"]
    assert result["undecided"] == [] and result["not_joined"] is None
    (size,) = quantity(result, "ball", "probing_size")
    assert size["value_mm"] == pytest.approx(0.005, abs=1.5 * size["uncertainty_mm"])
    (spacing,) = quantity(result, "bar", "sphere_spacing")
    assert spacing["value_mm"] == pytest.approx(0.05, abs=1.5 * spacing["uncertainty_mm"])
    assert spacing["uncertainty_mm"] < 0.02
    (flatness,) = quantity(result, "plate", "flatness")
    # 0.3 % of normal noise dropped: what is left reaches 2.97 standard deviations either way
    noise_mm = np.hypot(scenes.NOISE_MM, 0.01)
    assert flatness["value_mm"] == pytest.approx(2 * 2.968 * noise_mm, abs=1.5 * flatness["uncertainty_mm"])
    (comparison,) = (found for found in result["artefacts"][0]["views"][0]["comparisons"] if found["key"] == "noise")
    assert comparison["found_mm"] == pytest.approx(noise_mm, rel=0.05) and not comparison["worse"]


def test_a_scanner_that_is_noisier_than_declared_is_worse(tmp_path):
    table = bench(4, noise_mm=0.09).sphere((0, 0, 60), 50.0).table()
    result = measured(tmp_path, {"table": table}, [scenes.sphere_entry()])
    assert [found["key"] for found in result["artefacts"][0]["views"][0]["comparisons"] if found["worse"]] == ["noise"]


def test_a_drifted_bar_is_worse(tmp_path):
    """0.3 mm/m where 0.03 are declared: ten standard deviations."""
    table = bench(5, scale=1.0003).sphere((0, 0, 45), 38.1).sphere((500, 0, 45), 38.1).table()
    result = measured(tmp_path, {"table": table}, [scenes.bar_entry()])
    assert [found["key"] for found in result["artefacts"][0]["views"][0]["comparisons"] if found["worse"]] == [
        "spacing"
    ]


def test_half_a_sphere_is_measured_with_more_uncertainty(tmp_path):
    whole = measured(tmp_path / "a", {"t": bench(6).sphere((0, 0, 60), 50.0)}, [scenes.sphere_entry()])
    half = measured(tmp_path / "b", {"t": bench(6).sphere((0, 0, 60), 50.0, lowest=0.0)}, [scenes.sphere_entry()])
    wide, narrow = (quantity(result, "ball", "probing_size")[0] for result in (half, whole))
    assert half["artefacts"][0]["views"][0]["surfaces"][0]["covered"] == pytest.approx(0.5, abs=0.03)
    # by geometry 2.0 / sqrt(half the points), against 1.03 on four fifths of a sphere
    assert wide["uncertainty_mm"] > 1.5 * narrow["uncertainty_mm"]
    assert abs(wide["value_mm"]) < 1.5 * wide["uncertainty_mm"]


def test_a_cap_is_refused(tmp_path):
    table = bench(7).sphere((0, 0, 60), 50.0, lowest=0.6).table()
    with pytest.raises(
        Rejected, match=r"of a sphere of artefact ball can be evaluated, and 25 % are needed .*: scan it"
    ):
        measured(tmp_path, {"table": table}, [scenes.sphere_entry()])


def test_another_sphere_is_refused(tmp_path):
    table = bench(8).sphere((0, 0, 60), 48.0).table()
    with pytest.raises(Rejected, match=r"the nearest in size measures 48.0\d mm, more than 0.5 mm apart"):
        measured(tmp_path, {"table": table}, [scenes.sphere_entry()])


def test_nothing_round_is_refused(tmp_path):
    with pytest.raises(Rejected, match=r"day/raw/table.ply: no sphere of 50 mm was found for artefact ball: check"):
        measured(tmp_path, {"table": bench(9).plate((100, 0, 20)).table().strays()}, [scenes.sphere_entry()])


def test_two_similar_spheres_are_not_decided(tmp_path):
    table = bench(10).sphere((0, 0, 60), 50.0).sphere((200, 0, 60), 50.3).table()
    with pytest.raises(Rejected, match="2 spheres of 50 mm were found, and nothing decides which"):
        measured(tmp_path, {"table": table}, [scenes.sphere_entry()])


def test_two_artefacts_of_one_size_need_both_to_be_scanned(tmp_path):
    entries = [scenes.sphere_entry("a"), scenes.sphere_entry("b", 50.2)]
    with pytest.raises(Rejected, match="artefacts a and b have about the same size, and only one of them was found"):
        measured(tmp_path, {"table": bench(10).sphere((0, 0, 60), 50.1).table()}, entries)


def test_a_bar_of_another_length_is_refused(tmp_path):
    table = bench(11).sphere((0, 0, 45), 38.1).sphere((495, 0, 45), 38.1).table()
    with pytest.raises(Rejected, match=r"are 495.0\d mm apart, and artefact bar has 500 mm"):
        measured(tmp_path, {"table": table}, [scenes.bar_entry()])


def test_one_end_of_a_bar_and_three_ends_are_refused(tmp_path):
    one = bench(12).sphere((0, 0, 45), 38.1).table()
    with pytest.raises(Rejected, match="only one sphere of 38.1 mm was found for artefact bar: scan both ends"):
        measured(tmp_path / "one", {"table": one}, [scenes.bar_entry(distance_mm=300.0)])
    three = bench(12).sphere((0, 0, 45), 38.1).sphere((300, 0, 45), 38.1).sphere((600, 0, 45), 38.1).table()
    with pytest.raises(Rejected, match="2 pairs of spheres are 300 mm apart"):
        measured(tmp_path / "three", {"table": three}, [scenes.bar_entry(distance_mm=300.0)])


def test_what_was_not_found_beside_what_was(tmp_path):
    table = bench(13).sphere((0, 0, 60), 50.0).table()
    result = measured(tmp_path, {"table": table}, [scenes.sphere_entry(), scenes.plate_entry()])
    assert [entry["name"] for entry in result["artefacts"]] == ["ball"]
    (missing,) = result["undecided"]
    assert missing["name"] == "plate" and "no flat surface of 200 mm by 120 mm was found" in missing["sentence"]


def test_two_plates_are_not_decided_and_a_bow_shows(tmp_path):
    two = bench(14).plate((0, 0, 20)).plate((300, 0, 20)).table()
    with pytest.raises(Rejected, match="2 flat surfaces of 200 mm by 120 mm were found"):
        measured(tmp_path / "two", {"table": two}, [scenes.plate_entry()])
    bowed = measured(
        tmp_path / "bow", {"table": bench(15).plate((0, 0, 20), bow_mm=0.3).table()}, [scenes.plate_entry()]
    )
    (flatness,) = quantity(bowed, "plate", "flatness")
    assert 0.3 < flatness["value_mm"] < 0.3 + 2 * 2.968 * scenes.NOISE_MM


def test_the_temperature_of_a_bar(tmp_path):
    """At 30 degrees a steel bar of 500 mm is 0.0575 mm longer (geometry)."""
    table = bench(16, scale=1.000115).sphere((0, 0, 45), 38.1).sphere((500, 0, 45), 38.1).table()
    warm = scenes.bar_entry(expansion_per_k=11.5e-6, temperature_c=30.0, temperature_sd_c=1.0)
    result = measured(tmp_path, {"table": table}, [warm])
    (spacing,) = quantity(result, "bar", "sphere_spacing")
    assert spacing["calibrated_mm"] == pytest.approx(500.0575)
    assert spacing["budget_mm"]["temperature"] == pytest.approx(0.00575)
    assert abs(spacing["value_mm"]) < 1.5 * spacing["uncertainty_mm"]


def ids(xyz_mm, names):
    return Targets(list(names), np.array(xyz_mm, float), None, None)


def raw(name):
    return {"file": f"day/raw/{name}.targets.csv"}


def test_a_scale_bar(tmp_path, monkeypatch):
    listed = ids([(0, 0, 0), (800.1, 0, 0), (3, 4, 5)], "abc")
    monkeypatch.setattr(targets, "read", lambda raw: listed)
    entry = {"name": "rod", "kind": "scale_bar", "from": "a", "to": "b", "distance_mm": 800.0, "coverage_factor": 2.0,
             "distance_uncertainty_mm": 0.02}  # fmt: skip
    table = {"table": bench(17).table()}
    result = measured(tmp_path, table, [entry], targets={"table": raw("table")})
    (error,) = quantity(result, "rod", "target_spacing")
    assert error["value_mm"] == pytest.approx(0.1)
    assert error["uncertainty_mm"] == pytest.approx(1.96 * np.sqrt(2 * 0.05**2 + 0.01**2), rel=1e-3)
    with pytest.raises(Rejected, match="its list of targets has 0 with the id z of scale bar rod, and 1 is needed"):
        measured(tmp_path, table, [entry | {"to": "z"}], targets={"table": raw("table")})
    with pytest.raises(Rejected, match="has no list of targets with ids, so scale bar rod is not measured: export"):
        measured(tmp_path, table, [entry])


TURNED = rigid.pose(Rotation.from_rotvec([0.2, -0.4, 1.1]).as_matrix(), (300.0, -80.0, 40.0))


def views(first, second):
    """Two views of one table, each of which sees one side."""
    return {
        "a": bench(first).sphere((0, 0, 60), 50.0, lowest=-0.2).sphere((300, 0, 45), 38.1).sphere((300, 90, 45), 30.0),
        "b": bench(second).sphere((0, 0, 60), 50.0, lowest=-0.6).sphere((300, 0, 45), 38.1).sphere((300, 90, 45), 30.0),
    }


THREE = [scenes.sphere_entry(), scenes.sphere_entry("small", 38.1), scenes.sphere_entry("tiny", 30.0)]


def test_views_joined_by_spheres(tmp_path):
    result = measured(tmp_path, views(18, 19), THREE, poses={"b": TURNED})
    assert result["not_joined"] is None
    joined = result["artefacts"][0]["views"][2]
    assert joined["segments"] == ["a", "b"] and joined["joined_by"] == "spheres"
    first, second = (result["artefacts"][0]["views"][view]["surfaces"][0]["points"] for view in (0, 1))
    assert joined["surfaces"][0]["points"] == pytest.approx(first + second, rel=0.05)


def test_views_that_can_not_be_joined_say_why(tmp_path):
    result = measured(tmp_path, views(18, 19), THREE[:2], poses={"b": TURNED})
    assert "fewer than 3 of the same spheres" in result["not_joined"]
    assert all(len(view["segments"]) == 1 for entry in result["artefacts"] for view in entry["views"])


def test_views_in_one_frame_and_by_targets(tmp_path, monkeypatch):
    placed = measured(tmp_path / "placed", views(20, 21), THREE[:1], placed=True)
    assert placed["artefacts"][0]["views"][2]["joined_by"] == "placed"
    corners = np.array([(0, 0, 0), (400, 0, 0), (0, 300, 0), (100, 100, 200)], float)
    lists = {"a": ids(corners, "klmn"), "b": ids(rigid.transform(TURNED, corners), "klmn")}
    monkeypatch.setattr(targets, "read", lambda raw: lists[raw["file"][8]])
    result = measured(
        tmp_path / "t", views(20, 21), THREE[:1], poses={"b": TURNED}, targets={name: raw(name) for name in "ab"}
    )
    joined = result["artefacts"][0]["views"][2]
    assert joined["joined_by"] == "targets"
    alone = quantity(result, "ball", "probing_size", 0)[0]
    assert quantity(result, "ball", "probing_size", 2)[0]["uncertainty_mm"] < alone["uncertainty_mm"]

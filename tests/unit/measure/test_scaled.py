"""Lengths multiplied on request: by scale bars or to 20 degrees, through network, refine, frame, fuse and measure."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import yaml

import blockcar
import network_sheets
import networks
from nightbay.clouds import cloud
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.frame import frame
from nightbay.fuse import fuse
from nightbay.matching import target_list
from nightbay.measure import measure
from nightbay.network import assembly, network
from nightbay.pipeline import typed
from nightbay.pipeline.settings import settings as frozen
from nightbay.refine import refine

CONFIG = yaml.safe_load((Path(__file__).resolve().parents[3] / "config/config.yaml").read_text(encoding="utf-8"))
SHORT = 200e-6  # the scanner's millimetre is too long by this share, so that its lengths read short
HALVES = {"front": (-800.0, 1500.0), "rear": (1000.0, 3300.0)}  # along X, with half a metre in common


class TestCloud:
    @pytest.fixture
    def folder(self, tmp_path):
        rng = np.random.default_rng(1)
        points = rng.uniform(-900, 900, (3000, 3)).astype(np.float32)
        cloud.write(tmp_path, [cloud.Cloud(points, np.zeros_like(points))], np.array([1000.0, -2000.0, 30.0]), 250.0)
        return tmp_path

    def test_all_coordinates_are_multiplied(self, folder):
        plain, scaled = cloud.CloudFile(folder), cloud.CloudFile(folder, scale=1.001)
        every = plain.block(0, len(plain)).xyz_mm.astype(np.float64) + plain.origin_mm
        again = scaled.block(0, len(scaled)).xyz_mm.astype(np.float64) + scaled.origin_mm
        assert again == pytest.approx(1.001 * every, abs=2e-4)  # float32 resolves 6e-5 mm of 900
        for number, tile in enumerate(scaled.tiles):
            inside = scaled.tile(number).xyz_mm
            assert (inside >= tile["low_mm"]).all() and (inside <= tile["high_mm"]).all()

    def test_a_box_holds_what_lies_in_it_after_the_factor(self, folder):
        scaled = cloud.CloudFile(folder, scale=1.5)
        every = scaled.block(0, len(scaled)).xyz_mm
        low, high = np.array([-300.0, 100, -1350]), np.array([700.0, 1350, 1350])
        found, rows = scaled.near(low, high)
        assert sorted(rows) == np.flatnonzero(np.all((every >= low) & (every <= high), axis=1)).tolist()
        assert np.array_equal(found.xyz_mm, every[rows])

    def test_a_factor_of_one_changes_no_bit(self, folder):
        plain, same = cloud.CloudFile(folder), cloud.CloudFile(folder, scale=1.0)
        assert plain.tiles.tobytes() == same.tiles.tobytes()
        assert plain.block(0, 3000).xyz_mm.tobytes() == same.block(0, 3000).xyz_mm.tobytes()


class TestNetwork:
    @staticmethod
    def build(factor, **parameters):
        """Result of a survey and two segments whose millimetre is too long by ``factor``; a bar and 35 degrees."""
        rng = np.random.default_rng(2)
        truth = networks.body(rng, 40)
        lists = []
        for name in ("control survey", "left", "right"):
            one, _, numbers = networks.record(truth, np.arange(40), rng, name=name, noise_mm=0.01)
            ids = [f"t{number}" for number in numbers]
            lists.append(replace(one, xyz_mm=one.xyz_mm / factor, id=ids))
        scan = CONFIG["scan"] | {"target_noise_mm": 0.01, "target_drift_mm_per_m": 0.0}
        length = float(np.linalg.norm(truth.xyz_mm[3] - truth.xyz_mm[20]))
        sheet = {
            "scale_bars": [{"from": "t3", "to": "t20", "length_mm": length, "sd_mm": 0.005}],
            "temperature_c": 35.0,
            "body_material": "steel",
        }
        settings = frozen({"network": CONFIG["network"] | parameters, "scan": scan})
        found = network.adjust_lists(lists, True, False, settings)
        result, notes = assembly.assemble(found, sheet, [], settings)
        return typed.write(result) | {"notes": notes}

    def test_off_by_default_and_then_nothing_moves(self):
        result = self.build(1 + SHORT)
        assert result["scale"]["factor"] == 1.0 and result["scale"]["sd"] is None
        assert any("longer there than at 20" in note for note in result["notes"])

    def test_bars_multiply_poses_and_targets_alike(self):
        off, on = self.build(1 + SHORT), self.build(1 + SHORT, scale_from_bars=True)
        factor, sd = on["scale"]["factor"], on["scale"]["sd"]
        assert factor == pytest.approx(1 + SHORT, abs=4 * sd) and sd < 2e-5
        assert on["scale"]["applied"] == ["scale bars"]
        assert on["scale_bars"] == off["scale_bars"]  # as measured, before the factor
        for one, other in zip(on["targets"], off["targets"], strict=True):
            assert one["xyz_mm"] == pytest.approx(factor * np.array(other["xyz_mm"]), rel=1e-12)
        for name, pose in on["poses"].items():
            T, before = np.array(pose["T_control_segment"]), np.array(off["poses"][name]["T_control_segment"])
            assert np.array_equal(T[:3, :3], before[:3, :3])  # poses stay rigid
            assert T[:3, 3] == pytest.approx(factor * before[:3, 3], rel=1e-12)

    def test_a_bar_that_no_scanner_explains_does_not_rule(self):
        with pytest.raises(Rejected, match="scale bars ask for a factor of 1.0300 .* check their ids and lengths"):
            self.build(1.03, scale_from_bars=True)
        assert not self.build(1.03)["scale_bars"][0]["passed"]

    def test_bars_and_temperature_together(self):
        on = self.build(1 + SHORT, scale_from_bars=True, to_20_c=True)["scale"]
        assert on["applied"] == ["scale bars", "temperature"]
        assert on["factor"] == pytest.approx(on["bars"]["factor"] * on["temperature"]["factor"], rel=1e-12)
        assert on["sd"] == pytest.approx(np.hypot(on["bars"]["sd"], on["temperature"]["sd"]), rel=1e-12)


class TestChain:
    """Two scanned halves of a car, with a control survey and a bar between two of its targets."""

    SCAN = CONFIG["scan"] | {"resolution_mm": 12.0, "target_noise_mm": 0.02, "target_drift_mm_per_m": 0.003}

    def measured(self, folder, car, **parameters):
        """Result of measure, stage by stage."""
        rng = np.random.default_rng(7)
        points, normals = car
        points = points / (1 + SHORT)
        rows = {name: np.flatnonzero((points[:, 0] > a) & (points[:, 0] < b)) for name, (a, b) in HALVES.items()}
        made = blockcar.upstream(folder, points, normals, rows, np.eye(4))
        places = np.sort(rng.choice(len(points), 60, replace=False))
        lists = [self.listed("control survey", points[places], normals[places], np.eye(4), rng)]
        for name, pose in made["refine"].result["poses"].items():
            mine = places[np.isin(places, rows[name])]
            lists.append(self.listed(name, points[mine], normals[mine], pose["T_control_segment"], rng))
        ends = [int(np.argmin(points[places, 0])), int(np.argmax(points[places, 0]))]
        length = float(np.linalg.norm(np.subtract(*points[places[ends]]))) * (1 + SHORT)
        bar = {"from": f"t{ends[0]}", "to": f"t{ends[1]}", "length_mm": length, "sd_mm": 0.02}
        more = {"scale_bars": [bar], "temperature_c": 35.0, "body_material": "aluminium"}
        sheets = {
            "network": network_sheets.sheet(folder, lists[0], lists[1:], **more),
            "refine": {"unplaced": "refuse", "point_pairs": []},
        }
        settings = {name: CONFIG[name] for name in ("refine", "fuse", "measure")} | {"scan": self.SCAN}
        settings["network"] = CONFIG["network"] | parameters
        settings["refine"] = settings["refine"] | {"correspondences": 2000}
        settings["frame"] = CONFIG["frame"] | {"coarse_mm": 45.0}
        # the same points: nothing is to be cleaned here
        made["intake"] = [
            replace(segment, result=segment.result | {"file": f"{segment.segment}.ply"}) for segment in made["clean"]
        ]
        for stage in (network.network, refine.refine, frame.frame, fuse.fuse):
            name = stage.__name__
            (folder / name).mkdir()
            result = stage(made, sheets.get(name, {}), frozen(settings), folder / name, 1)
            result.pop("notes", None)  # as the contract of a stage does
            made[name] = SimpleNamespace(result=result, folder=folder / name)
        made["fill"] = SimpleNamespace(folder=folder / "fuse", job="van", part="exterior")
        return measure.measure(made, {}, frozen(settings), folder, 1)["dimensions"]

    @staticmethod
    def listed(name, xyz, normal, T, rng):
        back = rigid.invert(np.array(T))
        xyz = rigid.transform(back, xyz) + rng.normal(0, 0.02, xyz.shape)
        ids = [f"t{row}" for row in range(len(xyz))] if name == "control survey" else None
        return target_list.TargetList(name, f"{name}.csv", xyz, None, rigid.rotate(back, normal), ids)

    def test_the_length_is_right_within_its_uncertainty_once_the_bar_rules(self, tmp_path, monkeypatch):
        car, found = blockcar.scan(blockcar.car(mirrors=False, antenna=False), 120_000, 4), []
        for name, asked in (("off", {}), ("on", {"scale_from_bars": True, "to_20_c": True})):
            (tmp_path / name).mkdir()
            monkeypatch.chdir(tmp_path / name)
            found.append(self.measured(tmp_path / name, car, **asked))
        off, on = (one["length"] for one in found)
        cooled = 1 / (1 + 23.5e-6 * 15)  # aluminium, scanned at 35 degrees
        true = blockcar.LENGTH * cooled
        print(off, on, true)
        assert abs(on["value_mm"] - true) < on["uncertainty_mm"] < 0.7
        assert abs(off["value_mm"] - blockcar.LENGTH) > off["uncertainty_mm"]  # 200 ppm, which nobody asked to correct
        assert "scale" not in off["budget_mm"]
        assert on["budget_mm"]["scale"] == pytest.approx(np.hypot(0.03, 4 * 0.027), rel=0.3)  # the bar, and temperature
        # told at the temperature of the day, and made where it was asked for
        assert on["at_20_c"] is None
        assert off["at_20_c"]["value_mm"] == pytest.approx(cooled * off["value_mm"], rel=1e-9)
        for name, one in found[1].items():
            # the same surface, multiplied: what is left of some millimetres is a grid that lies elsewhere
            assert one["value_mm"] == pytest.approx((1 + SHORT) * cooled * found[0][name]["value_mm"], abs=0.15)

"""Results of the stages of a small vehicle, the page that report makes of them, and a check of its HTML."""

import json
import re
from html.parser import HTMLParser

import numpy as np
import trimesh

from nightbay.clean.result import CleanResult
from nightbay.deliver.result import DeliverResult
from nightbay.fill.result import FillResult, Opening, OpeningsTotal
from nightbay.frame.result import AxleResult, FrameResult, Heading, WheelResult
from nightbay.intake.result import IntakeResult
from nightbay.measure import left_right
from nightbay.measure.result import Dimension, MeasureResult, Symmetry, TouchPoints
from nightbay.meshes import surface
from nightbay.network.result import NetworkResult
from nightbay.pipeline import stage, typed
from nightbay.pipeline.settings import settings
from nightbay.reduce.result import Level, ReduceResult
from nightbay.refine.result import Discrepancy, DistanceSummary, RefineResult
from nightbay.report import report
from typed_results import made

SETTINGS = {
    "report": {
        "language": "en",
        "customer_language": None,
        "most_faces": 10_000,
        "model_faces": 10_000,
        "picture_px": 160,
        "thumbnail_px": 60,
        "text_share": 0.03,
        "marked_openings": 5,
    }
}


def upstream(stage_name, result, tmp_path, part="exterior", segment=None, status="ok", reasons=(), notes=()):
    return stage.Upstream(
        stage_name, "larch", part, segment, status, list(reasons), list(notes), result, tmp_path / stage_name
    )


def sheet(**known):
    return {
        "title": "Larch <van> & more",
        "note": "",
        "vehicle_class": "van",
        "state": {"load": "empty", "tyre_pressure_kpa": {"front": 300.0}, "temperature_c": "unknown"},
        "nominal_mm": {},
        "parts": {"exterior": ["left", "roof"]},
        "parameters": {"exterior": {"scan": {"resolution_mm": 2.0}}},
        "notes": [],
        **known,
    }


def dimension(value, low, high, **known):
    ends = TouchPoints(low=None if low is None else np.array(low), high=None if high is None else np.array(high))
    return made(
        Dimension, value_mm=value, uncertainty_mm=0.62, meaning="as ISO 612", coverage=2, unknown=["drift"],
        points_mm=ends, **known,
    )  # fmt: skip


def whole(tmp_path):
    """What the stages leave of a small vehicle with one opening and filled faces."""
    mesh = trimesh.creation.box((2000, 800, 600)).subdivide().subdivide()
    vertices = mesh.vertices + (1000, 0, 300)
    model = surface.Surface(
        vertices.astype(np.float32),
        mesh.faces.astype(np.int32),
        {
            "confidence": np.linspace(0, 1, len(vertices), dtype=np.float32),
            "spread_mm": np.where(np.arange(len(vertices)) % 7, 0.08, np.nan).astype(np.float32),
        },
        {"filled": (np.arange(len(mesh.faces)) % 40 == 0).astype(np.uint8)},
    )
    (tmp_path / "reduce").mkdir()
    (tmp_path / "measure").mkdir()
    surface.write_ply(tmp_path / "reduce" / "full.ply", model)
    rows = np.zeros(len(vertices), left_right.ROW)
    rows["points_mm"], rows["deviation_mm"] = vertices, np.sin(vertices[:, 0])
    np.save(tmp_path / "measure" / "sides.npy", rows)
    agree = DistanceSummary(
        count=900, median_mm=0.01, median_se_mm=0.02, robust_sd_mm=0.1, rms_mm=0.14, outlier_share=0.02
    )
    overlap = made(
        Discrepancy, segments=["left", "roof"], before=agree, after=agree, withheld_rms_before_mm=0.31,
        withheld_rms_after_mm=0.12,
    )  # fmt: skip
    rim = np.array([[800, -400, 200], [1200, -400, 200], [1200, -400, 400], [800, -400, 400.0]])
    opening = Opening("large", np.array([1000, -400, 300]), np.array([400, 0, 200]), 8e4, 100, rim)
    length = dimension(2000.3, [0, 0, 300], [2000, 0, 300], nominal_mm=1998, difference_mm=2.3, significant=True)
    dimensions = {
        "length": length,
        "height": dimension(600.1, None, [1000, 0, 600]),
        "wheelbase": dimension(1200.0, None, None),
    }
    wheels = [made(WheelResult, centre_mm=[x, None, 250.0]) for x in (400.0, 1600.2)]
    results = {
        "network": made(NetworkResult),
        "refine": made(RefineResult, discrepancies=[overlap]),
        "frame": made(
            FrameResult, axes="design_grid", state="vehicle", heading=Heading("shape", True), wheels=wheels,
            axles=[made(AxleResult, x_mm=x) for x in (400.1, 1600.1)],
        ),
        "fill": made(
            FillResult, gaps=3, filled_area_mm2=1200.0, measured_area_mm2=6e6, open=OpeningsTotal(1, 8e4, 1),
            openings=[opening],
        ),
        "reduce": ReduceResult({"full": Level(len(mesh.faces), len(vertices))}),
        "deliver": DeliverResult([]),
        "measure": made(
            MeasureResult, dimensions=dimensions,
            symmetry=made(Symmetry, median_mm=0.1, rms_mm=0.5, abs_95_mm=1.0, compared=90, without_partner=0.1),
        ),
    }  # fmt: skip
    found = {name: [upstream(name, typed.write(result), tmp_path)] for name, result in results.items()}
    raw, cleaned = made(IntakeResult, count=70, file="larch/raw/left.ply"), made(CleanResult, kept=60)
    cleaned.removed.update(outlier=10, ground=0)
    found["intake"] = [upstream("intake", typed.write(raw), tmp_path, segment="left")]
    found["clean"] = [upstream("clean", typed.write(cleaned), tmp_path, segment="left", notes=["Noted."])]
    return found


def changed(found, name, **known):
    """Replace numbers of a stage's result."""
    found[name][0].result.update(json.loads(json.dumps(known, default=typed.write)))


def page(found, folder, **known):
    folder.mkdir()
    result = report.report(found, sheet(**known), settings(SETTINGS), folder, 1)
    return result, (folder / "report.html").read_text(encoding="utf-8")


class Checker(HTMLParser):
    """Tags must nest, pictures must have words, ids must be there."""

    VOID = {"meta", "link", "br", "img", "input"}

    def __init__(self):
        super().__init__()
        self.open, self.ids, self.targets, self.loads = [], set(), [], []

    def handle_starttag(self, tag, attributes):
        known = dict(attributes)
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "svg":
            assert "aria-label" in known or known.get("aria-hidden") == "true"
        if tag == "img":
            assert known["alt"]
        self.ids |= {known[name] for name in ("id",) if name in known}
        self.targets += [known["href"][1:] for _ in (0,) if known.get("href", "").startswith("#")]
        self.loads += [known[name] for name in ("src", "href") if name in known and tag not in ("a", "image")]

    def handle_startendtag(self, tag, attributes):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def check(html):
    checker = Checker()
    checker.feed(html)
    assert checker.open == [] and set(checker.targets) <= checker.ids and checker.loads == []
    scripts = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    for script in (text for text in scripts if "Three.js Authors" not in text):
        assert not re.search(r"https?:|fetch\(|XMLHttpRequest|import[ (]", script)
    html = re.sub(r"<script.*?</script>|data:image/png;base64,[^\"]+", "", html, flags=re.DOTALL)
    assert not re.search(r"(src|href)=\"(https?:)?//|url\(|@import|Undefined|None|\bnan\b", html)

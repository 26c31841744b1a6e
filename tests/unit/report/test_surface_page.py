"""What the page says of the whole surface: its uncertainty, left against right, the reference, a mirrored side."""

from dataclasses import replace

import numpy as np

import report_pages
from nightbay.fill.result import FillResult
from nightbay.measure import left_right
from nightbay.measure.result import Area, ReferenceComparison, Symmetry, UncertaintyMap
from nightbay.meshes import surface
from nightbay.pipeline import typed
from nightbay.report import surface_warnings
from typed_results import made

AT = np.array([1000.0, -400.0, 300.0])  # on the left side of the box that is drawn
DENT = made(Area, number=1, area_cm2=55.0, mean_mm=-0.6, largest_mm=-0.91, uncertainty_mm=0.22, at_mm=AT)
COMPARED = ReferenceComparison(
    "larch/before <1>.stl", "earlier scan", "best", "compared", None, uncertainty_assumed=True, fit_share=0.88,
    limit_mm=25.0, without_partner=0.02, median_mm=0.01, rms_mm=0.2, abs_95_mm=0.4, uncertainty_median_mm=0.25,
    tested=900, level=0.05, areas=[DENT],
)  # fmt: skip
KNOWN = made(
    UncertaintyMap,
    median_mm=0.17,
    p95_mm=0.41,
    worst_mm=1.52,
    worst_at_mm=AT,
    in_vehicle_median_mm=0.27,
    in_vehicle_p95_mm=0.52,
    asked_mm=0.4,
    above_share=0.062,
)


def stages(tmp_path, **measured):
    found = report_pages.whole(tmp_path)
    folder = tmp_path / "measure"
    model = surface.read_ply(tmp_path / "reduce" / "full.ply")
    (folder / "deliverables").mkdir()
    values = {"uncertainty_mm": np.linspace(0.1, 0.5, len(model.vertices_mm), dtype=np.float32)}
    surface.write_ply(
        folder / "deliverables" / "uncertainty.ply", surface.Surface(model.vertices_mm, model.faces, values)
    )
    rows = np.zeros(len(model.vertices_mm), left_right.ROW)
    rows["points_mm"], rows["deviation_mm"] = model.vertices_mm, np.sin(model.vertices_mm[:, 0])
    np.save(folder / "compared.npy", rows)
    report_pages.changed(found, "measure", **{name: typed.write(value) for name, value in measured.items()})
    return found


def shown(tmp_path, **measured):
    result, html = report_pages.page(stages(tmp_path, **measured), tmp_path / "page")
    report_pages.check(html)
    return result, html


def sentences(result):
    return [warning["sentence"] if isinstance(warning, dict) else str(warning) for warning in result["warnings"]]


def test_the_uncertainty_is_stated_with_its_map_and_what_is_asked(tmp_path):
    result, html = shown(tmp_path, uncertainty=KNOWN)
    section = html[html.index("<h3>Uncertainty of the surface</h3>") :]
    assert "known to ±0.17" in section and "95 % of it to ±0.41" in section
    assert "±0.27" in section and "about X 1" in section
    assert "Expanded uncertainty (k = 2), mm" in section
    assert any("6.2" in text and "less certain than the ±0.40" in text for text in sentences(result))


def test_a_frame_kept_as_scanned_is_said(tmp_path):
    kept = replace(KNOWN, in_vehicle_median_mm=None, in_vehicle_p95_mm=None)
    _, html = shown(tmp_path, uncertainty=kept)
    assert "not known, because the frame is kept as scanned" in html


def test_the_reference_is_named_with_its_areas_numbered_in_the_map(tmp_path):
    result, html = shown(tmp_path, reference=COMPARED)
    section = html[html.index("<h3>Comparison with a reference</h3>") :]
    assert "larch/before &lt;1&gt;.stl" in section and "larch/before <1>" not in section
    assert "1 area deviates by more than its uncertainty explains." in section
    assert "−0.91 ± 0.22" in section
    assert "assumed to be as large as that of this scan" in section
    assert "outside the reference" in section
    assert not any("reference" in text for text in sentences(result))


def test_a_refused_reference_is_a_warning_with_its_reason(tmp_path):
    refused = ReferenceComparison("b.stl", "cad", "best", "refused", "b.stl was not compared: it is mirrored.")
    result, html = shown(tmp_path, reference=refused)
    assert "Not compared: b.stl was not compared: it is mirrored." in html
    assert any("that was ordered is missing: b.stl" in text for text in sentences(result))


def test_a_reference_from_elsewhere_or_inside_out_is_warned_of(tmp_path):
    found = sentences(shown(tmp_path, reference=replace(COMPARED, elsewhere=True, turned_over=True))[0])
    assert any("stood in another coordinate system" in text for text in found)
    assert any("inside out" in text for text in found)


def test_areas_from_left_to_right_are_listed(tmp_path):
    sides = made(Symmetry, abs_95_mm=0.4, compared=90, without_partner=0.1, tested=700, level=0.05, areas=[DENT])
    _, html = shown(tmp_path, symmetry=sides)
    section = html[html.index("<h3>Left against right</h3>") :]
    assert "1 area of the left side differs" in section
    assert "−0.91 ± 0.22" in section


def test_a_mirrored_side_is_said_on_top():
    def of(**known):
        part = type("Part", (), {"measure": made_measure(), "fill": made(FillResult, **known)})
        return surface_warnings.warnings(part)

    assert of() == []
    assert "of the right side is the mirror image of the left one" in of(mirrored="left", mirrored_area_mm2=6e6)[0]
    assert "of the left side is the mirror image of the right one" in of(mirrored="right", mirrored_area_mm2=6e6)[0]
    assert of(mirrored_refused="No side was mirrored.") == ["No side was mirrored."]


def made_measure():
    return type("Measure", (), {"reference": None, "uncertainty": None})

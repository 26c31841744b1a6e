"""The scanner on the pages: quantities of artefacts on the page of their job, warnings and history on the day board."""

import json
import multiprocessing
import re

import jsonschema
import numpy as np
import pytest

import artefact_scenes as scenes
import report_pages
from nightbay.artefact import artefact
from nightbay.pipeline import stage
from nightbay.report import board, history_chart, report, scanner_history
from nightbay.report.history_chart import Dot
from report_pages import SETTINGS, sheet

STAGE_SETTINGS = {
    "scan": {"noise_mm": 0.06, "target_noise_mm": 0.05, "target_drift_mm_per_m": 0.03},
    "artefact": {"size_error_most_mm": 0.5, "spacing_error_most": 0.003, "covered_least": 0.25, "significance": 0.001},
}
IDENTITY = {"scanner": "hand-held scanner 3", "scanned_on": "2026-03-04"}


def measured(folder, bench, entries):
    """The record of the stage artefact as a page reads it."""
    taken = scenes.upstream(folder, bench)
    record = stage.execute(
        artefact.artefact, stage="artefact", wildcards={"job": "check", "part": "artefact"}, upstream={"intake":
        [taken]}, sheet=scenes.sheet(entries), settings=STAGE_SETTINGS, folder=folder / "artefact", threads=1,
    )  # fmt: skip
    stage.write_json(folder / "artefact.json", record)
    return stage.load(folder / "artefact.json")


def page(folder, upstream, **known):
    """The summary and the shop's page of a job of artefacts alone."""
    record = stage.execute(
        report.report, stage="report", wildcards={"job": "check"}, upstream={"artefact": [upstream]},
        sheet=sheet(parts={"artefact": ["table"]}, vehicle_class="", identity=IDENTITY, parameters={}, **known),
        settings=SETTINGS | {"scan": {}}, folder=folder / "page", threads=1, accepts_rejected=True,
    )  # fmt: skip
    assert record["status"] == "ok"
    return record["result"], (folder / "page" / "report.html").read_text(encoding="utf-8")


def bench(seed, **known):
    return scenes.Bench(np.random.default_rng(seed), **known)


@pytest.fixture(scope="module")
def drifted(tmp_path_factory):
    """A bar of 500 mm that a scanner measured 0.15 mm too long."""
    folder = tmp_path_factory.mktemp("drifted")
    table = bench(31, scale=1.0003).sphere((0, 0, 45), 38.1).sphere((500, 0, 45), 38.1).table(points=4000)
    return page(folder, measured(folder, table, [scenes.bar_entry(certificate="C 12", calibrated_on="2026-01-05")]))


def test_a_job_of_artefacts_alone_is_complete(tmp_path):
    table = bench(30).sphere((0, 0, 60), 50.0).table(points=4000)
    result, html = page(tmp_path, measured(tmp_path, table, [scenes.sphere_entry()]))
    assert result["state"] == "complete" and result["next_steps"] == ["Nothing to do."]
    assert result["summary"] == "1 calibrated artefact was measured: ball."
    assert {"probing_form", "form_95", "probing_size"} == {row["key"] for row in result["artefact"]["quantities"]}
    assert "nothing here states conformity" in html and "given from memory" in html
    assert "radius free" in html and "dropped for the form" in html and "% of the sphere" in html
    assert "Temperature: not stated" in html and 'src="data:image/png;base64,' in html
    assert "State of the vehicle" not in html


def test_a_bad_scanner_is_a_warning_with_a_step(drifted):
    result, html = drifted
    assert result["state"] == "complete with warnings"
    (warning,) = result["warnings"]
    assert warning.startswith("The scanner measures distances wrong by more than the day assumes: 0.1")
    assert "0.015\u202fmm is declared (scan.target_drift_mm_per_m)" in warning and warning in html
    assert result["artefact"]["worse"] == [{"sentence": warning, "step": result["next_steps"][0]}]
    assert "Certificate: C 12, of: 2026-01-05" in html


def test_the_noise_to_declare_covers_what_was_found(tmp_path):
    table = bench(35, noise_mm=0.0823).sphere((0, 0, 60), 50.0).table(points=4000)
    result, _ = page(tmp_path, measured(tmp_path, table, [scenes.sphere_entry()]))
    (step,) = result["next_steps"]
    declared = float(re.search(r"Set scan.noise_mm to ([\d.]+) and run", step)[1])
    assert 0.0823 * 0.97 < declared < 0.0823 * 1.05 and declared == pytest.approx(round(declared, 3))


def test_an_artefact_that_was_not_found_refuses_its_job(tmp_path):
    result, html = page(tmp_path, measured(tmp_path, bench(32).table(), [scenes.sphere_entry()]))
    assert result["state"] == "refused" and result["artefact"] is None
    assert result["next_steps"][0] == "Check diameter_mm, or scan the sphere from more sides."
    assert "no sphere of 50 mm was found for artefact ball" in html


def test_artefacts_beside_a_vehicle(whole, tmp_path):
    """Found, they are a section of its page; not found, they are a warning, and the vehicle is made all the same."""
    table = bench(33).sphere((0, 0, 60), 50.0).table(points=4000)
    found = measured(tmp_path / "found", table, [scenes.sphere_entry()])
    result, html = report_pages.page(whole | {"artefact": [found]}, tmp_path / "page")
    report_pages.check(re.sub(r'src="data:image/png;base64,[^"]+"', "", html))
    assert 'id="exterior"' in html and 'id="scanner"' in html
    assert result["summary"].endswith("1 calibrated artefact was measured: ball.")
    missing = measured(tmp_path / "missing", bench(34).table(), [scenes.sphere_entry()])
    result, html = report_pages.page(whole | {"artefact": [missing]}, tmp_path / "other")
    assert result["state"] == "complete with warnings" and result["reasons"] == [] and result["artefact"] is None
    assert any("no sphere of 50 mm was found" in warning for warning in result["warnings"])
    assert "The artefacts could not be measured" in html


def write(day, job, **result):
    """A report of a job in a day."""
    whole = {
        "state": "complete", "summary": "", "title": job, "vehicle_class": "van", "points": 3, "sizes": [], "evidence":
        [], "joined": None, "warnings": [], "reasons": [], "next_steps": ["Deliver."], "parameters": {}, "page":
        "report.html", "customer_page": "customer.html", "thumbnail": None, "scanner": IDENTITY, "artefact": None,
        **result, }  # fmt: skip
    path = day / f"results/{job}/report/{job}.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps({"status": "ok", "reasons": [], "result": whole}))


def test_jobs_of_the_same_scanner_and_day_are_warned(tmp_path, drifted):
    result, _ = drifted
    write(tmp_path, "check", artefact=result["artefact"])
    write(tmp_path, "van")
    write(tmp_path, "other", scanner=IDENTITY | {"scanner": "tripod scanner"})
    write(tmp_path, "older", scanner=IDENTITY | {"scanned_on": "2026-02-01"})
    write(tmp_path, "undated", scanner=IDENTITY | {"scanned_on": None})
    found, html = board.board(tmp_path, name="day", jobs=["check", "van", "other", "older", "undated"], refused={})
    rows = {row["job"]: row for row in found["jobs"]}
    states = {job: row["state"] for job, row in rows.items()}
    warned = "complete with warnings"
    assert states == {"check": "complete", "van": warned, "other": "complete", "older": "complete", "undated": warned}
    assert rows["van"]["sentences"] == [f"Same scanner as in job check. {result['warnings'][0]}"]
    assert rows["van"]["next_steps"] == result["next_steps"]
    assert "hand-held scanner 3" in html
    # a chart a quantity, with both spheres of the bar in it
    assert html.count('class="history"') == len({row["key"] for row in found["artefacts"]}) == 4


def test_a_board_without_artefacts_has_no_section_of_scanners(tmp_path):
    write(tmp_path, "van")
    found, html = board.board(tmp_path, name="day", jobs=["van"], refused={})
    assert found["artefacts"] == [] and "calibrated artefacts" not in html


def rows_of(day, file, value_mm):
    quantity = {
        "artefact": "bar", "view": ["a"], "key": "sphere_spacing", "of": None, "value_mm": value_mm, "uncertainty_mm":
        0.01, }  # fmt: skip
    return scanner_history.rows_of(
        day, file, {"check": {"scanner": IDENTITY, "artefact": {"quantities": [quantity], "worse": []}}}
    )


@pytest.fixture
def shop(tmp_path):
    """Two days of a shop, and its history."""
    for name in ("monday", "tuesday"):
        (tmp_path / name).mkdir()
    return tmp_path / "monday", tmp_path / "tuesday", scanner_history.place(tmp_path / "monday", None)


def test_a_rerun_replaces_the_rows_of_its_day(shop):
    monday, tuesday, file = shop
    assert scanner_history.update(monday, file, rows_of(monday, file, 0.1))
    assert scanner_history.update(tuesday, file, rows_of(tuesday, file, 0.2))
    before = file.read_bytes()
    assert not scanner_history.update(tuesday, file, rows_of(tuesday, file, 0.2)) and file.read_bytes() == before
    assert scanner_history.update(monday, file, rows_of(monday, file, 0.3))
    rows, damaged = scanner_history.read(file)
    assert damaged == 0 and {(row["day"], row["value_mm"]) for row in rows} == {("monday", 0.3), ("tuesday", 0.2)}
    assert scanner_history.update(monday, file, [])
    assert [row["day"] for row in scanner_history.read(file)[0]] == ["tuesday"]


def test_a_shop_without_artefacts_gets_no_file(shop):
    monday, _, file = shop
    assert not scanner_history.update(monday, file, [])
    assert sorted(path.name for path in file.parent.iterdir()) == ["monday", "tuesday"]


def test_lines_that_are_no_rows_are_kept_and_counted(shop):
    monday, _, file = shop
    file.write_text('{"day": "monday"}\nnotes of the shop\n')
    scanner_history.update(monday, file, rows_of(monday, file, 0.1))
    assert file.read_text().splitlines()[:2] == ['{"day": "monday"}', "notes of the shop"]
    rows, damaged = scanner_history.read(file)
    assert len(rows) == 1 and damaged == 2
    with pytest.raises(jsonschema.ValidationError):
        scanner_history.update(monday, file, [{"day": "monday"}])


def _add(day, file):
    scanner_history.update(day, file, rows_of(day, file, 0.1))


def test_nights_on_two_days_of_one_folder_lose_nothing(tmp_path):
    days = [tmp_path / f"day-{number}" for number in range(6)]
    file = scanner_history.place(days[0], None)
    workers = [multiprocessing.get_context("fork").Process(target=_add, args=(day, file)) for day in days]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(row["day"] for row in scanner_history.read(file)[0]) == sorted(day.name for day in days)


def test_the_board_shows_earlier_days_and_says_what_it_can_not_read(shop, drifted):
    monday, tuesday, file = shop
    scanner_history.update(monday, file, rows_of(monday, file, 0.1))
    write(tuesday, "check", artefact=drifted[0]["artefact"])
    _, html = board.board(tuesday, name="tuesday", jobs=["check"], refused={})
    (chart,) = (part for part in html.split("<svg") if "bar: Sphere-spacing error" in part)
    assert chart.count('class="before"') == 1 and chart.count('class="today"') == 1
    with open(file, "a", encoding="utf-8") as lines:
        lines.write("?\n")
    assert "1 line of the history of scanners can&#39;t be read" in board.board(
        tuesday, name="tuesday", jobs=["check"], refused={}
    )[1]  # fmt: skip
    file.unlink()
    file.mkdir()
    assert "The history of scanners scanner-history.jsonl can&#39;t be read" in board.board(
        tuesday, name="tuesday", jobs=["check"], refused={}
    )[1]  # fmt: skip


def test_a_chart_escapes_names_and_holds_zero():
    svg = history_chart.draw("<bar>", [Dot("2026-03-04", 0.2, 0.01, True)])
    assert "&lt;bar&gt;" in svg and ">0.00</text>" in svg and ">+0.21</text>" in svg

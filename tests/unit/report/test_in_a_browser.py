"""The pages in a real browser, from disk: no request, no error, nothing that shuts a reader out, A4 in print.

Checked from outside: axe-core (the rules of WCAG 2, contrast by its formula included) in headless Chromium, and
html5lib, which reports what the HTML standard calls a parse error. Skipped where there is no Chromium.
"""

import json
import shutil
from dataclasses import asdict

import html5lib
import pytest
from axe_playwright_python.sync_playwright import Axe

import report_pages
from nightbay.pipeline.attempts import Attempt
from nightbay.report import board

HOSTILE = "<b>x</b> & \"quoted\" 'too' \u202etxt.exe\u202c " + "w" * 10_000
PAGES = ("report.html", "customer.html", "board.html")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with the pages of a job whose texts are hostile, and the board of its day."""
    stages, pages = tmp_path_factory.mktemp("stages"), tmp_path_factory.mktemp("pages") / "job"
    given = {"note": HOSTILE, "identity": {"operator": HOSTILE[:100], "scanned_on": "2026-03-04"}}
    result, _ = report_pages.page(report_pages.whole(stages), pages, **given)
    day = tmp_path_factory.mktemp("day")
    report = day / "results/larch/report/larch"
    shutil.copytree(pages, report)
    result |= {"title": HOSTILE, "joined": HOSTILE, "warnings": [HOSTILE], "next_steps": [HOSTILE]}
    report.with_suffix(".json").write_text(json.dumps({"status": "ok", "result": result}), encoding="utf-8")
    costs = day / "logs/larch/fuse/exterior.attempts.json"
    costs.parent.mkdir(parents=True)
    costs.write_text(json.dumps([asdict(Attempt(1, "done", "", 900.0, 1200.0, 31.2, 29.0, 900.0, "exterior.log"))]))
    _, html = board.board(
        day, name="2026-03-04 & <days>", jobs=["larch", "never"], refused={"bad": [HOSTILE]}, notes=[HOSTILE]
    )
    (pages / "board.html").write_text(html, encoding="utf-8")
    return pages


@pytest.mark.parametrize("name", PAGES)
def test_the_html_has_no_parse_error(folder, name):
    html5lib.HTMLParser(strict=True).parse((folder / name).read_text(encoding="utf-8"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1200, 400])
@pytest.mark.parametrize("name", PAGES)
def test_pages_load_from_disk_and_shut_no_reader_out(browser, folder, name, width, scheme):
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    try:
        said, asked = [], []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto((folder / name).as_uri())
        page.evaluate("document.querySelectorAll('details').forEach(folded => folded.open = true)")
        assert [url for url in asked if not url.startswith("data:")] == [(folder / name).as_uri()]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        violations = Axe().run(page).response["violations"]
        assert [(rule["id"], [node["html"][:200] for node in rule["nodes"]]) for rule in violations] == []
        assert said == []
    finally:
        page.close()


def test_hostile_text_stays_text(browser, folder):
    page = browser.new_page()
    try:
        page.goto((folder / "report.html").as_uri())
        assert page.locator("b").count() == 0
        assert HOSTILE[:40] in page.locator("body").inner_text().replace("\u2066", "").replace("\u2069", "")
    finally:
        page.close()


@pytest.mark.parametrize("name", PAGES)
def test_print_is_a4_and_opens_what_is_folded(browser, folder, name):
    page = browser.new_page()
    try:
        page.goto((folder / name).as_uri())
        pdf = page.pdf(prefer_css_page_size=True)
        assert pdf.startswith(b"%PDF") and b"/MediaBox [0 0 594" in pdf.replace(b"[0 0 595", b"[0 0 594")
        page.emulate_media(media="print")
        folded = page.locator("details > :not(summary)")
        heights = [folded.nth(k).bounding_box() for k in range(folded.count())]
        assert all(box and box["height"] > 0 for box in heights)
    finally:
        page.close()

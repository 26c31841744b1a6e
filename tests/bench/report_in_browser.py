"""Figures of a finished day's pages: their size, how soon they show, what shuts a reader out, how honest the paint is.

``page_mb``: the largest page of a job. ``first_view_s``: seconds from opening a page in headless Chromium, without a
graphics card, to its first picture on the screen, the slowest page, the faster of two tries each (the first one warms
the disk's cache). ``axe_violations``, ``console_errors``, ``requests``: counts over all pages and the board, light and
dark, 1200 and 400 px wide; None of all these without Chromium. ``painted_over_filled``: area shown as filled over area
filled in the coverage pictures, {job part: ratio}.
"""

from pathlib import Path

import numpy as np
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

import chromium
from nightbay.core.axes import axes
from nightbay.meshes import surface
from nightbay.report import picture, views
from painted_area import painted_over_filled

PICTURE_PX = 1400  # as config/config.yaml has it


def figures(day: Path) -> dict:
    """All figures of the day's pages."""
    pages = sorted(day.glob("results/*/report/*/*.html"))
    boards = sorted(day.glob("results/board/board/index.html"))
    found = {"page_mb": round(max(page.stat().st_size for page in pages) / 1e6, 2)}
    return found | in_browser(pages, boards) | {"painted_over_filled": painted(day)}


def in_browser(pages, boards) -> dict:
    """What Chromium and axe-core find."""
    if chromium.PATH is None:
        return dict.fromkeys(("first_view_s", "axe_violations", "console_errors", "requests"))
    seconds, violations, errors, requests = [], 0, [], []
    with sync_playwright() as playwright:
        browser = chromium.launch(playwright, *chromium.WEBGL)
        for path in pages:
            seconds.append(min(first_view_s(browser, path) for _ in range(2)))
            print(
                f"{path.parent.name}/{path.name}: {path.stat().st_size / 1e6:.1f} MB, {seconds[-1]:.2f} s", flush=True
            )
        for path in [*pages, *boards]:
            for scheme in ("light", "dark"):
                for width in (1200, 400):
                    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
                    page.on("console", lambda message: errors.append(message.text))
                    page.on("pageerror", lambda error: errors.append(str(error)))
                    page.on("request", lambda request: requests.append(request.url))
                    page.goto(path.as_uri())
                    page.evaluate("document.querySelectorAll('details').forEach(folded => folded.open = true)")
                    violations += len(Axe().run(page).response["violations"])
                    page.close()
        browser.close()
    asked = [url for url in requests if not url.startswith(("data:", "file:"))]
    return {
        "first_view_s": round(max(seconds), 2),
        "axe_violations": violations,
        "console_errors": len(errors),
        "requests": len(asked),
    }


def first_view_s(browser, path) -> float:
    """Seconds from opening to the paint of the first screen."""
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    page.goto(path.as_uri(), wait_until="commit")
    page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length > 0")
    seconds = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime") / 1e3
    page.close()
    return seconds


def painted(day: Path) -> dict:
    """Area shown as filled over area filled, of each part's coverage pictures."""
    found = {}
    for folder in sorted(day.glob("results/*/reduce/*/")):
        level = folder / "fine.ply"
        if not level.exists():
            continue
        mesh = surface.read_ply(level)
        filled = mesh.face["filled"].astype(bool)
        if not filled.any():
            continue
        inside = folder.name == "interior"
        scene = picture.Scene(mesh, axes("design_grid"), PICTURE_PX, cull=inside)
        colours = picture.colours_of(mesh.vertex["confidence"].astype(np.float64), 0.0, 1.0, views.CONFIDENCE_MAP)
        drawn = [
            scene.view(name, colours, filled, coarser=picture.MAP, shade=picture.MAP_SHADE) for name in picture.VIEWS
        ]
        found[f"{folder.parents[1].name} {folder.name}"] = round(painted_over_filled(drawn, mesh, inside), 3)
    return found

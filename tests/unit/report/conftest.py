import shutil

import pytest
from playwright.sync_api import sync_playwright

import report_pages

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture
def whole(tmp_path):
    """What the stages leave of a small vehicle with one opening and filled faces."""
    return report_pages.whole(tmp_path)


@pytest.fixture(scope="session")
def launched():
    """Starts headless Chromium with flags, each time anew; closed with the tests."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    with sync_playwright() as playwright:
        yield lambda *flags: playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", *flags])


@pytest.fixture(scope="session")
def browser(launched):
    """Chromium that draws WebGL without a graphics card."""
    return launched("--use-angle=swiftshader", "--enable-unsafe-swiftshader")


@pytest.fixture(scope="session")
def browser_without_webgl(launched):
    return launched("--disable-3d-apis")

from functools import partial

import pytest
from playwright.sync_api import sync_playwright

import board_days
import chromium
import report_pages


@pytest.fixture
def whole(tmp_path):
    """What the stages leave of a small vehicle with one opening and filled faces."""
    return report_pages.whole(tmp_path)


@pytest.fixture(scope="session")
def launched():
    """Starts headless Chromium with flags, each time anew; closed with the tests."""
    if chromium.PATH is None:
        pytest.skip("no Chromium on this machine")
    with sync_playwright() as playwright:
        yield partial(chromium.launch, playwright)


@pytest.fixture(scope="session")
def browser(launched):
    """Chromium that draws WebGL without a graphics card."""
    return launched(*chromium.WEBGL)


@pytest.fixture(scope="session")
def browser_without_webgl(launched):
    return launched("--disable-3d-apis")


@pytest.fixture
def day(tmp_path):
    """The folder of a day, and a function that writes the report of a job into it."""
    return board_days.reported(tmp_path)

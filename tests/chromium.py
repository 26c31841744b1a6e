"""Where the tests find Chromium, and how it starts without a graphics card."""

import shutil

PATH = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
WEBGL = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")


def launch(playwright, *flags):
    """A headless browser with these flags."""
    return playwright.chromium.launch(executable_path=PATH, args=["--no-sandbox", *flags])

"""The 3D view in a real browser: it turns, is cut and shaded, says what it shows, and gives way to a picture."""

import io

import matplotlib.colors
import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image

import report_pages
from nightbay.pipeline.settings import settings
from nightbay.report import report as stage_report


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("model")
    (folder / "stages").mkdir()
    report_pages.page(report_pages.whole(folder / "stages"), folder / "page")
    return folder / "page" / "report.html"


@pytest.fixture
def view(browser, report):
    """The page with its 3D view started, and the figure that holds it."""
    page = browser.new_page(viewport={"width": 1000, "height": 900}, color_scheme="light")
    page.goto(report.as_uri())
    page.locator("figure.model").scroll_into_view_if_needed()
    page.wait_for_selector("figure.model[data-ready]")
    yield page, page.locator("figure.model")
    page.close()


def pixels(page, figure):
    """What the canvas shows, (h, w, 3), two frames later."""
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    picture = Image.open(io.BytesIO(figure.locator("canvas").screenshot()))
    return np.asarray(picture.convert("RGB")).astype(int)[6:-6, 6:-6]  # without the ring that shows the focus


def drawn(picture):
    """Number of pixels that are not the white ground."""
    return int((picture.min(axis=2) < 245).sum())


def filled(picture):
    """Number of pixels in the colours of filled faces."""
    hue, saturation, _ = np.moveaxis(matplotlib.colors.rgb_to_hsv(picture / 255), 2, 0)
    return int(((hue > 15 / 360) & (hue < 35 / 360) & (saturation > 0.7)).sum())


def test_mouse_and_keys_turn_move_and_zoom(view):
    page, figure = view
    before = pixels(page, figure)
    box = figure.locator("canvas").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 90, y + 30, steps=3)
    page.mouse.up()
    pictures = [before, pixels(page, figure)]
    for key in ("ArrowLeft", "ArrowUp", "Shift+ArrowRight", "+"):
        page.keyboard.press(key)
        pictures.append(pixels(page, figure))
    for one, other in zip(pictures, pictures[1:], strict=False):
        assert (np.abs(one - other).max(axis=2) > 20).sum() > 500
    page.keyboard.press("0")
    assert (np.abs(pixels(page, figure) - before).max(axis=2) > 20).sum() < 100  # letters may fall between pixels


def test_the_scale_bar_is_as_long_as_it_says(view):
    page, figure = view
    figure.get_by_role("button", name="Left", exact=True).click()
    picture = pixels(page, figure)
    bar = figure.locator(".overlay .bar")
    length_mm = float(bar.inner_text().replace("\u202f", "").removesuffix("mm").strip())
    # the box of 2000 by 600 mm, the largest thing in the middle rows of the picture
    body = (picture.min(axis=2) < 245)[picture.shape[0] // 2 - 20 : picture.shape[0] // 2 - 5].all(axis=0).sum()
    assert bar.locator("i").bounding_box()["width"] / body == pytest.approx(length_mm / 2000, rel=0.03)


def test_words_and_decimals_are_those_of_the_language(browser, tmp_path):
    (tmp_path / "stages").mkdir()
    (tmp_path / "page").mkdir()
    found = report_pages.whole(tmp_path / "stages")
    german = settings({"report": report_pages.SETTINGS["report"] | {"language": "de"}})
    stage_report.report(found, report_pages.sheet(), german, tmp_path / "page", 1)
    page = browser.new_page(viewport={"width": 400, "height": 900})
    page.goto((tmp_path / "page" / "report.html").as_uri())
    figure = page.locator("figure.model")
    figure.scroll_into_view_if_needed()
    page.wait_for_selector("figure.model[data-ready]")
    assert figure.locator(".place").all_inner_texts() == ["Ursprung", "vorn (angenommen)"]
    for _ in range(40):
        figure.get_by_role("button", name="Vergrößern").click()
    pixels(page, figure)
    assert figure.locator(".overlay .bar").inner_text().strip() == "0,5 mm"
    page.close()


def test_filled_faces_are_marked_in_all_shadings_but_the_plain_one(view):
    page, figure = view
    shading = figure.get_by_label("Shading")
    assert filled(pixels(page, figure)) == 0
    assert figure.get_by_text("Filled surface is not marked in this shading.").is_visible()
    for name in ("confidence", "scatter", "provenance"):
        shading.select_option(name)
        share = filled(pixels(page, figure)) / drawn(pixels(page, figure))
        assert 0.4 / 40 < share < 2.5 / 40, "of the faces, one in forty is filled"
        assert figure.get_by_text("filled to close a gap, not measured").is_visible()


def test_a_plane_cuts_either_side_away(view):
    page, figure = view
    whole = drawn(pixels(page, figure))
    figure.get_by_label("Cut across").select_option("0")
    assert "X = 1\u202f000 mm" in figure.locator("output").inner_text()
    half = drawn(pixels(page, figure))
    figure.get_by_label("keep the other side").check()
    other = drawn(pixels(page, figure))
    assert 0.2 * whole < min(half, other) and max(half, other) < 0.8 * whole
    figure.locator("input[type=range]").fill("100")
    assert drawn(pixels(page, figure)) > 0.85 * whole


def test_the_live_view_shuts_no_reader_out(view):
    page, figure = view
    figure.get_by_label("Cut across").select_option("1")
    assert Axe().run(page).response["violations"] == []
    assert {label for label in ("origin", "front (assumed)") if figure.get_by_text(label).count()} == {
        "origin",
        "front (assumed)",
    }


def test_print_shows_the_picture(view):
    page, figure = view
    assert not figure.locator(".still svg").is_visible()
    page.emulate_media(media="print")
    assert figure.locator(".still svg").is_visible() and not figure.locator("canvas").is_visible()


def test_without_webgl_or_javascript_the_picture_stays_with_a_sentence(browser, browser_without_webgl, report):
    page = browser_without_webgl.new_page()
    page.goto(report.as_uri())
    page.locator("figure.model").scroll_into_view_if_needed()
    page.get_by_text("This browser can't show the model in 3D").wait_for()
    assert page.locator("figure.model .still svg").is_visible() and not page.locator(".controls").is_visible()
    page.close()
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(report.as_uri())
    assert page.locator("figure.model .still svg").is_visible() and not page.locator(".controls").is_visible()
    assert page.get_by_text("Without JavaScript the picture stays still.").is_visible()
    page.close()

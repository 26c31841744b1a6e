"""Pages in another language: nothing of them is left in English."""

import re

import pytest

import marked_pages
from nightbay.core import language
from nightbay.pipeline import provenance
from nightbay.pipeline.settings import settings
from nightbay.pipeline.stages import STAGES
from nightbay.report import report
from report_pages import SETTINGS, sheet, whole

OWN = {"larch", "Larch", "van", "more", "left", "roof", "full", "empty", "front", "clean"}  # the user's and keys


@pytest.fixture
def marked(monkeypatch):
    monkeypatch.setattr(language, "of_code", lambda code: marked_pages.LANGUAGE)


def pages(found, folder, **keys):
    folder.mkdir()
    own = {"report": SETTINGS["report"] | keys}
    result = report.report(found, sheet(), settings(own), folder, 1)
    return result, [(folder / name).read_text(encoding="utf-8") for name in report.PAGES.values()]


def test_every_word_of_a_page_is_a_message(marked, tmp_path):
    _, htmls = pages(whole(tmp_path), tmp_path / "page")
    libraries = {name for stage in STAGES for name in provenance.libraries_of(provenance.SCRIPTS / f"{stage}.py")}
    for html in htmls:
        assert set(marked_pages.unmarked(html, OWN)) <= set(re.findall(r"[^\W\d_]+", " ".join(libraries)))


def test_a_page_in_german_has_its_numbers_in_german(tmp_path):
    found = whole(tmp_path)
    result, htmls = pages(found, tmp_path / "page", language="de")
    for html in htmls:
        assert '<html lang="de">' in html
        assert "2\u202f000,3" in html and "2\u202f000.3" not in html
    _, english = pages(found, tmp_path / "english")
    assert "Länge" in htmls[0] and "Länge" not in english[0]
    assert result["state"] == "complete with warnings"  # a code, whatever the language


def test_the_customer_may_read_another_language_than_the_shop(tmp_path):
    _, (shop, customer) = pages(whole(tmp_path), tmp_path / "page", customer_language="de")
    assert '<html lang="en">' in shop and '<html lang="de">' in customer

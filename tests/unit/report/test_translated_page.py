"""Pages in another language: nothing of them is left in English."""

import gettext
import re
from html.parser import HTMLParser

import babel
import pytest

from nightbay.core import language
from nightbay.core.stage_sentences import StageSentences
from nightbay.pipeline.settings import settings
from nightbay.report import report
from report_pages import SETTINGS, sheet, whole

OPEN, CLOSE = "\u27e6", "\u27e7"
MARKED = re.compile(f"{OPEN}[^{OPEN}{CLOSE}]*{CLOSE}")
# What has letters and no language: units, axes, standards, formats, users' own names and texts, keys.
ALIKE = {
    "mm", "m", "cm", "MB", "kB", "GB", "min", "h", "s", "X", "Y", "Z", "k", "C", "sd", "ISO", "Nightbay", "larch",
    "Larch", "van", "more", "left", "roof", "full",
}  # fmt: skip


class Marked(gettext.NullTranslations):
    """Messages that show themselves: each between two brackets, the values in it as they come."""

    def gettext(self, message):
        return f"{OPEN}{message}{CLOSE}"

    def ngettext(self, msgid1, msgid2, n):
        return self.gettext(msgid1 if n == 1 else msgid2)


class Texts(HTMLParser):
    """All text that a person sees or hears of a page."""

    def __init__(self):
        super().__init__()
        self.hidden, self.found = 0, []

    def handle_starttag(self, tag, attrs):
        self.hidden += tag in ("style", "script", "pre", "code")
        self.found += [
            value for name, value in attrs if name in ("alt", "title", "aria-label", "placeholder") and value
        ]

    def handle_endtag(self, tag):
        self.hidden -= tag in ("style", "script", "pre", "code")

    def handle_data(self, data):
        if not self.hidden:
            self.found.append(data)


def unmarked(html):
    """Words of a page that come from no message."""
    texts = Texts()
    texts.feed(html)
    left = "\n".join(texts.found)
    while MARKED.search(left):
        left = MARKED.sub(" ", left)
    return sorted({word for word in re.findall(r"[^\W\d_]+", left) if word not in ALIKE})


@pytest.fixture
def marked(monkeypatch):
    made = language.Language(babel.Locale("en"), Marked(), StageSentences([], "."))
    monkeypatch.setattr(language, "of_code", lambda code: made)
    monkeypatch.setattr(language, "stage_sentence", lambda text: f"{OPEN}{text}{CLOSE}")
    return made


def pages(found, folder, **keys):
    folder.mkdir()
    own = {"report": SETTINGS["report"] | keys}
    result = report.report(found, sheet(), settings(own), folder, 1)
    return result, [(folder / name).read_text(encoding="utf-8") for name in report.PAGES.values()]


def test_every_word_of_a_page_is_a_message(marked, tmp_path):
    _, htmls = pages(whole(tmp_path), tmp_path / "page")
    for html in htmls:
        assert unmarked(html) == []


def test_a_page_in_german_has_its_numbers_in_german(tmp_path):
    found = whole(tmp_path)
    result, htmls = pages(found, tmp_path / "page", language="de")
    for html in htmls:
        assert '<html lang="de">' in html
        assert "2\u202f000,3" in html and "2\u202f000.3" not in html
    _, english = pages(found, tmp_path / "english")
    assert "Länge" in htmls[0] and "Länge" not in english[0]
    assert result["state"] == "complete"  # a code, whatever the language


def test_the_customer_may_read_another_language_than_the_shop(tmp_path):
    _, (shop, customer) = pages(whole(tmp_path), tmp_path / "page", customer_language="de")
    assert '<html lang="en">' in shop and '<html lang="de">' in customer

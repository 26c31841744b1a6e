"""Pages whose messages show themselves, so that words that come from no message are found."""

import gettext
import re
from html.parser import HTMLParser

import babel

from nightbay.core import language
from nightbay.core.stage_sentences import StageSentences

OPEN, CLOSE = "\u27e6", "\u27e7"
MARKED = re.compile(f"{OPEN}[^{OPEN}{CLOSE}]*{CLOSE}")
# What has letters and no language: units, axes, standards, the program's name, names of files.
ALIKE = {
    "mm",
    "m",
    "cm",
    "mm²",
    "cm²",
    "m²",
    "MB",
    "kB",
    "GB",
    "min",
    "h",
    "s",
    "X",
    "Y",
    "Z",
    "k",
    "C",
    "sd",
    "ISO",
    "Nightbay",
    "raw",
    "ply",
}


class Marked(gettext.NullTranslations):
    """Messages that show themselves: each between two brackets, the values in it as they come."""

    def gettext(self, message):
        return f"{OPEN}{message}{CLOSE}"

    def ngettext(self, msgid1, msgid2, n):
        return self.gettext(msgid1 if n == 1 else msgid2)


class MarkedSentences(StageSentences):
    """Sentences of stages, each as it comes between the same brackets."""

    def translated(self, text):
        return f"{OPEN}{text}{CLOSE}"


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


def unmarked(html, own=()):
    """Words of a page that come from no message, but for the user's ``own``."""
    texts = Texts()
    texts.feed(html)
    left = "\n".join(texts.found)
    while MARKED.search(left):
        left = MARKED.sub(" ", left)
    return sorted({word for word in re.findall(r"[^\W\d_]+", left) if word not in ALIKE | set(own)})


LANGUAGE = language.Language(babel.Locale("en"), Marked(), MarkedSentences([], "."))

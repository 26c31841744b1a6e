"""The messages of code, templates and stages, and the catalogues of languages made from them.

    PYTHONPATH=workflow/scripts python tests/catalogues.py CODE [--from FILE]

brings workflow/languages/CODE.po up to date: messages that are new stand in it without a translation, those that are no
more go. ``--from`` takes translations over from another catalogue. A new language begins the same way.
"""

import argparse
import io
import re
import string
from pathlib import Path

import jinja2.ext
from babel.messages import extract, pofile
from babel.messages.catalog import Catalog

import stage_messages
from nightbay.core.stage_sentences import CONTEXT

ROOT = Path(__file__).resolve().parents[1]
LANGUAGES = ROOT / "workflow" / "languages"
KEYWORDS = {"say": None, "say_html": None, "phrase": None, "plural": (2, 3), "plural_form": (2, 3)}
SOURCES = (("workflow/scripts", "*.py", "python"), ("workflow/report", "*.j2", jinja2.ext.babel_extract))
NOT_KEPT = re.compile(
    rb'^"(Report|POT|PO-Rev|Last-|Language-Team|Generated)[^\n]*\n|^#, python-brace-format\n', re.MULTILINE
)
HEADER = "# Nightbay in another language. SPDX-License-Identifier: GPL-3.0-or-later"


def messages():
    """All messages: {sentence or (singular, plural): sorted files, relative to the project}."""
    found = {}
    for folder, pattern, method in SOURCES:
        for path in sorted((ROOT / folder).rglob(pattern)):
            with open(path, "rb") as file:
                for _, message, _, _ in extract.extract(method, file, KEYWORDS, options={"trimmed": "true"}):
                    found.setdefault(message, set()).add(path.relative_to(ROOT).as_posix())
    return {message: sorted(files) for message, files in found.items()}


def places(text):
    """Names of the places for values in a message."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def forms(message):
    """The translation of a message in all its forms."""
    return [message.string] if isinstance(message.string, str) else list(message.string or [""])


def read(path, code):
    """The catalogue of a file."""
    with open(path, "rb") as file:
        return pofile.read_po(file, code, abort_invalid=True)


def brought_up_to_date(code, others=()):
    """The catalogue of a language with the messages that there are now; translations from ``others`` or before."""
    new = Catalog(code, project="Nightbay", fuzzy=False, header_comment=HEADER)
    path = LANGUAGES / f"{code}.po"
    known = [*others, *([read(path, code)] if path.exists() else [])]
    for message, files in sorted(messages().items(), key=lambda entry: (entry[1], str(entry[0]))):
        _add(new, message, files, known)
    for message, files in stage_messages.stage_messages().items():
        _add(new, message, [f"workflow/scripts/nightbay/{file}" for file in files], known, CONTEXT)
    return new


def _add(catalogue, message, files, known, context=None):
    old = next((found for before in known if (found := before.get(message, context)) and all(forms(found))), None)
    locations = [(file, None) for file in files]
    catalogue.add(message, old.string if old else None, locations=locations, context=context)


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("code")
    options.add_argument("--from", dest="other", action="append", default=[])
    options = options.parse_args()
    others = [read(path, options.code) for path in options.other]
    catalogue = brought_up_to_date(options.code, others)
    written = io.BytesIO()
    pofile.write_po(written, catalogue, width=100, include_lineno=False)
    (LANGUAGES / f"{options.code}.po").write_bytes(NOT_KEPT.sub(b"", written.getvalue()))
    empty = sum(not all(forms(message)) for message in catalogue if message.id)
    print(f"{len(catalogue)} messages, {empty} of them without a translation")


if __name__ == "__main__":
    main()

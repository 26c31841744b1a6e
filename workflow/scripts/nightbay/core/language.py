"""The language of what people read: English sentences of the code, looked up in a catalogue of another language.

A language is one file, ``workflow/languages/CODE.po`` (GNU gettext). Its message ids are the English sentences, with
named places for values in braces as :meth:`str.format` has them. What machines read, the terminal and the logs stay
English.
"""

import gettext
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from typing import Any

import babel
from babel import dates
from babel.messages import mofile, pofile

from nightbay.core.paths import LANGUAGES
from nightbay.core.stage_sentences import CONTEXT, Message, StageSentences

ENGLISH = "en"
THIN = "\u202f"  # narrow no-break space, between groups of digits and before units
PER_CENT = re.compile(r"(?<=\d)%(?!\w)")  # without its space, as the terminal has it


@dataclass(frozen=True)
class Language:
    """A locale and the messages of its catalogue."""

    locale: babel.Locale
    messages: gettext.NullTranslations = field(default_factory=gettext.NullTranslations)
    stages: StageSentences | None = None

    @property
    def code(self) -> str:
        """As HTML has it: ``de``, ``pt-BR``."""
        return str(self.locale).replace("_", "-")


_current: ContextVar[Language | None] = ContextVar("language", default=None)


def codes() -> list[str]:
    """The languages that there are: English and those with a catalogue."""
    return [ENGLISH, *sorted(path.stem for path in LANGUAGES.glob("*.po"))]


@cache
def of_code(code: str) -> Language:
    """A language of :func:`codes`, as ``de`` or ``pt_BR``."""
    locale = babel.Locale.parse(code)
    if code == ENGLISH:
        return Language(locale)
    with open(LANGUAGES / f"{code}.po", "rb") as file:
        catalogue = pofile.read_po(file, locale, abort_invalid=True)
    compiled = io.BytesIO()
    mofile.write_mo(compiled, catalogue)
    compiled.seek(0)
    of_stages = [
        Message(str(message.id), str(message.string))
        for message in catalogue
        if message.context == CONTEXT and message.string
    ]
    return Language(locale, gettext.GNUTranslations(compiled), StageSentences(of_stages, _decimal_sign(locale)))


def current() -> Language:
    """The language in use, English at first."""
    return _current.get() or of_code(ENGLISH)


@contextmanager
def use(language: Language) -> Iterator[None]:
    """Sentences and numbers that are made within the context are those of ``language``."""
    token = _current.set(language)
    try:
        yield
    finally:
        _current.reset(token)


def say(sentence: str, **values: Any) -> str:
    """An English ``sentence`` in the language in use, with its ``values`` in their places."""
    text = current().messages.gettext(sentence)
    return text.format(**values) if values else text


def plural_form(count: int, singular: str, many: str) -> str:
    """The form of a message for ``count`` in the language in use, its places unfilled; English has ``singular`` and
    ``many``."""
    return current().messages.ngettext(singular, many, count)


def phrase(text: str) -> str:
    """The ``text`` itself, marked as a message of the catalogues: for tables whose entries :func:`say` gets later."""
    return text


def stage_sentence(text: str) -> str:
    """A sentence of a stage, which is English, in the language in use, with a space before each per cent sign."""
    stages = current().stages
    return PER_CENT.sub(f"{THIN}%", stages.translated(text) if stages else text)


def decimal_sign() -> str:
    """The sign before the decimals of a number: a point or a comma by ISO 80000-1, as the language has it."""
    return _decimal_sign(current().locale)


@cache
def _decimal_sign(locale: babel.Locale) -> str:
    symbols = locale.number_symbols
    return str(symbols.get("latn", symbols)["decimal"])


def day(when: date) -> str:
    """A date in words, as the language writes it: ``27 November 2026``; English has the day first."""
    if current().code == ENGLISH:
        return dates.format_date(when, "d MMMM y", current().locale)
    return dates.format_date(when, "long", current().locale)


def moment(when: datetime) -> str:
    """A time of day on its date, 24 hours."""
    return f"{day(when)}, {when:%H:%M}"

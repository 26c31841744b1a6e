"""Sentences of stages in another language, recognised by their messages: results keep them as English text."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

CONTEXT = "stage"  # of their messages in a catalogue
PLACE = re.compile(r"\{(\w+)\}")
BOUND = re.compile(r"(?P<sign>[.:;,]?)(?: |$)")
NEXT_SENTENCE = re.compile(r"\. ")
NUMBER = re.compile(r"[-+\u2212±]?\d[\d\u202f]*\.\d+(e[-+]?\d+)?([\s\u202f]?[^\s\d.]{1,3})?")
NUMBERS = re.compile(r"\([-+\u2212]?\d[\d.]*(, [-+\u2212]?\d[\d.]*)+\)")


@dataclass(frozen=True)
class Message:
    """An English message with named places for values in braces, and its ``translation`` with the same places."""

    english: str
    translation: str

    @cached_property
    def literals(self) -> list[str]:
        """The text between the places."""
        return PLACE.split(self.english)[::2]

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        """What the message looks like with any values."""
        pieces = PLACE.split(self.english)  # texts and the names of places, in turn
        return re.compile(
            "".join(f"(?P<{piece}>.*?)" if at % 2 else re.escape(piece) for at, piece in enumerate(pieces)), re.DOTALL
        )

    def may_be_in(self, text: str) -> bool:
        """Whether all text of the message occurs in ``text``."""
        return all(literal in text for literal in self.literals)

    def values(self, text: str) -> dict[str, str] | None:
        """The values with which the message reads ``text``, None where it does not.

        No value goes over a full stop, and none begins or ends with a space.
        """
        match = self.pattern.fullmatch(text)
        if match is None or any(NEXT_SENTENCE.search(value) or value != value.strip() for value in match.groups()):
            return None
        return match.groupdict()


class StageSentences:
    """The messages of stages in one language, whose numbers have the ``decimal`` sign."""

    def __init__(self, messages: Iterable[Message], decimal: str) -> None:
        """``messages`` in any order: those with more text of their own are tried first."""
        self._messages = sorted(messages, key=lambda message: -sum(map(len, message.literals)))
        self._decimal = decimal

    def translated(self, text: str) -> str:
        """The ``text`` with all that a message recognises in it translated; the rest stays as it is.

        A text that no message reads as a whole is taken apart between words, first by messages with most text of their
        own. So are the values within a message: reasons, for example.
        """
        return self._translated(text, [message for message in self._messages if message.may_be_in(text)])

    def _translated(self, text: str, messages: Sequence[Message]) -> str:
        for message in messages:
            values = message.values(text)
            if values is not None:
                translated = {name: self._translated(value, messages) for name, value in values.items()}
                return message.translation.format(**translated)
        if NUMBER.fullmatch(text):
            return text.replace(".", self._decimal)
        if NUMBERS.fullmatch(text):
            return text.replace(",", ";" if self._decimal == "," else ",").replace(".", self._decimal)
        for message in messages:
            found = _piece(text, message)
            if found:
                start, end = found
                pieces = (text[:start], text[start:end], text[end:])
                return "".join(self._translated(piece, messages) if piece.strip() else piece for piece in pieces)
        return text


def _piece(text: str, message: Message) -> tuple[int, int] | None:
    """Where a message reads a part of the text, from a bound to a bound: the first such, and the longest from there."""
    if not message.may_be_in(text):
        return None
    bounds = list(BOUND.finditer(text))
    starts = {0, *(start for bound in bounds for start in (bound.start(), bound.end()))}
    ends = sorted({len(text), *(end for bound in bounds for end in (bound.start(), bound.end("sign")))}, reverse=True)
    for start in sorted(starts):
        for end in ends:
            if start < end and end - start < len(text) and message.values(text[start:end]) is not None:
                return start, end
    return None

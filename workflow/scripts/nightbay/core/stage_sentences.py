"""Sentences of stages in another language, recognised by their messages: results keep them as English text."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

CONTEXT = "stage"  # of their messages in a catalogue
PLACE = re.compile(r"\{(\w+)\}")
BOUND = re.compile(r"(?<=[.:;,]) ")
NUMBER = re.compile(r"[-+\u2212±]?\d[\d\u202f]*\.\d+(?P<unit>[\s\u202f]?[^\s\d.]{1,3})?")


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

    def values(self, text: str) -> dict[str, str] | None:
        """The values with which the message reads ``text``, None where it does not."""
        if not all(literal in text for literal in self.literals):
            return None
        match = self.pattern.fullmatch(text)
        return match.groupdict() if match else None


class StageSentences:
    """The messages of stages in one language, whose numbers have the ``decimal`` sign."""

    def __init__(self, messages: Iterable[Message], decimal: str) -> None:
        """``messages`` in any order: those with more text of their own are tried first."""
        self._messages = sorted(messages, key=lambda message: -sum(map(len, message.literals)))
        self._decimal = decimal

    def translated(self, text: str) -> str:
        """The ``text`` with all that a message recognises in it translated; the rest stays as it is.

        A text that no message reads as a whole is taken apart after full stops, colons, semicolons and commas, into the
        longest pieces that messages read. So are the values within a message: reasons, for example.
        """
        for message in self._messages:
            values = message.values(text)
            if values is not None:
                return message.translation.format(**{name: self.translated(value) for name, value in values.items()})
        if NUMBER.fullmatch(text):
            return text.replace(".", self._decimal)
        bounds = [bound.start() for bound in BOUND.finditer(text)]
        for start in (0, *(bound + 1 for bound in bounds)):
            for end in (len(text), *reversed(bounds)):
                if end > start and (start, end) != (0, len(text)) and self._whole(text[start:end]):
                    return text[:start] + self.translated(text[start:end]) + self._rest(text[end:])
        return text

    def _whole(self, text: str) -> bool:
        return any(message.values(text) is not None for message in self._messages)

    def _rest(self, text: str) -> str:
        return text[:1] + self.translated(text[1:])

"""What to do next, in words: with each warning, and out of the sentence of a refusal."""

import re
from collections.abc import Sequence

from nightbay.core import language
from nightbay.core.language import say

AGAIN = "run the same command"
# Words that an instruction begins with. By the rules of the project a refusal ends with what to do, as a rule after a
# colon.
IMPERATIVES = re.compile(
    "(add|adjust|allow|answer|ask|calibrate|check|choose|close|copy|correct|declare|delete|describe|end|export|find|fix"
    "|free|give|install|join|leave|list|look|make|mark|measure|move|name|open|put|read|remove|rename|repair|replace"
    r"|report|run|scan|set|shorten|split|state|survey|take|try|turn|unset|use|write)\b",
    re.IGNORECASE,
)
BOUNDS = (": ", "; ", ". ", ", ")
# What a sentence begins with that can be scanned or exported again, and the word that stands for it.
ABOUT = re.compile(r"[Ss]egment (?P<segment>[^\s:;,]+)|[^\s:;,]+/raw/[^\s:;,]+")
IT = re.compile(r" it (?=again)")


class JobWarning(str):
    """A sentence on a doubt that decides the use of a model; ``step`` says what to do about it."""

    step: str

    def __new__(cls, sentence: str, step: str) -> "JobWarning":
        """The ``sentence`` with its ``step``, which is a sentence too."""
        made = super().__new__(cls, sentence)
        made.step = step
        return made


def of_reason(sentence: str, otherwise: str | None = None) -> str:
    """What the English sentence of a refusal tells to do, in the language in use: its last part that begins like an
    instruction, as a sentence.

    ``otherwise``: what it is where the sentence holds none, in the language in use.
    """
    text = sentence.strip().rstrip(".")
    for bound in BOUNDS:
        at = len(text)
        while (at := text.rfind(bound, 0, at)) >= 0:
            tail = text[at + len(bound) :]
            if IMPERATIVES.match(tail):
                return _in_words(sentence.strip(), tail, bound)
    return otherwise or say("Correct what the reason names.")


def of_job(refused: bool, reasons: Sequence[str], warnings: Sequence[JobWarning]) -> list[str]:
    """The next steps of a job, each once: those of its ``reasons`` where it was refused, else of its ``warnings``."""
    if refused:
        steps = [of_reason(sentence) for sentence in reasons] + [say("Then run the same command.")]
    else:
        steps = [warning.step for warning in warnings] or [say("Deliver.")]
    return list(dict.fromkeys(steps))


def _in_words(sentence: str, tail: str, bound: str) -> str:
    """The instruction ``tail`` of an English ``sentence`` as a sentence in the language in use.

    A translation has the same parts in the same order. One with other bounds can't be taken apart: it is shown whole.
    """
    translated = language.stage_sentence(sentence)
    if translated == sentence:
        return _whole(_with_its_object(tail, sentence))
    if translated.count(bound) != sentence.count(bound):
        return _whole(translated)
    step = bound.join(translated.rsplit(bound, tail.count(bound) + 1)[1:])
    about = ABOUT.match(sentence)
    if about and IT.search(tail):
        subject = say("Segment {name}", name=about["segment"]) if about["segment"] else about[0]
        return say("{subject}: {step}.", subject=subject, step=step.rstrip("."))
    return _whole(step)


def _whole(sentence: str) -> str:
    """A sentence with its capital and its end."""
    return f"{sentence[0].upper()}{sentence[1:].rstrip('.')}."


def _with_its_object(step: str, sentence: str) -> str:
    """``scan it again`` as ``scan segment rear again``: alone, a step has to say what it is about."""
    about = ABOUT.match(sentence)
    return IT.sub(lambda _: f" {about[0][0].lower()}{about[0][1:]} ", step, count=1) if about else step

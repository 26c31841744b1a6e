"""What a release check finds, before it is put into words: the terminal and the page may be of different languages."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from nightbay.coverage import sentences
from nightbay.release.picture import Picture
from nightbay.release.result import Action, ActionKind, PartCheck, ReleaseResult, Verdict

Words = Callable[[], str]  # a text in the language that is in use when it is called
# Which kinds of action mean that the vehicle is needed again; the others are put right at the desk.
SCAN_AGAIN = ("moved", "registration", "area")
ORDER = ("copying", "file", "moved", "registration", "area", "unknown")


@dataclass(frozen=True)
class Finding:
    """Something to do before the vehicle leaves, as :class:`Action`; its ``sentence`` is made by a function."""

    kind: ActionKind
    part: str | None
    segment: str | None
    area: int | None
    sentence: Words


@dataclass(frozen=True)
class Findings:
    """All that is to be done; ``parts``, whose ``coverage_reason`` is not made yet: {part: its words} are the
    ``reasons`` for those that have one; and the pictures of the parts."""

    todo: Sequence[Finding]
    parts: Sequence[PartCheck] = ()
    reasons: dict[str, Words] = field(default_factory=dict)
    pictures: Sequence[Picture] = ()

    @property
    def verdict(self) -> Verdict:
        """What follows from what is to be done."""
        if any(finding.kind in SCAN_AGAIN for finding in self.todo):
            return "scan again"
        return "not yet" if self.todo else "may leave"

    def in_words(self) -> ReleaseResult:
        """The result of the check, its sentences in the language in use."""
        ordered = sorted(self.todo, key=lambda finding: ORDER.index(finding.kind))
        return ReleaseResult(
            self.verdict,
            [Action(found.kind, found.part, found.segment, found.area, found.sentence()) for found in ordered],
            [
                sentences.open_area(area)
                for part in self.parts
                if part.coverage
                for area in part.coverage.areas
                if area.verdict == "open"
            ],
            [
                replace(part, coverage_reason=self.reasons[part.part]() if part.part in self.reasons else None)
                for part in self.parts
            ],
        )

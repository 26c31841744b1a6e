"""Faults in a day's data, in sentences that a technician can act on."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from nightbay.core.printable import printable, shortened


class Rejected(Exception):
    """Data that a stage can't accept.

    The message is one sentence: which file or segment, which value, what is allowed, what to do. A stage that raises
    it ends in status ``rejected`` and a finished run; any other exception is a bug and fails the job. ``evidence``:
    plain data on why, which becomes the result of the rejected stage for the report to show. What the sentence quotes
    of foreign files is made printable.
    """

    evidence: Mapping[str, Any] = {}

    def __init__(self, sentence: str) -> None:
        super().__init__(shortened(printable(sentence)))


class Unplaced(Rejected):
    """Segments that can't be placed in their part: ``reasons`` {segment: sentence}. The others may do without them."""

    def __init__(self, reasons: Mapping[str, str], evidence: Mapping[str, Any] | None = None) -> None:
        super().__init__(" ".join(dict.fromkeys(reasons.values())))
        self.reasons = dict(reasons)
        self.evidence = evidence or {}


@dataclass(frozen=True)
class NotFound:
    """The result of a search that found nothing; ``reason``: why, as a clause for a sentence of the report."""

    reason: str

"""Faults in a day's data, in sentences that a technician can act on."""

from dataclasses import dataclass


class Rejected(Exception):
    """Data that a stage can't accept.

    The message is one sentence: which file or segment, which value, what is allowed, what to do. A stage that raises
    it ends in status ``rejected`` and a finished run; any other exception is a bug and fails the job.
    """


@dataclass(frozen=True)
class NotFound:
    """The result of a search that found nothing; ``reason``: why, as a clause for a sentence of the report."""

    reason: str

"""What can be wrong with a day's data, said so that a technician can act on it."""

from dataclasses import dataclass


class Rejected(Exception):
    """Data that a stage can't accept.

    The message is one sentence: which file or segment, which value, what is allowed, what to do. A stage that raises
    it ends in status ``rejected`` and a finished run; any other exception is a bug and fails the job.
    """


@dataclass(frozen=True)
class NotFound:
    """What a search gives back instead of its result where there is none: the reason, for a sentence of the report."""

    reason: str

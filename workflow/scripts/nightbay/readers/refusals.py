"""Refusals that several formats share."""

from collections.abc import Iterator
from contextlib import contextmanager

from nightbay.core.errors import Rejected

LONGEST_CAUSE = 200  # characters of a library's message; some quote the whole file


def too_short(name: str, promised: int, held: int | str, rows: str = "points", where: str = "header") -> Rejected:
    """The refusal of a file that holds fewer ``rows`` than its ``where`` (the header, the first line) promises."""
    return Rejected(
        f"{name}: its {where} promises {promised} {rows}, the file holds {held}: it was cut short, copy or export it "
        "again."
    )


def cause(error: BaseException) -> str:
    """A library's message on an error, in one line without the advice to programmers that follows a semicolon."""
    text = " ".join(str(error).split(";")[0].split()) or type(error).__name__
    return text[:LONGEST_CAUSE].rstrip(".")


def too_many(name: str, promised: int, size: int) -> Rejected:
    """The refusal of a file of ``size`` bytes whose header promises more points than these can hold."""
    return Rejected(
        f"{name}: its header promises {promised} points, more than its {size} bytes can hold: it was cut short or "
        "damaged, copy or export it again."
    )


@contextmanager
def of_library(name: str) -> Iterator[None]:
    """Raise :class:`Rejected` for whatever a library of a format raises in the block: it reads nothing but the file.

    Libraries say in many ways that a file is senseless: lazrs by what is no Exception, of a type that it hides.
    """
    try:
        yield
    except (Rejected, MemoryError):
        raise
    except BaseException as error:
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        raise Rejected(f"{name} is damaged or cut short ({cause(error)}): copy or export it again.") from error

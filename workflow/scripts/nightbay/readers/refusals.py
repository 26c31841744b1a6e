"""Refusals that several formats share."""

from nightbay.core.errors import Rejected


def too_short(name: str, promised: int, held: int | str, rows: str = "points", where: str = "header") -> Rejected:
    """The refusal of a file that holds fewer ``rows`` than its ``where`` (the header, the first line) promises."""
    return Rejected(
        f"{name}: its {where} promises {promised} {rows}, the file holds {held}: it was cut short, copy or export it "
        "again."
    )


def cause(error: Exception) -> str:
    """A library's message on an error, without the advice to programmers that follows a semicolon."""
    return str(error).split(";")[0].rstrip(".")

"""Makes text that others wrote fit to be shown: on a terminal, in a sentence, on a page, in a UTF-8 file."""

import re
import unicodedata

LONGEST_WORD = 400  # letters; the longest name of a file has 255 bytes
# Controls, line ends, marks of direction, lone surrogates, private and unassigned characters.
UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
LONG_WORD = re.compile(rf"\S{{{LONGEST_WORD + 1},}}")


def printable(text: str) -> str:
    """The text with an escape for each character that can't be seen, such as the lone surrogates of a file name that is
    not UTF-8. The result can be shown on a terminal and written as UTF-8."""
    return "".join(ascii(sign)[1:-1] if unicodedata.category(sign) in UNSEEN else sign for sign in text)


def shortened(text: str) -> str:
    """The text with words longer than :data:`LONGEST_WORD`, such as numbers of thousands of digits, cut."""
    return LONG_WORD.sub(lambda word: f"{word[0][: LONGEST_WORD // 10]}… ({len(word[0])} characters)", text)

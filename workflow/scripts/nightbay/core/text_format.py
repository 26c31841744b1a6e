"""How numbers are written for people: digits, signs, units; and the words for what is not known."""

import math
from collections.abc import Iterable
from typing import Any, TypeGuard

from nightbay.core import language
from nightbay.core.language import THIN, say

MINUS = "\u2212"


def not_measured() -> str:
    """What stands in place of a value that there is none of."""
    return say("not measured")


def known(value: Any) -> TypeGuard[float]:
    """Whether a value is a number: None, text, truth values and NaN are not."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return not math.isnan(value)


def number(value: Any, digits: int = 0, sign: bool = False) -> str:
    """A number with its digits in groups of three (ISO 80000-1); ``not measured`` where there is none.

    ``sign`` writes a plus too. What rounds to zero has no sign. The language in use has its own decimal sign.
    """
    if not known(value):
        return not_measured()
    text = f"{abs(value):,.{digits}f}".replace(",", THIN).replace(".", language.decimal_sign())
    if float(f"{value:.{digits}f}") == 0:
        return text
    return MINUS + text if value < 0 else "+" + text if sign else text


def shortest(value: Any) -> str:
    """A number with the decimals that it has, six significant digits at most: ``0.05``, ``21.5``, ``300``."""
    if not known(value):
        return not_measured()
    return number(
        value, next((n for n in range(9) if math.isclose(round(value, n), value, rel_tol=1e-6, abs_tol=1e-9)), 9)
    )


def mm(value: Any, digits: int = 2, sign: bool = False) -> str:
    """A length in millimetres with its unit."""
    return f"{number(value, digits, sign)}{THIN}mm" if known(value) else not_measured()


def digits_of(uncertainty_mm: Any) -> int:
    """Decimals of a value whose uncertainty is stated to two significant digits: 0 to 3; 1 without an uncertainty."""
    if not known(uncertainty_mm) or uncertainty_mm <= 0:
        return 1
    return int(min(3, max(0, 1 - math.floor(math.log10(uncertainty_mm)))))


def plus_minus(value_mm: Any, uncertainty_mm: Any, at_least: object = False) -> str:
    """A length and its uncertainty, rounded alike, or that the uncertainty is unknown. ``at_least``: a lower bound."""
    if not known(value_mm):
        return not_measured()
    sign = "\u2265 " if at_least else ""
    if not known(uncertainty_mm):
        return sign + say("{length}, uncertainty unknown", length=mm(value_mm, 1))
    digits = digits_of(uncertainty_mm)
    return f"{sign}{number(value_mm, digits)} \u00b1 {mm(uncertainty_mm, digits)}"


def area(value_mm2: Any) -> str:
    """An area, given in mm2, in the largest of m2, cm2 and mm2 that it fills."""
    if not known(value_mm2):
        return not_measured()
    for unit, size, digits in (("m\u00b2", 1e6, 2), ("cm\u00b2", 1e2, 1)):
        if value_mm2 >= size:
            return f"{number(value_mm2 / size, digits)}{THIN}{unit}"
    return f"{number(value_mm2, 1)}{THIN}mm\u00b2"


def share(value: Any, digits: int = 1) -> str:
    """A share of 1 in per cent."""
    return f"{number(100 * value, digits)}{THIN}%" if known(value) else not_measured()


def size(count: Any) -> str:
    """Bytes in kB, MB or GB (powers of 1000)."""
    if not known(count):
        return not_measured()
    for unit, step in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= step:
            return f"{number(count / step, 1)}{THIN}{unit}"
    return number(count) + THIN + say("bytes")


def listing(words: Iterable[Any]) -> str:
    """Words as a list in a sentence: ``a, b and c``."""
    texts = [str(word) for word in words]
    if len(texts) < 2:
        return "".join(texts)
    return say("{first} and {last}", first=", ".join(texts[:-1]), last=texts[-1])


def plural(count: int, singular: str, many: str, **values: Any) -> str:
    """A sentence or phrase with a ``{count}``, in the form for that count: ``{count} edge``, ``{count} edges``."""
    return language.plural_form(count, singular, many).format(count=number(count), **values)

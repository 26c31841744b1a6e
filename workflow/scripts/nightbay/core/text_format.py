"""How numbers are written for people: digits, signs, units; and the words for what is not known."""

import math
import unicodedata

NOT_MEASURED = "not measured"
THIN = "\u202f"  # narrow no-break space, between groups of digits and before units
MINUS = "\u2212"


def known(value):
    """Whether a value from a JSON is there at all: absent keys, null and NaN are not."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return not math.isnan(value)


def number(value, digits=0, sign=False):
    """A number with digits in groups of three; ``not measured`` where there is none."""
    if not known(value):
        return NOT_MEASURED
    text = f"{abs(value):,.{digits}f}".replace(",", THIN)
    if value < 0 and float(f"{value:.{digits}f}") != 0:
        return MINUS + text
    return "+" + text if sign else text


def mm(value, digits=2, sign=False):
    """A length with its unit."""
    return f"{number(value, digits, sign)}{THIN}mm" if known(value) else NOT_MEASURED


def digits_of(uncertainty_mm):
    """How many decimals a value deserves whose uncertainty has two digits that count: 0 to 3."""
    if not known(uncertainty_mm) or uncertainty_mm <= 0:
        return 1
    return int(min(3, max(0, 1 - math.floor(math.log10(uncertainty_mm)))))


def plus_minus(value_mm, uncertainty_mm, at_least=False):
    """A length and its uncertainty, rounded alike; a value without one says so, and one that may be larger."""
    if not known(value_mm):
        return NOT_MEASURED
    sign = "\u2265 " if at_least else ""
    if not known(uncertainty_mm):
        return f"{sign}{mm(value_mm, 1)}, uncertainty unknown"
    digits = digits_of(uncertainty_mm)
    return f"{sign}{number(value_mm, digits)} \u00b1 {mm(uncertainty_mm, digits)}"


def area(value_mm2):
    """An area in m2, cm2 or mm2, whichever reads best."""
    if not known(value_mm2):
        return NOT_MEASURED
    for unit, size, digits in (("m\u00b2", 1e6, 2), ("cm\u00b2", 1e2, 1)):
        if value_mm2 >= size:
            return f"{number(value_mm2 / size, digits)}{THIN}{unit}"
    return f"{number(value_mm2, 1)}{THIN}mm\u00b2"


def share(value, digits=1):
    """A share of 1 in per cent."""
    return f"{number(100 * value, digits)}{THIN}%" if known(value) else NOT_MEASURED


def size(count):
    """Bytes in kB, MB or GB (powers of 1000)."""
    if not known(count):
        return NOT_MEASURED
    for unit, step in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= step:
            return f"{number(count / step, 1)}{THIN}{unit}"
    return f"{number(count)}{THIN}bytes"


def listing(words):
    """Words as a list in a sentence."""
    words = [str(word) for word in words]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def plural(count, one, many=None):
    """A count with its noun."""
    return f"{number(count)} {one if count == 1 else many or one + 's'}"


def printable(text):
    """The text with an escape for each character that has no look of its own: controls, line ends, bidi marks, lone
    surrogates (a file name that is not UTF-8 holds them). It can be shown on a terminal and written as UTF-8."""
    return "".join(
        ascii(sign)[1:-1] if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp") else sign for sign in text
    )

"""Numbers as people read them."""

import pytest

from nightbay.core import text_format


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (5394.12, 0.62, "5\u202f394.12 \u00b1 0.62\u202fmm"),
        (5394.12, 6.2, "5\u202f394.1 \u00b1 6.2\u202fmm"),
        (5394.12, 62.0, "5\u202f394 \u00b1 62\u202fmm"),
        (-0.004, 0.0123, "\u22120.004 \u00b1 0.012\u202fmm"),
        (12.0, None, "12.0\u202fmm, uncertainty unknown"),
        (None, 0.1, "not measured"),
        (float("nan"), 0.1, "not measured"),
    ],
)
def test_a_length_has_as_many_digits_as_its_uncertainty_bears(value, uncertainty, expected):
    assert text_format.plus_minus(value, uncertainty) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (text_format.number(-0.4), "0"),
        (text_format.number(1234567), "1\u202f234\u202f567"),
        (text_format.number(0.5, 1, sign=True), "+0.5"),
        (text_format.number(-0.04, 1, sign=True), "0.0"),
        (text_format.number(0.04, 1, sign=True), "0.0"),
        (text_format.number(True), "not measured"),
        (text_format.shortest(0.05), "0.05"),
        (text_format.shortest(3 * 0.1), "0.3"),
        (text_format.shortest(-2000.0), "\u22122\u202f000"),
        (text_format.shortest(1e-17), "0"),
        (text_format.shortest(None), "not measured"),
        (text_format.area(2_345_678), "2.35\u202fm\u00b2"),
        (text_format.area(34_500), "345.0\u202fcm\u00b2"),
        (text_format.area(12.34), "12.3\u202fmm\u00b2"),
        (text_format.share(0.0325), "3.2\u202f%"),
        (text_format.size(5_118_007), "5.1\u202fMB"),
        (text_format.size(12), "12\u202fbytes"),
        (text_format.listing(["a", "b", "c"]), "a, b and c"),
        (text_format.listing(["a"]), "a"),
        (text_format.plural(1, "{count} gap", "{count} gaps"), "1 gap"),
        (text_format.plural(2, "{count} entry", "{count} entries"), "2 entries"),
    ],
)
def test_wording(text, expected):
    assert text == expected

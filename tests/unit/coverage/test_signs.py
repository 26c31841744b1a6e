"""The verdict by the signs that a hole shows, and its words."""

from dataclasses import replace

import pytest

from nightbay.coverage.signs import Signs

PLAIN = Signs(
    mirrored=None, scattered=False, returns=0.0, looked_at=False, through=False, edged=0.05, glazing=False
)  # fmt: skip


@pytest.mark.parametrize(
    ("signs", "never_seen", "words"),
    [
        ({}, True, "it lies below the windows, surface ends all round it"),
        ({"edged": None}, True, "no surface borders on it"),
        ({"glazing": True}, False, "a step or flange follows 5\u202f% of its edge: it looks the same on both sides"),
        ({"edged": 0.3}, False, "a step or flange follows 30\u202f% of its edge: it looks the same on both sides"),
        ({"mirrored": 0.9}, True, "the other side has surface over 90\u202f% of it, this side has none"),
        ({"mirrored": 0.9, "glazing": True}, True, "this side has none (unless it is glazing on one side only)"),
        ({"mirrored": 0.9, "scattered": True}, False, "the other side has scattered points, as glazing gives"),
        (
            {"mirrored": 0.9, "looked_at": True, "through": True},
            False,
            "over 90\u202f% of it, but here scattered points come back from all over it, as from glass, chrome or "
            "black trim and surface shows deep inside: check that this is glazing",
        ),
        (
            {"mirrored": 0.2, "edged": 0.62, "through": True},
            False,
            "a step or flange follows 62\u202f% of its edge and surface shows deep inside: check that this is glazing "
            "or another opening",
        ),
    ],
)
def test_verdict_and_words(signs, never_seen, words):
    found = replace(PLAIN, **signs)
    assert found.never_seen == never_seen
    assert words in found.words()

"""What a job's page says of the colours of its segments."""

import numpy as np
import pytest

import marked_pages
from nightbay.core import language
from nightbay.fuse.result import ColourMatch, ColourOverlap, FuseResult, SegmentColour
from nightbay.pipeline import typed
from nightbay.report import page as pages
from report_pages import check, page, upstream
from typed_results import made


def coloured(tmp_path, whole, segments, overlaps=(), **numbers):
    """The page of a job whose fusing left these results of colour."""
    match = made(ColourMatch, patch_mm=12.0, segments=segments, overlaps=list(overlaps), **numbers)
    whole["fuse"] = [upstream("fuse", typed.write(made(FuseResult, colour=match)), tmp_path)]
    return page(whole, tmp_path / "page")[1]


def test_matched_colours_are_told_in_words_first(whole, tmp_path):
    gains, sd = [1.25, 1.0, 0.8], [0.01, 0.008, 0.007]
    box = [np.zeros(3), np.ones(3)]
    segments = {
        "left": SegmentColour("colour", gains, sd, [0.1, 0.0, 0.0], box, None),
        "roof": SegmentColour("grey", [0.8, 0.8, 0.8], sd, [0.1, 0.0, 0.0], box, None),
        "rear": SegmentColour("colour", [1.0, 1.0, 1.0], None, None, None, "too little overlap"),
        "sill": SegmentColour("none", [1.0, 1.0, 1.0], None, None, None, None),
    }
    pair = ColourOverlap("left", "roof", 4063, 12, 17.24, 2.71, 2.83)
    html = coloured(
        tmp_path, whole, segments, [pair], patches=4063, difference_before=17.24, difference_after=2.71,
        difference_withheld=2.83, uneven_share=0.2,
    )  # fmt: skip
    check(html)
    words = "Where two of them see the same surface, their colours differed by 17.2 and now differ by 2.7; on patches"
    assert words in html and html.index(words) < html.index('<td class="n">1.250 ± 0.010</td>')
    assert "A gradient of the brightness" in html and "greys only" in html and "no colour in the export" in html
    assert "as exported: too little is seen by another coloured segment too" in html


def test_colours_that_were_not_matched_are_said_to_be_as_exported(whole, tmp_path):
    segments = {name: SegmentColour("colour", [1.0] * 3, None, None, None, "matching is off") for name in ("a", "b")}
    html = coloured(tmp_path, whole, segments, [ColourOverlap("a", "b", 400, 1, 9.0, None, None)])
    check(html)
    assert "The colours of the segments were not matched." in html and "fuse.match_colours" in html


@pytest.mark.parametrize("because", ["matching is off", "too little overlap", "no better on withheld overlaps"])
def test_every_word_on_colours_is_a_message(because):
    box, sd = [np.zeros(3), np.ones(3)], [0.01, 0.008, 0.007]
    segments = {
        "a": SegmentColour("colour", [1.2, 1.0, 0.8], sd, [0.1, 0.0, 0.0], box, None),
        "b": SegmentColour("grey", [1.0] * 3, None, None, None, because),
        "c": SegmentColour("none", [1.0] * 3, None, None, None, None),
    }
    overlaps = [ColourOverlap("a", "b", 400, 1, 9.0, 2.0, None), ColourOverlap("a", "c", 40, 1, 9.0, None, None)]
    match = made(ColourMatch, patch_mm=12.0, segments=segments, overlaps=overlaps, difference_before=9.0)
    with language.use(marked_pages.LANGUAGE):
        html = pages.render("colour.html.j2", part={"fuse": {"colour": match}})
    assert marked_pages.unmarked(html, set(segments)) == []


def test_a_part_without_colour_has_no_section_of_it(whole, tmp_path):
    whole["fuse"] = [upstream("fuse", typed.write(made(FuseResult, colour=None)), tmp_path)]
    assert "<h3>Colour</h3>" not in page(whole, tmp_path / "page")[1]

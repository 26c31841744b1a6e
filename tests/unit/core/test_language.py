"""The language in use: catalogues, decimal signs, dates, sentences of stages."""

import gettext
from datetime import datetime

import babel
import pytest

import catalogues
import stage_messages
from nightbay.core import language, text_format
from nightbay.core.stage_sentences import CONTEXT, Message, StageSentences

OTHERS = [code for code in language.codes() if code != language.ENGLISH]


@pytest.fixture(scope="module")
def messages():
    return {*catalogues.messages(), *stage_messages.stage_messages()}


@pytest.mark.parametrize("code", OTHERS)
def test_a_catalogue_has_every_message_and_no_other(code, messages):
    catalogue = catalogues.read(catalogues.LANGUAGES / f"{code}.po", code)
    known = {message.id if isinstance(message.id, str) else tuple(message.id) for message in catalogue if message.id}
    missing = [message for message in messages if message not in known]
    assert not missing, f"make {code}.po anew with tests/catalogues.py and translate what is new"
    assert not [message for message in known if message not in messages], f"make {code}.po anew"
    assert not [
        message.id for message in catalogue if message.id and (message.fuzzy or not all(catalogues.forms(message)))
    ]


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_has_the_places_of_its_message(code):
    for message in catalogues.read(catalogues.LANGUAGES / f"{code}.po", code):
        if message.id:
            english = [message.id] if isinstance(message.id, str) else list(message.id)
            # the form for one may name it in words
            wanted = catalogues.places(english[-1])
            assert all(
                catalogues.places(form) in (wanted, catalogues.places(english[0])) for form in catalogues.forms(message)
            ), english


def test_no_message_hides_in_an_f_string():
    """Where the catalogues' tool does not see it."""
    hidden = [
        (path.name, inner.lineno)
        for folder in stage_messages.OF_PAGES
        for path in (stage_messages.PACKAGE / folder).glob("*.py")
        for node in stage_messages.ast.walk(stage_messages.ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, stage_messages.ast.JoinedStr)
        for inner in stage_messages.ast.walk(node)
        if isinstance(inner, stage_messages.ast.Call)
        and getattr(inner.func, "id", getattr(inner.func, "attr", "")) in catalogues.KEYWORDS
    ]
    assert hidden == []


def test_english_is_the_language_at_first_and_after_another():
    assert text_format.number(1234.5, 1) == "1\u202f234.5"
    with language.use(language.of_code("de")):
        assert text_format.number(1234.5, 1) == "1\u202f234,5"  # ISO 80000-1: thin space between groups, comma or point
        assert text_format.listing(["a", "b", "c"]) == "a, b und c"
    assert language.current().code == "en"


def test_dates_are_those_of_the_language():
    when = datetime(2026, 3, 4, 21, 5)
    assert language.moment(when) == "4 March 2026, 21:05"
    with language.use(language.of_code("de")):
        assert language.moment(when) == "4. März 2026, 21:05"


def test_a_message_that_a_catalogue_lacks_is_english():
    with language.use(language.Language(babel.Locale("fr"), gettext.NullTranslations())):
        assert language.say("Nothing of {name}.", name="a") == "Nothing of a."
        assert text_format.plural(2, "{count} edge", "{count} edges") == "2 edges"


def test_values_with_braces_are_left_alone():
    assert language.say("{name} ends", name="{0} {x}") == "{0} {x} ends"


FRAGMENTS = [
    Message("Zero {axis} is kept as scanned: {reason}.", "Null {axis} bleibt roh: {reason}."),
    Message("the axle shows one wheel", "die Achse zeigt nur ein Rad"),
    Message("{name} has {count} of {all} targets", "{name}: {count} von {all} Marken"),
    Message("{name} has no targets", "{name} ohne Marken"),
]


@pytest.mark.parametrize(
    ("english", "expected"),
    [
        ("Zero X is kept as scanned: the axle shows one wheel.", "Null X bleibt roh: die Achse zeigt nur ein Rad."),
        ("Zero X is kept as scanned: foo. a has no targets", "Null X bleibt roh: foo. a ohne Marken"),
        ("b: the axle shows one wheel; a has 1.5 of 3 targets", "b: die Achse zeigt nur ein Rad; a: 1,5 von 3 Marken"),
        ("a has 7.1e-05 of (0.1, 2.5, -3) targets", "a: 7,1e-05 von (0,1; 2,5; -3) Marken"),
        ("a has v1.5.ply of 3 targets", "a: v1.5.ply von 3 Marken"),
        ("{0} has {x} of \\1 targets", "{0}: {x} von \\1 Marken"),
        ("Nothing of this is known.", "Nothing of this is known."),
        ("", ""),
    ],
)  # fmt: skip
def test_sentences_of_stages_are_recognised_whole_or_in_pieces(english, expected):
    assert StageSentences(FRAGMENTS, ",").translated(english) == expected


def test_messages_of_stages_are_found_in_code():
    code = '''
def f(name, found):
    """Not this docstring of three words."""
    print("nor this line of progress")
    raise Rejected(f"{name} has {len(found.targets)} of {len(survey)} targets: {'it' if x else 'they'} must be {y:.1f}")
'''
    (message,) = stage_messages.messages_of(stage_messages.ast.parse(code))
    assert message == "{name} has {targets} of {survey} targets: {it} must be {y}"


@pytest.mark.parametrize("code", OTHERS)
def test_every_sentence_of_a_stage_is_recognised_with_any_values(code):
    """With values that no other message holds, each message reads as its translation."""
    stages = language.of_code(code).stages
    for message in catalogues.read(catalogues.LANGUAGES / f"{code}.po", code):
        if message.context == CONTEXT:
            values = {place: f"x{at}x" for at, place in enumerate(sorted(catalogues.places(message.id)))}
            assert stages.translated(message.id.format(**values)) == message.string.format(**values)


@pytest.mark.parametrize(
    ("stage", "page"),
    [("only 7% of it was scanned, 50% are needed", "only 7\u202f% of it was scanned, 50\u202f% are needed"),
     ("roof 50%_a.ply is empty", "roof 50%_a.ply is empty")],
)  # fmt: skip
def test_a_page_has_a_space_before_per_cent_where_a_stage_has_none(stage, page):
    """ISO 80000-1: between the number and its unit."""
    assert language.stage_sentence(stage) == page

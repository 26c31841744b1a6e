"""Words of results on a page: whatever a stage can say has a message."""

import ast
from typing import get_args, get_type_hints

import pytest

from nightbay.clean.result import Reason
from nightbay.core import language, paths
from nightbay.frame import room_list
from nightbay.intake.result import IntakeResult
from nightbay.measure import dimensions
from nightbay.network.result import DriftEstimate, Scale
from nightbay.report import result_words

FRAME = paths.SCRIPTS / "nightbay" / "frame"
FOUND_BY = {"ZeroPlane": 0, "Decision": 1, "replace": None}  # calls, and which argument says what it was found by


def found_by():
    """What the stage frame says that it found a plane or a direction by, where it is one text."""
    for path in sorted(FRAME.glob("*.py")):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = getattr(getattr(call, "func", None), "id", None)
            if name not in FOUND_BY:
                continue
            at = FOUND_BY[name]
            said = [keyword.value for keyword in call.keywords if keyword.arg == "found_by"]
            said += [] if at is None else call.args[at : at + 1]
            texts = [node for value in said for node in (value, *getattr(value, "__dict__", {}).values())]
            yield from (node.value for node in texts if isinstance(node, ast.Constant) and isinstance(node.value, str))


def test_what_frame_finds_planes_by_is_a_message():
    texts = set(found_by())
    assert {"front axle", "symmetry plane of the part", "job sheet", "middle between the side walls"} <= texts
    assert texts <= result_words.WORDS


@pytest.mark.parametrize(
    "words",
    [
        [reason.word for reason in Reason],
        get_args(get_type_hints(IntakeResult)["normals"]),
        get_args(get_type_hints(DriftEstimate)["method"]),
        get_args(get_args(get_type_hints(Scale)["applied"])[0]),
        [room_list.UPRIGHT, room_list.LEVEL, room_list.SLOPING],
        [dimensions.UNSCANNED],
    ],
)
def test_kinds_and_reasons_are_messages(words):
    assert words and set(words) <= result_words.WORDS


def test_names_of_segments_are_nobodys_words():
    with language.use(language.of_code("de")):
        assert result_words.list_name("control survey") == "Passpunktmessung"
        assert result_words.list_name("roof") == "roof" and result_words.shown("roof") == "Dach"

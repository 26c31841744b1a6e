"""Properties that hold for any text: names, words of numbers, values of a job sheet."""

import math
import string
from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nightbay import readers
from nightbay.core.errors import Rejected
from nightbay.core.printable import printable, shortened
from nightbay.matching import targets
from nightbay.planning import day, names, parameters, validation, yaml_file
from nightbay.planning.raw_files import Hashes

DEFAULTS = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")
SOME = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
# Digits of several scripts, and what stands in numbers of one program or another.
NUMBERS = st.text("0123456789.+-eE_xX\u0661\uff11 ,'infaINFAdD", min_size=1, max_size=12)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


@SOME
@given(text=st.text(max_size=500))
def test_a_refusal_can_be_shown_whatever_it_quotes(text):
    said = str(Rejected(text))
    assert said == shortened(printable(text)) and "\n" not in said
    said.encode()
    assert printable(said) == said
    assert len(said) <= 10 * len(text)  # as long as the longest escape


@SOME
@given(word=NUMBERS)
def test_readers_of_points_and_of_targets_take_the_same_words_for_numbers(tmp_path, word):
    """What both take has the value that Python gives it."""
    path = tmp_path / "a.csv"
    path.write_text(f'x;y;z\n1;2;3\n"{word}";5;6\n', encoding="utf-8")
    taken = []
    for read in (_points, _targets):
        try:
            taken.append(float(read(path)[1, 0]))
        except Rejected:
            taken.append(None)
    points, listed = taken
    if points is not None and math.isfinite(points) and abs(points) <= 1e12:
        assert listed == points == float(word)
    else:
        assert listed is None


def _points(path: Path) -> np.ndarray:
    return np.concatenate([block.xyz for block in readers.blocks(path, path.name)])


def _targets(path: Path) -> np.ndarray:
    sheet = {"file": path.name, **Hashes(path.parent).of(path.name), "units": "mm", "columns": None}
    return targets.read(sheet, path.parent).xyz_mm


@SOME
@given(rows=st.lists(st.tuples(*[st.floats(-1e9, 1e9, allow_nan=False)] * 3), min_size=1, max_size=20))
def test_numbers_come_back_as_they_were_written(tmp_path, rows):
    text = "\n".join(" ".join(repr(value) for value in row) for row in rows)
    head = f"ply\nformat ascii 1.0\nelement vertex {len(rows)}\n" + "".join(
        f"property double {axis}\n" for axis in "xyz"
    )
    (tmp_path / "a.ply").write_text(f"{head}end_header\n{text}\n")
    (tmp_path / "a.xyz").write_text(f"x y z\n{text}\n")
    (tmp_path / "a.obj").write_text("".join(f"v {row}\n" for row in text.split("\n")))
    for name in ("a.ply", "a.xyz", "a.obj"):
        assert np.array_equal(_points(tmp_path / name), np.array(rows)), name


@pytest.fixture
def shop(tmp_path):
    """A day with a job that has one raw file."""
    (tmp_path / "job" / "raw").mkdir(parents=True)
    (tmp_path / "job" / "raw" / "left.xyz").write_text("1 2 3\n")
    return tmp_path


def _plan(shop, sheet):
    """The sentences on a sheet, none where it is accepted; the program itself is never at fault."""
    (shop / "job" / "job.yaml").write_text(sheet, encoding="utf-8")
    plan = day.plan(shop, DEFAULTS)
    assert plan.tracebacks == []
    said = plan.refused.get("job", [])
    assert all(text.endswith(".") and len(text) < 2000 for text in said)
    assert all(printable(text) == text for text in said)
    return said


KEYS = list(validation.schema("job")["properties"])


@SOME
@given(key=st.sampled_from(KEYS), value=VALUES)
def test_any_value_of_a_key_is_accepted_or_refused_in_sentences(shop, key, value):
    sheet = {"vehicle_class": "van", "units": "mm", key: value}
    said = _plan(shop, yaml.safe_dump(sheet, allow_unicode=True))
    if key not in ("title", "note") and value is not None and not isinstance(value, str | dict | list):
        assert said


@SOME
@given(text=st.text(max_size=300))
def test_any_text_as_a_job_sheet(shop, text):
    assert _plan(shop, text)


@SOME
@given(name=st.text(string.ascii_letters + string.digits + "-_./ \n\u00e9\u202e", min_size=1, max_size=40))
def test_the_name_of_a_segment_is_plain_or_refused(shop, name):
    sheet = {"vehicle_class": "van", "units": "mm", "parts": {"exterior": {"segments": {name: "raw/left.xyz"}}}}
    said = _plan(shop, yaml.safe_dump(sheet, allow_unicode=True))
    plain = names.NAME.fullmatch(name) is not None and not names.PERIODIC.search(name)
    assert (said == []) == plain

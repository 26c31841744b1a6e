"""What the code asks of itself: where modules lie, which words it uses, what is documented. Each counter can fail."""

import pytest

import code_rules

BAD = '''
class Shown:
    def method(self, one, told=3):
        return one


def bare(count, other: int):
    """Has a text, but no types."""
    # The points that were taken
    # out are somewhere else.
    return f"Segment {count} hangs together with {other}."


def _hidden(x):
    return x
'''


@pytest.fixture
def bad(tmp_path, monkeypatch):
    """A small tree with everything wrong in it."""
    package = tmp_path / "workflow/scripts/nightbay"
    (package / "fuse").mkdir(parents=True)
    (package / "weld.py").write_text(BAD)
    (package / "fuse/flat.py").write_text('"""Fine."""\n\n\ndef fine(a: int) -> int:\n    """Fine."""\n    return a\n')
    (tmp_path / "README.md").write_text("# Who\nsaw what\n")
    (tmp_path / "config").mkdir()
    (tmp_path / "config/config.yaml").write_text("network:\n  # Nothing is to\n  # do.\n  chance_max: 1\n")
    monkeypatch.setattr(code_rules, "PACKAGE", package)
    return tmp_path


def test_modules_lie_in_their_packages():
    assert len(code_rules.flat_modules()) <= 3


def test_a_module_outside_its_package_counts(bad):
    assert code_rules.flat_modules() == ["weld"]


def test_public_names_are_documented_and_annotated():
    assert code_rules.undocumented_public() == []
    assert code_rules.unannotated_public() == []


def test_a_public_name_without_text_or_types_counts(bad):
    assert code_rules.undocumented_public() == ["weld.py:module", "weld.py:Shown", "weld.py:Shown.method"]
    assert code_rules.unannotated_public() == ["weld.py:Shown.method", "weld.py:bare"]


def test_retired_words_are_not_used():
    assert code_rules.retired_words() == []


def test_a_retired_word_counts_wherever_it_stands(bad):
    assert code_rules.retired_words(bad) == [
        "README.md: who saw what -> visibility of targets by segment",
        "config/config.yaml: chance_max -> false_matches_max",
        "config/config.yaml: nothing is to do -> nothing to do",
        "workflow/scripts/nightbay/weld.py: one -> what it is, such as segment, pair, row or target",
        "workflow/scripts/nightbay/weld.py: told -> observable, constrained",
        "workflow/scripts/nightbay/weld.py: weld -> tile_stitching",
        "workflow/scripts/nightbay/weld.py: hangs together with -> is connected to",
        "workflow/scripts/nightbay/weld.py: taken out -> removed",
    ]


def test_sizes_of_functions(bad):
    assert code_rules.longest_function() == (5, "weld.py:bare")
    assert code_rules.most_parameters() == (3, "weld.py:Shown.method")

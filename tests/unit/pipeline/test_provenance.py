import ast
import shutil
import sys

import pytest

from nightbay.pipeline import provenance, sources

SCRIPT = "from nightbay import stage, width\nstage.run(snakemake, width.width)\n"


@pytest.fixture
def house(tmp_path, monkeypatch):
    """A small workflow of one stage, ``width``, whose module imports another one, with a fresh look at the files."""
    scripts = tmp_path / "workflow" / "scripts"
    package = scripts / "nightbay"
    package.mkdir(parents=True)
    (scripts / "width.py").write_text(SCRIPT)
    (package / "__init__.py").write_text("")
    (package / "stage.py").write_text("import json\n")
    (package / "width.py").write_text(
        "from nightbay.inner import ruler\n\ndef width():\n    import scipy\n    return 1\n"
    )
    (package / "inner").mkdir()
    (package / "inner" / "__init__.py").write_text("from . import other\n")
    (package / "inner" / "ruler.py").write_text("import numpy as np\n")
    (package / "inner" / "other.py").write_text("value = 1\n")
    (package / "unused.py").write_text("value = 1\n")
    (tmp_path / "workflow" / "schemas").mkdir()
    (tmp_path / "workflow" / "schemas" / "width.schema.json").write_text("{}")
    monkeypatch.setattr(provenance, "SCRIPTS", scripts)
    monkeypatch.setattr(provenance, "WORKFLOW", tmp_path / "workflow")
    yield tmp_path / "workflow"
    forget()  # other tests look at the project itself


def forget():
    for function in (
        provenance.code_hash,
        provenance._sources,
        provenance._source,
        provenance._files,
    ):
        function.cache_clear()


def look():
    forget()
    return provenance.code_hash("width")


def test_follows_imports_to_every_module_and_library(house):
    look()
    names = {str(path.relative_to(house / "scripts")) for path in provenance.modules_of(house / "scripts" / "width.py")}
    assert names == {
        "width.py",
        *(
            f"nightbay/{name}.py"
            for name in ("__init__", "stage", "width", "inner/__init__", "inner/ruler", "inner/other")
        ),
    }
    assert set(provenance.libraries_of(house / "scripts" / "width.py")) == {"numpy", "scipy"}


@pytest.mark.parametrize("module", ["stage", "width", "inner/ruler", "inner/other"])
def test_an_edit_of_any_module_behind_the_stage_changes_the_hash(house, module):
    before = look()
    path = house / "scripts" / "nightbay" / f"{module}.py"
    path.write_text(path.read_text() + "more = 1\n")
    assert look() != before


def test_comment_docstring_touch_and_other_modules_change_nothing(house):
    before = look()
    path = house / "scripts" / "nightbay" / "width.py"
    path.write_text('"""What it does."""\n# why\n\n' + path.read_text())
    (house / "scripts" / "nightbay" / "unused.py").write_text("value = 2\n")
    assert look() == before


def test_schema_counts_as_code(house):
    before = look()
    (house / "schemas" / "width.schema.json").write_text('{"type": "object"}')
    assert look() != before


def test_another_version_of_a_library_changes_the_hash(house, tmp_path, monkeypatch):
    before = look()
    newer = tmp_path / "site" / "scipy-99.0.dist-info"
    newer.mkdir(parents=True)
    (newer / "METADATA").write_text("Metadata-Version: 2.1\nName: scipy\nVersion: 99.0\n")
    (newer / "top_level.txt").write_text("scipy\n")
    monkeypatch.setattr(sys, "path", [str(tmp_path / "site"), *sys.path])
    assert look() != before
    assert provenance.libraries_of(house / "scripts" / "width.py")["scipy"] == "99.0"


def test_moving_the_house_changes_nothing(house, tmp_path, monkeypatch):
    before = look()
    moved = tmp_path / "elsewhere"
    shutil.copytree(house, moved)
    monkeypatch.setattr(provenance, "SCRIPTS", moved / "scripts")
    monkeypatch.setattr(provenance, "WORKFLOW", moved)
    assert look() == before


def test_content_of_a_missing_file_is_none(tmp_path):
    assert provenance.content(tmp_path / "none") is None
    (tmp_path / "some").write_text("1")
    assert provenance.content(tmp_path / "some") is not None


def test_every_template_and_catalogue_is_the_resource_of_a_stage():
    """But for the page of the release check, which is no stage."""
    patterns = [pattern for patterns in provenance.RESOURCES.values() for pattern in patterns]
    named = {path for pattern in patterns for path in provenance.WORKFLOW.glob(pattern)}
    files = {path for folder in ("report", "languages") for path in (provenance.WORKFLOW / folder).iterdir()}
    assert named == files - {provenance.WORKFLOW / "report" / "release.html.j2"}


def test_files_are_not_parsed_again_by_the_next_process_but_where_they_changed(house, monkeypatch):
    before = look()
    parsed = []
    parse = ast.parse
    monkeypatch.setattr(ast, "parse", lambda text: parsed.append(text) or parse(text))
    assert look() == before
    assert parsed == []
    path = house / "scripts" / "nightbay" / "inner" / "other.py"
    path.write_text("value = 3\n")
    assert look() != before
    assert parsed == [b"value = 3\n"]


@pytest.mark.parametrize("text", ["", "[]", '{"by": "another version", "files": {}, "libraries": {}}'])
def test_what_another_version_kept_is_found_anew(house, text):
    before = look()
    kept = house / "scripts" / sources.KEPT
    assert kept.is_file()
    kept.write_text(text)
    assert look() == before


def test_a_project_that_can_t_be_written_to_has_the_same_hash(house):
    before = look()
    kept = house / "scripts" / sources.KEPT
    shutil.rmtree(kept.parent)
    kept.parent.write_text("in the way")
    assert look() == before

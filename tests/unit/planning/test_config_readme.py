"""config/README.md says what the schemas, the defaults and the classes say."""

import re

import pytest

import config_readme
from nightbay.planning import day, parameters, validation, yaml_file

TEXT = config_readme.README.read_text(encoding="utf-8")


def test_its_tables_are_those_of_the_schemas():
    """PYTHONPATH=workflow/scripts python tests/config_readme.py writes them anew."""
    assert config_readme.rewritten(TEXT) == TEXT


@pytest.mark.parametrize("section", parameters.SECTIONS)
def test_every_parameter_is_documented(section):
    for key in validation.schema(f"parameters/{section}")["properties"]:
        assert f"| `{key}` |" in TEXT


def test_every_key_of_the_job_sheet_is_documented():
    def keys(node):
        if isinstance(node, dict):
            yield from node.get("properties", {}) if isinstance(node.get("properties"), dict) else ()
            for value in node.values():
                yield from keys(value)
        elif isinstance(node, list):
            for value in node:
                yield from keys(value)

    for key in keys(validation.schema("job")):
        assert re.search(rf"\| `([\w<>\[\]]+\.)*{key}` \|", TEXT), f"{key} is not documented"


def test_its_example_is_a_job_that_is_accepted(tmp_path):
    example = re.search(r"<!-- example -->\n```yaml\n(.*?)```", TEXT, re.DOTALL)[1]
    (tmp_path / "van-412").mkdir()
    (tmp_path / "van-412" / "job.yaml").write_text(example)
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")
    plan = day.plan(tmp_path, defaults)
    assert plan.refused == {}
    job = plan.jobs["van-412"]
    assert list(job.parts["exterior"].segments) == ["left", "right", "roof"]
    assert job.settings("fuse", "exterior")["scan"]["resolution_mm"] == 3
    assert set(job.document) == set(validation.schema("job")["properties"])

"""The version stands in one place."""

import re
import tomllib
from pathlib import Path

from nightbay.core import paths, version


def test_version_is_that_of_the_project_file():
    project = tomllib.loads(Path("pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert version.version() == project["version"]
    assert re.fullmatch(r"\d+\.\d+\.\d+", version.version())


def test_another_version_reruns_no_stage():
    """The number is read from the project file and is in no module, so that no hash of a stage's code holds it."""
    for path in paths.SCRIPTS.rglob("*.py"):
        assert f'"{version.version()}"' not in path.read_text(encoding="utf-8"), path

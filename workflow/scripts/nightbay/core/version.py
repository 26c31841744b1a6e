"""Which version of Nightbay this is; ``pyproject.toml`` names it and nothing else does."""

import tomllib
from functools import cache

from nightbay.core.paths import WORKFLOW


@cache
def version() -> str:
    """The version, such as ``0.2.0``. Nightbay runs from its folder and is not installed, so the file is read."""
    return str(tomllib.loads((WORKFLOW.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"])

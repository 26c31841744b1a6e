"""What a source file imports and means, and which libraries are installed, kept from one process to the next.

To parse all files of the project takes seconds, and each night asks for them several times. What was found is kept
beside Python's own compiled files, by the content that it was found in, so nothing old is ever taken for new. Where
that folder can't be written to, all is found again each time.
"""

import ast
import hashlib
import importlib.metadata
import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

KEPT = Path("__pycache__", "sources.json")


class Source(NamedTuple):
    """A file's ``imports``, dotted names of everything that it imports, also inside functions, and its ``meaning``: the
    hash, hexadecimal, of its syntax tree without docstrings."""

    imports: tuple[str, ...]
    meaning: str


class Sources:
    """The Python files below a folder, ``root``, and the installed libraries."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._kept = _load(root / KEPT)
        self._changed = False

    def read(self, path: Path) -> Source:
        """The :class:`Source` of a file below the root."""
        name, content = str(path.relative_to(self._root)), path.read_bytes()
        of = hashlib.sha256(content).hexdigest()
        kept = self._kept["files"].get(name)
        if not kept or kept["of"] != of:
            tree = ast.parse(content)
            found = Source(tuple(sorted(_imports(tree, path.relative_to(self._root)))), _meaning(tree))
            kept = self._kept["files"][name] = {"of": of} | found._asdict()
            self._changed = True
        return Source(tuple(kept["imports"]), kept["meaning"])

    def distributions(self) -> Mapping[str, list[str]]:
        """The installed distributions by the name that is imported."""
        of = [installed for folder in sys.path if (installed := _installed(folder))]
        if self._kept["libraries"].get("of") != of:
            self._kept["libraries"] = {"of": of, "distributions": dict(importlib.metadata.packages_distributions())}
            self._changed = True
        return self._kept["libraries"]["distributions"]

    def keep(self) -> None:
        """Keep what was found for the next process."""
        if not self._changed:
            return
        self._changed = False
        path = self._root / KEPT
        beside = path.with_name(f"{path.name}.{os.getpid()}")
        with suppress(OSError):
            path.parent.mkdir(exist_ok=True)
            beside.write_text(json.dumps(self._kept), encoding="utf-8")
            os.replace(beside, path)


def _load(path: Path) -> dict[str, Any]:
    """What an earlier process kept; nothing where another Python or another version of this module did."""
    fresh: dict[str, Any] = {"by": _maker(), "files": {}, "libraries": {}}
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return fresh
    return kept if isinstance(kept, dict) and kept.get("by") == fresh["by"] and kept.keys() == fresh.keys() else fresh


@cache
def _maker() -> str:
    """Hash of this module and of the version of Python, on which the text of a syntax tree depends."""
    return hashlib.sha256(Path(__file__).read_bytes() + sys.version.encode()).hexdigest()


def _installed(folder: str) -> list[str]:
    """What is installed in a folder that Python imports from, each with its version."""
    try:
        return sorted(name for name in os.listdir(folder or ".") if name.endswith((".dist-info", ".egg-info")))
    except OSError:
        return []


def _imports(tree: ast.Module, path: Path) -> set[str]:
    """Dotted names that a file imports; ``path``: of the file from the root, for imports relative to it."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                base = path.parents[node.level - 1]
                prefix = ".".join([*base.parts, *([node.module] if node.module else [])])
            else:
                prefix = node.module or ""  # a name without level always has a module
            names |= {prefix, *(f"{prefix}.{alias.name}" for alias in node.names)}
    return names


def _meaning(tree: ast.Module) -> str:
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and ast.get_docstring(
            node, clean=False
        ):
            node.body = node.body[1:]
    return hashlib.sha256(ast.dump(tree).encode()).hexdigest()

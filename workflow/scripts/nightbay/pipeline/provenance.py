"""What a stage's result depends on besides data: its own code and the versions of the libraries it uses.

Snakemake notices an edited script but not an edited module that the script imports, and it takes a touched script for
an edited one. So every rule carries :func:`code_hash` of its script as a parameter: it changes when, and only when,
the meaning of the code behind the stage changes.
"""

import ast
import hashlib
import importlib.metadata
import json
import os
import sys
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from nightbay.core.paths import SCRIPTS, WORKFLOW

# Files that are read when the stage runs: following imports does not find them.
SHARED = ("report/state.html.j2",)
RESOURCES = {
    "report": (
        *(f"report/{name}.html.j2" for name in ("job", "accuracy", "colour", "join", "key", "missing", "model_3d")),
        *(f"report/{name}.html.j2" for name in ("model_3d_script", "models", "network", "openings", "room")),
        *(f"report/{name}.html.j2" for name in ("sections", "segments", "size")),
        *(f"report/{name}" for name in ("drawings.css", "model_3d.css", "model_3d.js", "sections.css", "style.css")),
        *SHARED,
    ),
    "board": ("report/board.html.j2", "report/board.css", *SHARED),
}


def modules_of(script: str | os.PathLike[str]) -> list[Path]:
    """All project files that ``script`` imports, directly or through others, itself included: sorted paths."""
    found: set[Path] = set()
    waiting = [Path(script).resolve()]
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            waiting += [file for name in _imports(path) for file in _files(name)]
    return sorted(found)


def libraries_of(script: str | os.PathLike[str]) -> dict[str, str]:
    """The versions of the third-party libraries behind ``script``: {distribution: version}, sorted."""
    names = {name.split(".")[0] for path in modules_of(script) for name in _imports(path)}
    ours = {path.stem for path in SCRIPTS.glob("*.py")} | {"nightbay"}
    distributions = _distributions()
    found = {
        distribution for name in names - ours - sys.stdlib_module_names for distribution in distributions.get(name, ())
    }
    return {name: importlib.metadata.version(name) for name in sorted(found)}


@cache
def code_hash(stage: str) -> str:
    """Hash, hexadecimal, of the code, the library versions, the Python version and the resources of a stage.

    Code counts by its syntax tree without docstrings: a comment, a blank line or a touched file changes nothing.
    """
    script = SCRIPTS / f"{stage}.py"
    digest = hashlib.sha256()
    for path in modules_of(script):
        digest.update(f"{path.relative_to(SCRIPTS)}\n{_meaning(path)}\n".encode())
    digest.update(json.dumps(libraries_of(script)).encode())
    digest.update(repr(sys.version_info[:2]).encode())
    for pattern in (f"schemas/{stage}.schema.json", *RESOURCES.get(stage, ())):
        for path in sorted(WORKFLOW.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _distributions() -> Mapping[str, list[str]]:
    return importlib.metadata.packages_distributions()


@cache
def _imports(path: Path) -> set[str]:
    """Dotted names of everything that the file imports, also inside functions."""
    names: set[str] = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                base = path.parent
                for _ in range(node.level - 1):
                    base = base.parent
                prefix = ".".join([*base.relative_to(SCRIPTS).parts, *([node.module] if node.module else [])])
            else:
                prefix = node.module or ""  # a name without level always has a module
            names |= {prefix, *(f"{prefix}.{alias.name}" for alias in node.names)}
    return names


@cache
def _files(name: str) -> tuple[Path, ...]:
    """The project's files behind a dotted name, with the packages that contain it; none for a library."""
    if name.split(".")[0] != "nightbay":
        return ()
    path = SCRIPTS.joinpath(*name.split("."))
    packages = [folder / "__init__.py" for folder in (path, *path.parents) if folder.is_relative_to(SCRIPTS)]
    return tuple(file.resolve() for file in (path.with_suffix(".py"), *packages) if file.is_file())


@cache
def _meaning(path: Path) -> str:
    tree = _tree(path)
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and ast.get_docstring(
            node, clean=False
        ):
            node.body = node.body[1:]
    return ast.dump(tree)


def content(path: str | os.PathLike[str]) -> str | None:
    """Hash of a small file's content, hexadecimal; None for a file that is missing or can't be read."""
    path = Path(path)
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:16] if path.is_file() else None
    except OSError:
        return None

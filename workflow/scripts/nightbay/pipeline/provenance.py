"""What a stage's result depends on besides data: its own code and the versions of the libraries it uses.

Snakemake notices an edited script but not an edited module that the script imports, and it takes a touched script for
an edited one. So every rule carries :func:`code_hash` of its script as a parameter: it changes when, and only when,
the meaning of the code behind the stage changes.
"""

import hashlib
import importlib.metadata
import json
import os
import sys
from functools import cache
from pathlib import Path

from nightbay.core.paths import SCRIPTS, WORKFLOW
from nightbay.pipeline.sources import Source, Sources

# Files that are read when the stage runs: following imports does not find them.
RESOURCES = {
    # all but what only the board and the release check read
    "report": ("report/[!br]*", "report/room.html.j2", "languages/*"),
    "board": ("report/board*.html.j2", "report/board.css", "report/state.html.j2", "languages/*"),
}


def modules_of(script: str | os.PathLike[str]) -> list[Path]:
    """All project files that ``script`` imports, directly or through others, itself included: sorted paths."""
    found: set[Path] = set()
    waiting = [Path(script).resolve()]
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            waiting += [file for name in _source(path).imports for file in _files(name)]
    _sources().keep()
    return sorted(found)


def libraries_of(script: str | os.PathLike[str]) -> dict[str, str]:
    """The versions of the third-party libraries behind ``script``: {distribution: version}, sorted."""
    names = {name.split(".")[0] for path in modules_of(script) for name in _source(path).imports}
    ours = {path.stem for path in SCRIPTS.glob("*.py")} | {"nightbay"}
    distributions = _sources().distributions()
    _sources().keep()
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
        digest.update(f"{path.relative_to(SCRIPTS)}\n{_source(path).meaning}\n".encode())
    digest.update(json.dumps(libraries_of(script)).encode())
    digest.update(repr(sys.version_info[:2]).encode())
    for pattern in (f"schemas/{stage}.schema.json", *RESOURCES.get(stage, ())):
        for path in sorted(WORKFLOW.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


@cache
def _sources() -> Sources:
    return Sources(SCRIPTS.resolve())


@cache
def _source(path: Path) -> Source:
    return _sources().read(path)


@cache
def _files(name: str) -> tuple[Path, ...]:
    """The project's files behind a dotted name, with the packages that contain it; none for a library."""
    if name.split(".")[0] != "nightbay":
        return ()
    path = SCRIPTS.joinpath(*name.split("."))
    packages = [folder / "__init__.py" for folder in (path, *path.parents) if folder.is_relative_to(SCRIPTS)]
    return tuple(file.resolve() for file in (path.with_suffix(".py"), *packages) if file.is_file())


def content(path: str | os.PathLike[str]) -> str | None:
    """Hash of a small file's content, hexadecimal; None for a file that is missing or can't be read."""
    path = Path(path)
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:16] if path.is_file() else None
    except OSError:
        return None

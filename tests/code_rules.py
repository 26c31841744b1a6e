"""Counts what the code's own rules ask of it: rooms, contracts, types, words, documentation, sizes of functions."""

import ast
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SCRIPTS = ROOT / "workflow" / "scripts"
PACKAGE = SCRIPTS / "nightbay"
KINDS = (ast.FunctionDef, ast.AsyncFunctionDef)


def modules():
    """Paths of all modules of the package, sorted."""
    return sorted(PACKAGE.rglob("*.py"))


def flat_modules():
    """Names of the modules that lie directly in the package."""
    return sorted(path.stem for path in PACKAGE.glob("*.py") if path.stem not in ("__init__", "__main__"))


def functions(path):
    """All functions of a module with what they stand in: (qualified name, node, public)."""

    def walk(node, prefix, public):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, KINDS):
                shown = public and not child.name.startswith("_")
                yield f"{prefix}{child.name}", child, shown
                yield from walk(child, f"{prefix}{child.name}.", False)
            elif isinstance(child, ast.ClassDef):
                yield from walk(child, f"{prefix}{child.name}.", public and not child.name.startswith("_"))

    return walk(ast.parse(path.read_text(encoding="utf-8")), "", True)


def _named(path, name):
    return f"{path.relative_to(PACKAGE)}:{name}"


def undocumented_public():
    """Public modules, classes and functions without a docstring; methods that a protocol names are not counted."""
    missing = []
    for path in modules():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if not ast.get_docstring(tree):
            missing.append(_named(path, "module"))
        missing += [
            _named(path, node.name)
            for node in tree.body
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_") and not ast.get_docstring(node)
        ]
        missing += [
            _named(path, name) for name, node, public in functions(path) if public and not ast.get_docstring(node)
        ]
    return missing


def unannotated_public():
    """Public functions that leave out the type of an argument or of what they return."""
    missing = []
    for path in modules():
        for name, node, public in functions(path):
            arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            bare = [one.arg for one in arguments if one.annotation is None and one.arg not in ("self", "cls")]
            if public and (bare or node.returns is None):
                missing.append(_named(path, name))
    return missing


def longest_function():
    """(lines, name) of the longest function."""
    return max(
        (node.end_lineno - node.lineno + 1, _named(path, name))
        for path in modules()
        for name, node, _ in functions(path)
    )


def most_parameters():
    """(parameters, name) of the function that takes most."""
    return max(
        (len(node.args.posonlyargs) + len(node.args.args) + len(node.args.kwonlyargs), _named(path, name))
        for path in modules()
        for name, node, _ in functions(path)
    )


def type_errors():
    """Errors that mypy finds, one a line."""
    said = subprocess.run([sys.executable, "-m", "mypy"], cwd=ROOT, capture_output=True, text=True, check=False)
    found = [line for line in said.stdout.splitlines() if re.search(r": error: ", line)]
    return found if found or said.returncode == 0 else [said.stdout + said.stderr]


def broken_contracts():
    """What import-linter says of contracts that do not hold; empty where all do."""
    said = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"],
        cwd=ROOT,
        env={"PYTHONPATH": str(SCRIPTS), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )
    match = re.search(r"Contracts: (\d+) kept, (\d+) broken", said.stdout)
    return [said.stdout[match.start() :]] * int(match[2]) if match else [said.stdout + said.stderr]

"""Counts what the code's own rules ask of it: rooms, contracts, types, words, documentation, sizes of functions."""

import ast
import io
import json
import re
import subprocess
import sys
import tokenize
from pathlib import Path

import yaml

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


def retired_words(root=ROOT):
    """Places where a retired word stands, as ``file: word -> what is used instead``; see retired_words.yaml."""
    table = yaml.safe_load((ROOT / "tests" / "retired_words.yaml").read_text(encoding="utf-8"))
    phrases = {re.compile(rf"\b{re.escape(phrase)}\b", re.IGNORECASE): phrase for phrase in table["phrases"]}
    found = []
    for path in _read_by_people(root):
        names, texts = _words_of(path)
        found += [(path, name, table["names"][name]) for name in sorted(set(names) & set(table["names"]))]
        for text in texts:
            found += [
                (path, phrase, table["phrases"][phrase]) for pattern, phrase in phrases.items() if pattern.search(text)
            ]
    return list(dict.fromkeys(f"{path.relative_to(root)}: {word} -> {better}" for path, word, better in found))


def _read_by_people(root):
    """Files whose names and texts are looked at: code, templates, schemas, configuration, documentation."""
    wanted = {
        "workflow": ("*.py", "*.smk", "*.j2", "*.json", "*.yaml", "*.sh"),
        "demo": ("*.py", "*.sh"),
        "config": ("*.yaml", "*.md"),
        "envs": ("*.py", "*.sh"),
    }
    found = [path for folder, kinds in wanted.items() for kind in kinds for path in (root / folder).rglob(kind)]
    found += [root / name for name in ("README.md", "DEVELOPERS.md", "Snakefile")]
    return sorted(path for path in found if path.is_file() and ".venvs" not in path.parts)


def _words_of(path):
    """The names and the texts of a file. Lines of a text, and of comments that follow each other, are joined."""
    source = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        return [path.stem, *_python_names(source)], [*_python_texts(source), *_comments(source)]
    if path.suffix == ".json":
        return list(_keys(json.loads(source))), [_joined(source)]
    if path.suffix == ".yaml":
        return list(_keys(yaml.safe_load(source))), [_joined(source)]
    return [], [_joined(source)]


def _python_names(source):
    """Every name in a module, and the texts in it that could be a key."""
    for node in ast.walk(ast.parse(source)):
        for field in ("id", "arg", "attr", "name"):
            value = getattr(node, field, None)
            if isinstance(value, str):
                yield value.strip("_")
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.isidentifier():
            yield node.value


def _python_texts(source):
    """Every text in a module; one that is put together of several has its pieces joined."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.JoinedStr):
            yield _joined("".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield _joined(node.value)


def _comments(source):
    """The comments of a module, those on consecutive lines joined."""
    lines = [
        (token.start[0], token.string.lstrip("# "))
        for token in tokenize.generate_tokens(io.StringIO(source).readline)
        if token.type == tokenize.COMMENT
    ]
    for number, (line, text) in enumerate(lines):
        if number and lines[number - 1][0] == line - 1:
            continue
        block = [text]
        while number + len(block) < len(lines) and lines[number + len(block)][0] == line + len(block):
            block.append(lines[number + len(block)][1])
        yield _joined(" ".join(block))


def _joined(text):
    return " ".join(re.sub(r"^\s*#", " ", text, flags=re.MULTILINE).split())


def _keys(value):
    """Every key of a document, at any depth."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield str(key)
            yield from _keys(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _keys(inner)

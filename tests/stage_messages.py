"""The sentences that stages, readers and plans say, as messages: found in the code, their values as named places."""

import ast
import re
from pathlib import Path

import yaml

# Messages that the code puts together from pieces of which no one is a message by itself.
COMPOSED = Path(__file__).with_name("composed_messages.yaml")
UNREAD_TEXTS = Path(__file__).with_name("unread_texts.yaml")  # look like sentences, and are read by no person
PACKAGE = Path(__file__).resolve().parents[1] / "workflow" / "scripts" / "nightbay"
OF_PAGES = ("report", "release", "coverage", "core")  # whose sentences are messages already
AS_STAGES = ("release/file_state.py",)  # of those, what says English sentences as a stage does
# What speaks English.
ON_TERMINAL = ("night", "housekeeping", *(f"planning/{name}.py" for name in ("cluster", "night", "targets")))
LEAST_WORDS = 3
# Calls whose texts nobody reads on a page: progress, faults of the code, command lines, regular expressions, and what
# README.txt says of a file in the delivery, which is English.
UNREAD = {
    "print", "valueerror", "typeerror", "runtimeerror", "assertionerror", "keyerror", "add_argument", "argumentparser",
    "compile", "progress", "field", "warn", "joinpath", "describe",
}  # fmt: skip
WORD = re.compile(r"[A-Za-z]{2,}")


def stage_messages():
    """All of them: {message: sorted files, relative to the package, none of a message that is composed}."""
    found, unread = {}, set(yaml.safe_load(UNREAD_TEXTS.read_text(encoding="utf-8")))
    for path in sorted(PACKAGE.rglob("*.py")):
        file = path.relative_to(PACKAGE)
        if file.parts[0] in ON_TERMINAL or file.as_posix() in ON_TERMINAL:
            continue
        if file.parts[0] not in OF_PAGES or file.as_posix() in AS_STAGES:
            for message in set(messages_of(ast.parse(path.read_text(encoding="utf-8")))) - unread:
                found.setdefault(message, set()).add(file.as_posix())
    for message in yaml.safe_load(COMPOSED.read_text(encoding="utf-8")):
        found.setdefault(message, set())
    return {message: sorted(files) for message, files in sorted(found.items())}


def messages_of(tree):
    """The messages of a module's syntax tree, docstrings and what nobody reads left out."""
    skipped = set()
    for node in ast.walk(tree):
        unread = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        unread |= isinstance(node, ast.Call) and _name(node.func) in UNREAD
        if unread:
            skipped |= {id(inner) for inner in ast.walk(node)}
        elif isinstance(node, ast.JoinedStr):
            skipped |= {id(inner) for value in node.values if isinstance(value, ast.Constant) for inner in [value]}
            skipped |= {id(spec) for value in node.values if isinstance(value, ast.FormattedValue)
                        for spec in ast.walk(value.format_spec or ast.Pass())}  # fmt: skip
    for node in ast.walk(tree):
        if id(node) not in skipped and (message := _message(node)):
            text = re.sub(r"\{\w+\}", " ", message)
            if (
                len(WORD.findall(text)) >= LEAST_WORDS
                and " " in text.strip()
                and not text.lstrip().startswith(("--", "#"))
            ):
                yield message


def _message(node):
    """A text or an f-string as a message, None for other nodes."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value.strip() if not re.search(r"[{}]", node.value) else None
    if not isinstance(node, ast.JoinedStr):
        return None
    message, names = "", []
    for value in node.values:
        if isinstance(value, ast.Constant):
            message += value.value
        else:
            name = _name(value.value) or "value"
            names.append(name)
            message += f"{{{name}{names.count(name) if names.count(name) > 1 else ''}}}"
    return message.strip()


def _name(node):
    """What an expression is called: its last attribute, its name, or what it is made from."""
    match node:
        case ast.Attribute(attr=name) | ast.Name(id=name):
            return name.strip("_").lower() if not name.isupper() else name.lower()
        case ast.Call(func=ast.Attribute(attr="join"), args=[inner, *_]):
            return _name(inner)
        case ast.Call(args=[inner, *_]):
            return _name(inner)
        case ast.Call(func=function):
            return _name(function)
        case ast.Subscript(value=inner) | ast.IfExp(body=inner) | ast.BinOp(left=inner) | ast.UnaryOp(operand=inner):
            return _name(inner)
        case ast.GeneratorExp(elt=inner) | ast.ListComp(elt=inner):
            return _name(inner)
        case ast.Constant(value=str(text)) if text.isidentifier():
            return text
    return None


def main():
    for message, files in stage_messages().items():
        print(f"{', '.join(files)}: {message}")


if __name__ == "__main__":
    main()

"""Checks documents against JSON schemas and states each fault in one sentence: file, key, value, what is allowed."""

import difflib
import json
import math
import re
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

import jsonschema

from nightbay.core import language
from nightbay.core.paths import SCHEMAS

FORMATS = jsonschema.FormatChecker(formats=())


@FORMATS.checks("language")
def _is_language(value: Any) -> bool:
    return not isinstance(value, str) or value in language.codes()


def _pattern(validator: Any, pattern: str, instance: Any, schema: Any) -> Iterator[jsonschema.ValidationError]:
    """As ECMA 262 has it: ``$`` is the end of the text, not also the place before a line end there."""
    if isinstance(instance, str) and not re.search(re.sub(r"\$$", r"\\Z", pattern), instance):
        yield jsonschema.ValidationError(f"{instance!r} does not match {pattern!r}")


Validator = jsonschema.validators.extend(jsonschema.Draft202012Validator, {"pattern": _pattern})
KINDS = {
    "object": "a mapping",
    "array": "a list",
    "string": "text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "null": "null",
}


@cache
def schema(name: str) -> dict[str, Any]:
    """A schema of workflow/schemas by its path without ``.schema.json``; where it is missing, one that takes no key."""
    path = SCHEMAS / f"{name}.schema.json"
    if not path.exists():
        return {"type": "object", "properties": {}, "additionalProperties": False}
    return json.loads(path.read_text(encoding="utf-8"))


def without_required(node: Any) -> Any:
    """The schema for a part of a document: no key is required."""
    if isinstance(node, dict):
        return {
            key: without_required(value) for key, value in node.items() if key != "required" or isinstance(value, dict)
        }
    return [without_required(value) for value in node] if isinstance(node, list) else node


def faults(document: Any, schema: dict[str, Any], name: str, prefix: str = "") -> list[str]:
    """Sentences on what is wrong with ``document``, in order of their keys; ``name`` is the file they name."""
    numbers = [(path, value) for path, value in _walk(document) if isinstance(value, float)]
    infinite = [(path, value) for path, value in numbers if not math.isfinite(value)]
    if infinite:
        return [f"{name}: '{_key(path, prefix)}' is {value}; a finite number is needed." for path, value in infinite]
    errors = sorted(
        Validator(schema, format_checker=FORMATS).iter_errors(document),
        key=lambda error: [str(at) for at in error.path],
    )
    return list(dict.fromkeys(sentence for error in errors for sentence in _sentences(error, name, prefix)))


def nearest(word: Any, known: Sequence[str]) -> str:
    """A hint on what was meant: the known word nearest to an unknown one, or all that are known."""
    close = difflib.get_close_matches(str(word), known, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    return "known are " + ", ".join(known) if known else "no key is known here"


def _walk(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], Any]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _walk(value, (*path, key))
    elif isinstance(node, list):
        for at, value in enumerate(node):
            yield from _walk(value, (*path, at))
    else:
        yield path, node


def _key(path: Sequence[Any], prefix: str) -> str:
    return ".".join(str(at) for at in ((prefix,) if prefix else ()) + tuple(path))


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def _sentences(error: Any, name: str, prefix: str) -> list[str]:
    """One fault of jsonschema as sentences; the branches of a choice are distinguished by the value's type.

    ``error``: a ``jsonschema.ValidationError``. Its attributes are typed as possibly unset, which they never are here.
    """
    if error.validator in ("anyOf", "oneOf") and error.context:
        fitting = [inner for inner in error.context if not (inner.validator == "type" and not inner.relative_path)]
        if fitting:
            branch = fitting[0].schema_path[0]
            return [
                text for inner in fitting if inner.schema_path[0] == branch for text in _sentences(inner, name, prefix)
            ]
    key = _key(error.absolute_path, prefix)
    where = f"{name}: '{key}'" if key else f"{name}"
    if error.validator == "additionalProperties":
        known = sorted(error.schema.get("properties", {}))
        unknown = [extra for extra in error.instance if extra not in known]
        return [
            f"{name}: unknown key '{_key((key, extra) if key else (extra,), '')}' ({nearest(extra, known)})."
            for extra in unknown
        ]
    if error.validator == "required":
        missing = [wanted for wanted in error.validator_value if wanted not in error.instance]
        return [f"{where} lacks the key '{wanted}'{_hint(error.schema, wanted)}." for wanted in missing]
    return [f"{where} is {_shown(error.instance)}; {_allowed(error)}."]


def _hint(schema: dict[str, Any], key: str) -> str:
    described = schema.get("properties", {}).get(key, {}).get("description")
    return f" ({described.rstrip('.')})" if described else ""


def _allowed(error: Any) -> str:
    limit = error.validator_value
    if error.validator == "enum":
        return "allowed are " + ", ".join(str(value) for value in limit)
    if error.validator == "format":
        return "allowed are " + ", ".join(language.codes())
    if error.validator in ("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum"):
        return f"allowed is {_range(error.schema)}"
    if error.validator == "type":
        kinds = limit if isinstance(limit, list) else [limit]
        return f"it must be {' or '.join(KINDS[kind] for kind in kinds)}{_range_after(error.schema)}"
    if error.validator in ("anyOf", "oneOf"):
        wrong = [
            inner.validator_value for inner in error.context if inner.validator == "type" and not inner.relative_path
        ]
        return f"it must be {' or '.join(KINDS[kind] for kind in wrong)}"
    if error.validator in ("minItems", "maxItems", "minLength", "maxLength", "minProperties"):
        kind = {"Items": "entries", "Length": "characters", "Properties": "keys"}[error.validator[3:]]
        if error.validator.startswith("max"):
            return f"at most {limit} {kind} are allowed"
        return "it must not be empty" if limit == 1 else f"at least {limit} {kind} are needed"
    return error.schema.get("description", f"it must fit {_shown(limit)}").rstrip(".")


def _range(schema: dict[str, Any]) -> str:
    words = {
        "minimum": "at least {}",
        "exclusiveMinimum": "more than {}",
        "maximum": "at most {}",
        "exclusiveMaximum": "less than {}",
    }
    return " and ".join(text.format(schema[key]) for key, text in words.items() if key in schema)


def _range_after(schema: dict[str, Any]) -> str:
    return f", {_range(schema)}" if _range(schema) else ""

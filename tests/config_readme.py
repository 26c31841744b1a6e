"""Writes the tables of config/README.md from the schemas, the defaults and the classes.

Usage: PYTHONPATH=workflow/scripts python tests/config_readme.py
when a parameter, a key of the job sheet or a class has changed; a test compares.
"""

import json
import re
from pathlib import Path

from nightbay.pipeline.stages import STAGES, downstream
from nightbay.planning import parameters, validation, yaml_file

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "config" / "README.md"


def tables():
    """The tables by the mark that they stand after."""
    return {"job keys": _job_keys(), "reruns": _reruns(), "parameters": _parameters(), "classes": _classes()}


def rewritten(text):
    """The README with its tables made anew; each stands between its mark and the mark that closes it."""
    for mark, table in tables().items():
        whole = f"<!-- {mark} -->\n{table}\n<!-- end of {mark} -->"
        text = re.sub(
            rf"<!-- {mark} -->(.*?<!-- end of {mark} -->)?", lambda _, whole=whole: whole, text, flags=re.DOTALL
        )
    return text


def _job_keys():
    rows = ["### Keys of the job sheet", "", "| key | allowed | meaning |", "|---|---|---|"]
    schema = validation.schema("job")
    return "\n".join([*rows, *_rows(schema, schema["$defs"])])


def _rows(schema, shared, prefix=""):
    rows = []
    for key, rule in schema.get("properties", {}).items():
        rule = _whole(rule, shared)
        name = f"{prefix}{key}"
        rows.append(f"| `{name}` | {_allowed(rule)} | {_cell(rule['description'])} |")
        if name == "parts.interior":
            rows[-1] = f"| `{name}` | {_allowed(rule)} | {_cell(rule['description'])} The same keys as the exterior. |"
            continue
        mappings = [rule, _whole(rule.get("items", {}), shared)]
        mappings += [_whole(one, shared) for one in rule.get("anyOf", [])]
        for at, one in enumerate(mappings):
            rows += _rows(one, shared, f"{name}{'[]' if at == 1 else ''}.")
        inner = rule.get("additionalProperties")
        if isinstance(inner, dict) and rule.get("description", "").startswith("Raw exports by"):
            rows += [f"| `{name}.<name>` | text or a mapping | {_cell(_whole(inner, shared)['description'])} |"]
            for one in _whole(inner, shared)["anyOf"]:
                rows += _rows(_whole(one, shared), shared, f"{name}.<name>.")
    return rows


def _whole(rule, shared):
    """A rule with what it refers to; its own words win."""
    return {**shared[rule["$ref"].rsplit("/", 1)[-1]], **rule} if "$ref" in rule else rule


def _allowed(rule):
    if "enum" in rule:
        return ", ".join(f"`{one}`" for one in rule["enum"])
    if "anyOf" in rule:
        kinds = [validation.KINDS[one["type"]] for one in rule["anyOf"] if "type" in one]
        return " or ".join(dict.fromkeys(["text", *kinds] if any("$ref" in one for one in rule["anyOf"]) else kinds))
    kinds = rule.get("type", "")
    kind = " or ".join(validation.KINDS[one] for one in ([kinds] if isinstance(kinds, str) else kinds) if one)
    bounds = {"minimum": "≥", "exclusiveMinimum": ">", "maximum": "≤", "exclusiveMaximum": "<"}
    limits = [f"{sign} {rule[key]}" for key, sign in bounds.items() if key in rule]
    return ", ".join([kind, *limits] if kind else limits) or "any"


def _cell(text):
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


def _parameters():
    parts = []
    for section in parameters.SECTIONS:
        schema = validation.schema(f"parameters/{section}")
        if not schema["properties"]:
            continue
        parts += [f"### {section}", "", "| key | default | allowed | meaning |", "|---|---|---|---|"]
        for key, value in _defaults()[section].items():
            rule = _whole(schema["properties"].get(key, {}), schema.get("$defs", {}))
            parts.append(f"| `{key}` | {_value(value)} | {_allowed(rule)} | {_cell(rule.get('description', ''))} |")
        parts.append("")
    return "\n".join(parts).rstrip()


def _reruns():
    rows = ["| change of | runs again |", "|---|---|"]
    for key in validation.schema("parameters/scan")["properties"]:
        readers = {stage.name for stage in STAGES.values() if key in stage.scan}
        rows.append(_rerun_row(f"`scan.{key}`", readers))
    return "\n".join([*rows, *(_rerun_row(f"any key of `{stage}`", {stage}) for stage in STAGES)])


def _rerun_row(change, readers):
    return f"| {change} | {', '.join(downstream(readers))} |"


def _defaults():
    return yaml_file.read(ROOT / "config" / "config.yaml", "config.yaml")


def _value(value):
    return f"`{json.dumps(value, ensure_ascii=False)}`"


def _classes():
    rows = [
        "| class | for | inherits | length | width | height | parameters that differ |",
        "|---|---|---|---|---|---|---|",
    ]
    for path in sorted(parameters.CLASSES.glob("*.yaml")):
        document = yaml_file.read(path, path.name)
        extent = parameters.preset(path.stem).extent_mm
        sizes = [f"{extent[axis][0]}–{extent[axis][1]} mm" if extent else "" for axis in ("length", "width", "height")]
        own = [
            f"`{section}.{key}` {_value(value)}"
            for section in parameters.SECTIONS
            for key, value in document.get(section, {}).items()
        ]
        cells = [f"`{path.stem}`", _cell(document["description"]), document.get("inherits", ""), *sizes]
        rows.append(f"| {' | '.join([*cells, ', '.join(own) or 'none'])} |")
    return "\n".join(rows)


if __name__ == "__main__":
    README.write_text(rewritten(README.read_text(encoding="utf-8")), encoding="utf-8")

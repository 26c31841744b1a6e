"""Resolves the parameters of a job: defaults, vehicle class, the interior preset, job sheet, part; the last wins."""

import copy
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightbay.core.errors import Rejected
from nightbay.core.paths import CLASSES
from nightbay.pipeline.stages import STAGES
from nightbay.planning import validation, yaml_file

SECTIONS = ("scan", *STAGES)
INTERIOR = "interior"  # the preset that lies over the class for parts of this name


@dataclass(frozen=True)
class Preset:
    """A vehicle class with all that it inherits: its layers of parameters, base first, and plausible dimensions."""

    name: str
    layers: list[dict[str, Any]]
    extent_mm: dict[str, list[float]]


NO_CLASS = Preset("", [], {})  # of a job without a vehicle


def merge(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """``base`` with the keys of ``over`` laid over it, mapping by mapping; lists are replaced whole."""
    merged = dict(base)
    for key, value in over.items():
        both = isinstance(value, dict) and isinstance(base.get(key), dict)
        merged[key] = merge(base[key], value) if both else copy.deepcopy(value)
    return merged


def section_faults(parameters: dict[str, Any], name: str, prefix: str = "", partial: bool = True) -> list[str]:
    """Sentences on unknown sections, unknown keys and values out of range; ``partial``: keys may be missing."""
    sentences = [
        f"{name}: unknown key '{f'{prefix}.{key}' if prefix else key}' ({validation.nearest(key, SECTIONS)})."
        for key in parameters
        if key not in SECTIONS
    ]
    for section in SECTIONS:
        if section in parameters:
            rules = validation.schema(f"parameters/{section}")
            rules = validation.without_required(rules) if partial else rules
            sentences += validation.faults(
                parameters[section], rules, name, f"{prefix}.{section}" if prefix else section
            )
    return sentences


def classes(folder: Path = CLASSES) -> list[str]:
    """Names of all presets that a job sheet may name as its vehicle class."""
    return sorted(path.stem for path in folder.glob("*.yaml") if path.stem != INTERIOR)


def extents(folder: Path = CLASSES) -> dict[str, dict[str, list[float]]]:
    """Plausible dimensions of every vehicle class, {class: {dimension: [least, most] mm}}.

    A class with faults is left out.
    """
    found = {}
    for name in classes(folder):
        with suppress(Rejected):
            found[name] = preset(name, folder).extent_mm
    return found


def preset(name: str, folder: Path = CLASSES, heirs: tuple[str, ...] = ()) -> Preset:
    """The preset of a name with what it inherits. Raises :class:`Rejected` for faults in its file or a ring."""
    if name in heirs:
        raise Rejected(f"config/classes/{name}.yaml inherits from itself through {', '.join(heirs)}: break the ring.")
    file = f"config/classes/{name}.yaml"
    document = yaml_file.read(folder / f"{name}.yaml", file)
    sections = {key: value for key, value in document.items() if key in SECTIONS}
    rest = {key: value for key, value in document.items() if key not in SECTIONS}
    sentences = validation.faults(rest, validation.schema("class"), file) + section_faults(sections, file)
    if sentences:
        raise Rejected(" ".join(sentences))
    base = preset(document["inherits"], folder, (*heirs, name)) if "inherits" in document else None
    return Preset(
        name,
        [*(base.layers if base else []), sections],
        merge(base.extent_mm if base else {}, document.get("extent_mm", {})),
    )


def resolve(defaults: dict[str, Any], layers: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """All sections with every layer laid over the defaults in turn."""
    resolved = {section: copy.deepcopy(defaults.get(section, {})) for section in SECTIONS}
    for layer in layers:
        resolved = merge(resolved, layer)
    return resolved

"""The joined parts on the page of a job: sections through both with the wall thickness, and how sure the join is."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from nightbay.core.language import say, stage_sentence
from nightbay.core.text_format import digits_of, number
from nightbay.join.result import JoinedSection, JoinResult, SectionThickness
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream
from nightbay.report.next_step import JobWarning, of_reason

LABELS_MOST = 14  # in one drawing: more would cover the section
CLEAR = 3.4  # text heights between two labels: four digits and a point take 2.9 (0.64 and 0.32 each)
SIDEWAYS = 0.5  # cosine of 60 degrees: the label of a wall that faces sideways stands beside it
AXES = "XYZ"


@dataclass(frozen=True)
class Joined:
    """What the stage join left: its ``result``, or the ``reasons`` of its own why it has none; ``drawings`` (SVG) of
    the sections by their names."""

    result: JoinResult | None
    reasons: list[dict[str, Any]]
    notes: list[str]
    drawings: dict[str, str]

    @property
    def warnings(self) -> list[JobWarning]:
        """Sentences on what a customer must know of the join."""
        sentences = [reason["sentence"] for reason in self.reasons]
        return [JobWarning(stage_sentence(sentence), of_reason(sentence)) for sentence in sentences]


def joined_of(upstream: Mapping[str, Sequence[Upstream]], own: Any) -> Joined | None:
    """The :class:`Joined` of a job; None where there is nothing to join, or a part was refused before.

    ``own``: the settings of report.
    """
    records = upstream.get("join", [])
    if not records:
        return None
    record = records[0]
    reasons = [reason for reason in record.reasons if reason["stage"] == "join"]
    if record.status != "ok":
        return Joined(None, reasons, [], {}) if reasons else None
    result = typed.read(JoinResult, record.result)
    outlines = json.loads((record.folder / "sections.json").read_text(encoding="utf-8"))["sections"]
    drawings = {
        section.name: draw(section, outline, own.text_share)
        for section, outline in zip(result.sections, outlines, strict=True)
    }
    return Joined(result, [], record.notes, drawings)


def draw(section: JoinedSection, outline: Mapping[str, Any], text_share: float) -> str:
    """A section as SVG, one user unit a millimetre: the exterior solid, the interior dashed, thickness at some places.

    ``outline``: what ``sections.json`` holds of it; ``text_share``: height of the text as a share of the longest side.
    """
    lines = {part: [np.array(line["points_mm"]) for line in outline[part]] for part in ("exterior", "interior")}
    points = np.concatenate([np.zeros((0, 2)), *lines["exterior"], *lines["interior"]])
    if not len(points):
        return ""
    low, high = points.min(axis=0), points.max(axis=0)
    text_mm = 1.6 * text_share * float((high - low).max())
    margin = 5.0 * text_mm  # the widest label
    view = f"{low[0] - margin:.0f} {-high[1] - margin:.0f} {np.ptp([low[0], high[0]]) + 2 * margin:.0f} "
    view += f"{np.ptp([low[1], high[1]]) + 2 * margin:.0f}"
    places = spread(section.places, section.axis, CLEAR * text_mm)
    across, up = (AXES[axis] for axis in range(3) if axis != section.axis)
    words = say(
        "Section {name}, {across} to the right and {up} up. {walls}",
        name=section.name,
        across=across,
        up=up,
        walls=_walls(places),
    )
    return (
        f'<svg class="drawing" viewBox="{view}" role="img" aria-label="{escape(words)}" '
        f'style="--text:{text_mm:.0f}px" xmlns="http://www.w3.org/2000/svg">'
        + _path(lines["exterior"], "var(--ink)", "")
        + _path(lines["interior"], "var(--accent)", ' stroke-dasharray="5 2"')
        + "".join(_place(place, section.axis, text_mm) for place in places)
        + "</svg>"
    )


def _walls(places: Sequence[SectionThickness]) -> str:
    return "; ".join(say("wall {thickness} mm", thickness=_text(place)) for place in places)


def spread(places: Sequence[SectionThickness], axis: int, clear_mm: float) -> list[SectionThickness]:
    """At most :data:`LABELS_MOST` places no nearer to each other than ``clear_mm``: each as far as can be from those
    before it."""
    if not places:
        return []
    at = np.array([np.delete(place.outer_mm, axis) for place in places])
    chosen = [0]
    distance = np.linalg.norm(at - at[0], axis=1)
    while len(chosen) < LABELS_MOST:
        row = int(np.argmax(distance))
        if distance[row] < clear_mm:
            break
        chosen.append(row)
        distance = np.minimum(distance, np.linalg.norm(at - at[row], axis=1))
    return [places[row] for row in sorted(chosen)]


def _path(lines: Sequence[np.ndarray], colour: str, dashes: str) -> str:
    steps = "".join("M" + "L".join(f"{x:.1f} {-y:.1f}" for x, y in line) for line in lines)
    return (
        f'<path d="{steps}" fill="none" style="stroke:{colour}" stroke-width="1.5"{dashes} '
        'vector-effect="non-scaling-stroke"/>'
    )


def _place(place: SectionThickness, axis: int, text_mm: float) -> str:
    """A place: a line through the wall, and its thickness outside of it."""
    inner, outer = np.delete(place.inner_mm, axis), np.delete(place.outer_mm, axis)
    way = (outer - inner) / max(float(np.linalg.norm(outer - inner)), 1e-9)
    label = outer + (0.5 if abs(way[0]) > SIDEWAYS else 1.0) * text_mm * way
    anchor = "middle" if abs(way[0]) <= SIDEWAYS else "start" if way[0] > 0 else "end"
    return (
        f'<g class="dimension"><path d="M{inner[0]:.1f} {-inner[1]:.1f}L{outer[0]:.1f} {-outer[1]:.1f}"/>'
        f'<text x="{label[0]:.1f}" y="{-label[1] + 0.35 * text_mm:.1f}" text-anchor="{anchor}">'
        f"{_text(place)}</text></g>"
    )


def _text(place: SectionThickness) -> str:
    return number(place.thickness_mm, digits_of(place.uncertainty_mm))

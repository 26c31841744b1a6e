"""Stage report: the pages of a job, one for the shop and one for the customer, and its resolved parameters."""

import base64
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml
from matplotlib.figure import Figure

from nightbay.core import language
from nightbay.core.cautions import HEADLINE, cautions
from nightbay.core.language import say
from nightbay.coverage import sentences
from nightbay.meshes import surface
from nightbay.pipeline import provenance
from nightbay.pipeline.stage import Upstream
from nightbay.report import (
    artefact_picture,
    fitness_for_use,
    identity,
    job_summary,
    job_warnings,
    joined,
    loose_picture,
    network_picture,
    next_step,
    part_page,
    registration,
    scanner,
    stance_picture,
    stance_warnings,
    unseen_places,
    views,
    work_done,
)
from nightbay.report.fitness_for_use import FitnessForUse
from nightbay.report.next_step import JobWarning
from nightbay.report.part import Part, parts_of

PAGES: Mapping[identity.Audience, str] = {"shop": "report.html", "customer": "customer.html"}


def report(
    upstream: Mapping[str, list[Upstream]], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Write ``report.html``, ``customer.html``, ``parameters.yaml`` and, with a surface, ``thumbnail.png``.

    Returns the job's summary, whose sentences are in the language of ``report.html``.

    :mod:`nightbay.pipeline.stage` describes the arguments; ``upstream`` includes stages that rejected their data.
    """
    own = settings.report
    languages: dict[identity.Audience, str] = {"shop": own.language, "customer": own.customer_language or own.language}
    contents: dict[str, Content] = {}
    for audience, code in languages.items():
        with language.use(language.of_code(code)):
            if code not in contents:
                contents[code] = _content(upstream, sheet, settings, folder)
            html = _page(contents[code], upstream, sheet, settings, audience)
        (folder / PAGES[audience]).write_text(html, encoding="utf-8", newline="\n")
        print(f"{PAGES[audience]}: {len(html) / 1e6:.1f} MB")
    content = contents[own.language]
    (folder / "parameters.yaml").write_text(_parameters(content.job, sheet), encoding="utf-8", newline="\n")
    with language.use(language.of_code(own.language)):
        return _summary(content, sheet, folder)


@dataclass(frozen=True)
class Content:
    """What both pages of a job show, in one language. ``shown``: what the templates get of each part."""

    job: str
    parts: list[Part]
    shown: list[dict[str, Any]]
    fitness: dict[str, FitnessForUse | None]
    joined: joined.Joined | None
    scanner: scanner.Scanner | None
    state: str
    summary: str
    warnings: list[JobWarning]


def _content(upstream: Mapping[str, list[Upstream]], sheet: Mapping[str, Any], settings: Any, folder: Path) -> Content:
    parts = parts_of(upstream)
    warnings = job_warnings.warnings_of(parts, sheet)
    both = joined.joined_of(upstream, settings.report)
    warnings += both.warnings if both else []
    coverage = {part.name: unseen_places.coverage_of(part) for part in parts}
    warnings += [
        JobWarning(
            say("{part}, place {place}", part=part.noun.capitalize(), place=sentences.never_seen(area)),
            say("Scan again: {place}.", place=area.place),
        )
        for part in parts
        if (found := coverage[part.name])
        for area in found.never_seen
    ]
    artefacts = scanner.scanner_of(upstream)
    if artefacts and (parts or artefacts.result):
        warnings += artefacts.warnings
    state = _state(parts, artefacts, warnings)
    if both and both.reasons and sheet.get("combined_ordered"):
        state = job_summary.REFUSED  # what was ordered can't be delivered
    fitness = {part.name: _fitness(part, sheet, settings.report.most_faces) for part in parts}
    shown = [
        {
            "part": part,
            "network_picture": network_uri(part),
            "loose": [{"overlap": overlap, "picture": _uri(loose_picture.draw(overlap))} for overlap in part.loose],
            "stance_picture": stance_uri(part),
            "fitness": fitness[part.name],
            "coverage": coverage[part.name],
            "work": work_done.work_done(part),
            **views.views_of(part, settings.report, folder),
        }
        for part in parts
    ]
    job = next(left.job for results in upstream.values() for left in results)
    summary = " ".join([*map(job_summary.summary_of, parts), *([artefacts.summary] if artefacts else [])])
    return Content(job, parts, shown, fitness, both, artefacts, state, summary, warnings)


def _state(parts: Sequence[Part], artefacts: scanner.Scanner | None, warnings: Sequence[JobWarning]) -> str:
    """The state of a job; of artefacts alone it is theirs."""
    if parts or artefacts is None:
        return job_summary.state_of(parts, warnings)
    if artefacts.result is None:
        return job_summary.REFUSED
    return job_summary.WARNED if warnings else job_summary.COMPLETE


def _page(
    content: Content,
    upstream: Mapping[str, list[Upstream]],
    sheet: Mapping[str, Any],
    settings: Any,
    audience: identity.Audience,
) -> str:
    safety_line = _safety_line(sheet)
    return part_page.render(
        "job.html.j2", job=content.job, sheet=sheet, state=content.state, summary=content.summary,
        warnings=content.warnings, parts=content.shown, never_seen=sentences.never_seen,
        open_area=sentences.open_area, dimension_names=job_summary.DIMENSIONS,
        fit_sentences=fitness_for_use.sentences,
        certainty=[
            sentence for part in content.parts if not part.reasons and (sentence := registration.certainty(part))
        ],
        registration=registration, stance_words=stance_warnings, joined=content.joined,
        scanner=content.scanner, scanner_words=scanner, artefact_pictures=_artefact_pictures(content.scanner),
        joined_sentence=work_done.joined_sentence(content.joined), parameters=_parameters(content.job, sheet),
        versions=_versions(upstream), shop=audience == "shop", marked_openings=settings.report.marked_openings,
        identity=identity.identity(sheet.get("identity", {}), audience),
        headline=say(HEADLINE), safety_line=safety_line, cautions=cautions(safety_line),
    )  # fmt: skip


def _summary(content: Content, sheet: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    parts, both, refused = content.parts, content.joined, content.state == job_summary.REFUSED
    points = [part.points for part in parts if part.points]
    tolerances_mm = {name: found.tolerance_mm for name, found in content.fitness.items() if found}
    reasons = [reason for part in parts for reason in part.reasons] + (both.reasons if both and refused else [])
    artefacts = content.scanner
    reasons += artefacts.reasons if artefacts and not parts else []
    return {
        "state": content.state,
        "summary": content.summary,
        "title": sheet.get("title", content.job),
        "vehicle_class": sheet.get("vehicle_class"),
        "points": sum(points) if points else None,
        "sizes": [size for part in parts for size in job_summary.sizes_of(part)],
        "fit_tolerance_mm": tolerances_mm,
        "evidence": [phrase for part in parts for phrase in job_summary.evidence_of(part, tolerances_mm.get(part.name))]
        + (artefacts.evidence if artefacts else []),
        "scanner": {key: sheet.get("identity", {}).get(key) for key in ("scanner", "scanned_on")},
        "artefact": scanner.for_board(artefacts),
        "joined": job_summary.joined_in_words(both),
        "warnings": content.warnings,
        "reasons": reasons,
        "next_steps": [say("Nothing to do.")]
        if content.state == job_summary.COMPLETE and not parts
        else next_step.of_job(refused, [reason["sentence"] for reason in reasons], content.warnings),
        "parameters": sheet.get("parameters", {}),
        "page": PAGES["shop"],
        "customer_page": PAGES["customer"],
        "thumbnail": "thumbnail.png" if (folder / "thumbnail.png").exists() else None,
    }


def _fitness(part: Part, sheet: Mapping[str, Any], most_faces: int) -> FitnessForUse | None:
    """What a part can be used for, None where it was refused."""
    if part.reasons:
        return None
    level = views.drawn_level(part, most_faces)
    model = surface.read_ply(part.folder("reduce") / f"{level}.ply") if level else None
    return fitness_for_use.fitness_for_use(part, model, sheet.get("state", {}))


def _safety_line(sheet: Mapping[str, Any]) -> str:
    """The shop's own caution, from the parameters of any part."""
    lines = [sections.get("deliver", {}).get("safety_line", "") for sections in sheet.get("parameters", {}).values()]
    return next((line for line in lines if line), "")


def _parameters(job: str, sheet: Mapping[str, Any]) -> str:
    """Every parameter that the job was run with, part by part, as YAML."""
    head = (
        f"# The parameters that job {job} ran with, after vehicle class {sheet.get('vehicle_class')} and job sheet.\n"
    )
    return head + yaml.safe_dump(sheet.get("parameters", {}), sort_keys=True, allow_unicode=True)


def _versions(upstream: Mapping[str, list[Upstream]]) -> dict[str, str]:
    """Version of every library that the stages of the job use: {name: version}."""
    found: dict[str, str] = {}
    for stage in upstream:
        found |= provenance.libraries_of(provenance.SCRIPTS / f"{stage}.py")
    return dict(sorted(found.items()))


def _artefact_pictures(found: scanner.Scanner | None) -> list[list[str | None]]:
    """The picture of each view of each artefact as a data URI; None where it has no surface."""
    artefacts = found.result.artefacts if found and found.result else []
    figures = [
        [artefact_picture.draw(view.surfaces, entry.kind == "plate") for view in entry.views] for entry in artefacts
    ]
    return [[None if figure is None else _uri(figure) for figure in of_views] for of_views in figures]


def network_uri(part: Part) -> str | None:
    """The picture of the part's target network as a data URI; None where no target was seen twice."""
    figure = network_picture.draw(part.network) if part.network else None
    return None if figure is None else _uri(figure)


def stance_uri(part: Part) -> str | None:
    """The picture of a part whose body moved on its wheels as a data URI; None where it did not."""
    figure = stance_picture.draw(part.frame) if part.frame else None
    return None if figure is None else _uri(figure)


def _uri(figure: Figure) -> str:
    """A figure as the data URI of a PNG."""
    png = io.BytesIO()
    figure.savefig(png, format="png", dpi=110)
    return "data:image/png;base64," + base64.b64encode(png.getvalue()).decode("ascii")

"""Stage artefact: calibrated spheres, ball bars, plates and scale bars, as the scanner scanned them.

The quantities are those of acceptance tests for optical area scanners (VDI/VDE 2634-2 and -3, ISO 10360-13), whose
definitions are given from memory. A capture of the working day is no acceptance test: nothing here states conformity.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.artefact import comparison, joined_views, scale_bar, views
from nightbay.artefact.joined_views import Joined
from nightbay.artefact.result import ArtefactResult, Measured, Undecided, View
from nightbay.artefact.scene import Scene
from nightbay.clouds.cloud import CloudFile
from nightbay.core.errors import NotFound, Rejected
from nightbay.matching import targets as target_lists
from nightbay.matching.targets import Targets
from nightbay.pipeline import typed
from nightbay.pipeline.stage import Upstream


def artefact(
    upstream: Mapping[str, list[Upstream]], sheet: Mapping[str, Any], settings: Any, folder: Path, threads: int
) -> dict[str, Any]:
    """Find the artefacts of the job sheet in each segment and measure them, then in the segments joined.

    Returns an :class:`~nightbay.artefact.result.ArtefactResult` as plain data, with notes. Raises :class:`Rejected`
    where no artefact was found beyond doubt. ``folder`` stays empty, ``threads`` is not used.
    """
    files = {left.segment: left.result["file"] for left in upstream["intake"] if left.segment is not None}
    clouds = {left.segment: CloudFile(left.folder) for left in upstream["intake"] if left.segment is not None}
    names = sorted(clouds)
    lists = {name: target_lists.read(raw) if (raw := sheet["targets"][name]) else None for name in names}
    entries = sheet["artefacts"]
    found: dict[str, list[View]] = {entry["name"]: [] for entry in entries}
    faults: dict[str, list[str]] = {entry["name"]: [] for entry in entries}
    shown: dict[str, dict[str, views.Shown]] = {}
    for name in names:
        scene = Scene(files[name], [clouds[name]], [np.eye(4)])
        shown[name] = views.look(scene, entries, settings)
        for entry in entries:
            view = _single(shown[name].get(entry["name"]), entry, name, lists[name], files[name], settings)
            if isinstance(view, View):
                found[entry["name"]].append(view)
            else:
                faults[entry["name"]].append(view)
        print(f"{name}: {sum(view.segments == [name] for made in found.values() for view in made)} artefacts measured")
    not_joined = None
    if len(names) > 1:
        not_joined = _join(names, clouds, shown, lists, sheet, settings, found)
    return _result(entries, found, faults, not_joined)


def _single(
    shown: views.Shown | None, entry: Mapping[str, Any], segment: str, listed: Targets | None, file: str, settings: Any
) -> View | str:
    """An artefact in one segment, or the sentence on why it is not measured there."""
    if entry["kind"] == "scale_bar":
        measured = scale_bar.measure(listed, entry, file, settings.scan.target_noise_mm)
        if isinstance(measured, str):
            return measured
        return View([segment], None, [measured], [], comparison.of_quantities([measured], settings))
    assert shown is not None
    if isinstance(shown, str):
        return shown
    compared = comparison.of_noise(shown.surfaces, settings) + comparison.of_quantities(shown.quantities, settings)
    return View([segment], None, shown.quantities, shown.surfaces, compared)


def _join(
    names: Sequence[str],
    clouds: Mapping[str, CloudFile],
    shown: Mapping[str, Mapping[str, views.Shown]],
    lists: Mapping[str, Targets | None],
    sheet: Mapping[str, Any],
    settings: Any,
    found: dict[str, list[View]],
) -> str | None:
    """Add the joined views to what was ``found``; why there are none, as a clause."""
    centres = {
        name: {
            artefact: [surface.position_mm for surface in seen.surfaces]
            for artefact, seen in shown[name].items()
            if not isinstance(seen, str) and seen.kind != "plate"
        }
        for name in names
    }
    scan = settings.scan
    poses = joined_views.join(names, sheet["placed"], lists, centres, scan.target_noise_mm, scan.target_drift_mm_per_m)
    if isinstance(poses, NotFound):
        return poses.reason
    scene = Scene("the joined segments", [clouds[name] for name in names], [poses.T[name] for name in names])
    for artefact, seen in views.look(scene, sheet["artefacts"], settings).items():
        segments = [name for name in names if not isinstance(shown[name].get(artefact, ""), str)]
        if not isinstance(seen, str) and len(segments) > 1:
            found[artefact].append(_joined_view(seen, segments, poses))
    return None


def _joined_view(seen: views.Seen, segments: list[str], poses: Joined) -> View:
    return View(segments, poses.by, seen.quantities, seen.surfaces, [])


def _result(
    entries: Sequence[Mapping[str, Any]],
    found: Mapping[str, list[View]],
    faults: Mapping[str, list[str]],
    not_joined: str | None,
) -> dict[str, Any]:
    missing = [
        Undecided(entry["name"], " ".join(dict.fromkeys(faults[entry["name"]])))
        for entry in entries
        if not found[entry["name"]]
    ]
    if len(missing) == len(entries):
        raise Rejected(" ".join(dict.fromkeys(undecided.sentence for undecided in missing)))
    measured = [
        Measured(
            entry["name"],
            entry["kind"],
            entry.get("certificate"),
            entry.get("calibrated_on"),
            entry.get("temperature_c"),
            found[entry["name"]],
        )
        for entry in entries
        if found[entry["name"]]
    ]
    notes = [sentence for entry in measured for sentence in faults[entry.name]]
    return typed.write(ArtefactResult(measured, missing, not_joined)) | {"notes": notes}

"""The spheres, bars and plates that a segment, or several in one frame, show."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightbay.artefact import (
    plate_quantities,
    plate_search,
    recognition,
    sphere_points,
    sphere_quantities,
    sphere_search,
)
from nightbay.artefact.result import Evaluated, Quantity
from nightbay.artefact.scene import Scene
from nightbay.artefact.sphere_quantities import SphereFit
from nightbay.artefact.sphere_search import Candidate
from nightbay.core.errors import NotFound

Entry = Mapping[str, Any]


# Of artefact.covered_least: less of a sphere is the rounding of some other thing, and no rival of an artefact.
ROUND = 0.5


@dataclass(frozen=True)
class Seen:
    """An artefact as a scene shows it: its kind, quantities and surfaces."""

    kind: str
    quantities: list[Quantity]
    surfaces: list[Evaluated]


Shown = Seen | str  # or a sentence on why it is not measured


def look(scene: Scene, entries: Sequence[Entry], settings: Any) -> dict[str, Shown]:
    """By name each sphere, ball bar and plate of the job sheet."""
    round_ones = [entry for entry in entries if entry["kind"] in ("sphere", "ball_bar")]
    shown: dict[str, Shown] = {}
    if round_ones:
        own = settings.artefact
        decided = recognition.recognised(
            round_ones,
            _spheres(scene, round_ones, settings),
            scene.name,
            own.size_error_most_mm,
            own.spacing_error_most,
        )
        for entry in round_ones:
            spheres = decided[entry["name"]]
            shown[entry["name"]] = spheres if isinstance(spheres, str) else _measured(scene, entry, spheres, settings)
    for entry in entries:
        if entry["kind"] == "plate":
            shown[entry["name"]] = _plate(scene, entry, settings)
    return shown


def _spheres(scene: Scene, entries: Sequence[Entry], settings: Any) -> list[Candidate]:
    """All spheres of about the diameters of the entries, each once."""
    found: list[Candidate] = []
    for diameter_mm in sorted({entry["diameter_mm"] for entry in entries}):
        radius_mm = diameter_mm / 2
        points, normals = scene.thinned(sphere_search.spacing_mm(radius_mm))
        for sphere in sphere_search.search(
            points, normals, radius_mm, settings.scan.noise_mm, settings.artefact.covered_least, scene.near
        ):
            near = scene.near(sphere.centre_mm, (1 + sphere_points.SHELL) * sphere.radius_mm)
            on = sphere_points.on(near, sphere)
            round_enough = on is not None and on.covered >= ROUND * settings.artefact.covered_least
            known = any(np.linalg.norm(sphere.centre_mm - other.centre_mm) < sphere.radius_mm for other in found)
            if round_enough and not known:
                found.append(sphere)
    return found


def _measured(scene: Scene, entry: Entry, spheres: Sequence[Candidate], settings: Any) -> Shown:
    """The quantities of a sphere or of a ball bar, or why its points don't give them."""
    fits: list[SphereFit] = []
    for sphere in spheres:
        near = scene.near(sphere.centre_mm, (1 + sphere_points.SHELL) * sphere.radius_mm)
        points = sphere_points.on(near, sphere)
        least = settings.artefact.covered_least
        if points is None or points.covered < least:
            share = f"{100 * points.covered:.0f}" if points else "0"
            return (
                f"{scene.name}: {share} % of a sphere of artefact {entry['name']} can be evaluated, and "
                f"{100 * least:.0f} % are needed (parameter artefact.covered_least): scan it from more sides."
            )
        fit = sphere_quantities.fit(points, settings.scan.noise_mm * LEAST_NOISE)
        if isinstance(fit, NotFound):
            return f"{scene.name}: a sphere of artefact {entry['name']} can't be fitted ({fit.reason}): scan it again."
        fits.append(fit)
    bar = entry["kind"] == "ball_bar"
    found = [
        quantity
        for number, fit in enumerate(fits, start=1)
        for quantity in sphere_quantities.quantities(fit, entry, number if bar else None)
    ]
    if bar:
        found.append(sphere_quantities.spacing(fits[0], fits[1], entry))
    return Seen(entry["kind"], found, [sphere_quantities.evaluated(fit) for fit in fits])


# The points show their noise themselves. A fit without any has come from rounding or from a program: a hundredth of the
# declared noise keeps its covariance from being nothing.
LEAST_NOISE = 0.01


def _plate(scene: Scene, entry: Entry, settings: Any) -> Shown:
    length, width = entry["size_mm"]
    points, normals = scene.thinned(plate_search.spacing_mm((length, width)))
    patches = plate_search.search(points, normals, (length, width))
    name = entry["name"]
    if not patches:
        return (
            f"{scene.name}: no flat surface of {length:g} mm by {width:g} mm was found for artefact {name}: check "
            "size_mm, or scan the whole plate with its rim."
        )
    if len(patches) > 1:
        return (
            f"{scene.name}: {len(patches)} flat surfaces of {length:g} mm by {width:g} mm were found, and nothing "
            f"decides which of them is artefact {name}: scan it without the others."
        )
    patch = points[patches[0]]
    middle = patch.mean(axis=0)
    near = scene.near(middle, float(np.linalg.norm(patch - middle, axis=1).max()) * 1.02)
    found = plate_search.plate(near, patch, (length, width))
    if found is None:
        return f"{scene.name}: artefact {name} has too few points on its surface: scan it again."
    measured = plate_quantities.measure(found, entry, settings.scan.noise_mm * LEAST_NOISE)
    if isinstance(measured, NotFound):
        return f"{scene.name}: a plane of artefact {name} can't be fitted ({measured.reason}): scan it again."
    quantities, evaluated = measured
    return Seen("plate", quantities, [evaluated])

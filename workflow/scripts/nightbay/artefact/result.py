"""The numbers in the JSON of the stage artefact: quantities of the scanner with their conditions and uncertainties."""

from dataclasses import dataclass

import numpy as np

CONFIDENCE = 0.95  # of the expanded uncertainties
DROPPED = 0.003  # largest share of points that a form error may leave out (VDI/VDE 2634-2, from memory)
WITHIN = 0.95  # share of the points in a shell or a slab of the 95 % form (ISO 10360-13, from memory)
VIEWS = 5  # fewest views that the quantities over joined views ask for (VDI/VDE 2634-3, from memory)
QUANTITIES = ("probing_form", "form_95", "probing_size", "sphere_spacing", "flatness", "target_spacing")


@dataclass(frozen=True)
class Quantity:
    """A quantity of an artefact as it was scanned.

    ``key``: of :data:`QUANTITIES`; ``of``: number of the sphere, from 1, None where it is of the whole artefact.
    ``value_mm`` with ``uncertainty_mm``, expanded to 95 % by the factor ``coverage``; ``budget_mm``: standard
    uncertainties by cause. ``measured_mm`` and ``calibrated_mm``, the latter at the artefact's temperature, of an
    error; None of a form.
    """

    key: str
    of: int | None
    value_mm: float
    uncertainty_mm: float
    coverage: float
    budget_mm: dict[str, float]
    measured_mm: float | None = None
    calibrated_mm: float | None = None


@dataclass(frozen=True)
class Evaluated:
    """A sphere or a plate under a fit with free parameters, and what it was fitted to.

    ``position_mm`` (3,): centre of a sphere or middle of a plate, in the frame of the view. ``points`` evaluated;
    ``dropped_share``: of the points on the surface, those left out of the form; ``covered``: share of the full solid
    angle, or of the plate's area; ``noise_mm``: standard deviation of the distances with that of itself,
    ``noise_sd_mm``. ``map``: mean deviation, mm, positive outside, by cells for a picture: :class:`Cell` rows.
    """

    position_mm: np.ndarray
    points: int
    dropped_share: float
    covered: float
    noise_mm: float
    noise_sd_mm: float
    cells: np.ndarray


@dataclass(frozen=True)
class Comparison:
    """Whether the scanner was worse than the day assumes.

    ``key``: "noise", "offset" (of the surface, half the error of size), "spacing" or "targets". ``found_mm`` with its
    standard uncertainty ``sd_mm``; ``assumed_mm``: standard deviation that the day's parameters assume. ``worse``:
    beyond it at the level of significance of the parameter.
    """

    key: str
    found_mm: float
    sd_mm: float
    assumed_mm: float
    worse: bool


@dataclass(frozen=True)
class View:
    """An artefact in one segment, or in several joined: ``segments``; ``joined_by`` ("placed", "targets" or "spheres"),
    None for a single one. ``surfaces``: its spheres or its plate; none of a scale bar."""

    segments: list[str]
    joined_by: str | None
    quantities: list[Quantity]
    surfaces: list[Evaluated]
    comparisons: list[Comparison]


@dataclass(frozen=True)
class Measured:
    """An artefact of the job sheet: its ``name``, ``kind``, certificate and temperature, None where not stated."""

    name: str
    kind: str
    certificate: str | None
    calibrated_on: str | None
    temperature_c: float | None
    views: list[View]


@dataclass(frozen=True)
class Undecided:
    """An artefact that no segment shows beyond doubt: the ``sentence`` says why."""

    name: str
    sentence: str


@dataclass(frozen=True)
class ArtefactResult:
    """What was measured, and what was not; ``not_joined``: why the segments were not joined, None where they were or
    where there is only one."""

    artefacts: list[Measured]
    undecided: list[Undecided]
    not_joined: str | None

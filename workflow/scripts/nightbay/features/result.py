"""Results of ordered features: their places and sizes, distances and angles between them, and what was refused."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from nightbay.core.conformity import Verdict

Unit = Literal["mm", "deg"]
Ordered = Literal["feature", "distance", "angle"]


@dataclass(frozen=True)
class At20C:
    """A length at 20 degrees Celsius (ISO 1): ``value_mm`` with its expanded uncertainty ``uncertainty_mm``."""

    value_mm: float
    uncertainty_mm: float


@dataclass(frozen=True)
class Value:
    """A stated value.

    ``name``: of a feature what it is ("x", "y", "z", "diameter", "flatness", "tilt"), of a distance or an angle its
    name in the job sheet; ``meaning`` in words; ``value``, its expanded ``uncertainty``, ``coverage`` (k) and
    ``budget``, standard uncertainties by cause, None where one is not known, all in ``unit``; ``unknown``: causes that
    are not in the sum; ``at_20_c`` of a length, None where the body's temperature or material is not known or where all
    lengths are at 20 degrees already. With a nominal value ``nominal`` and ``deviation`` (value less nominal); with a
    tolerance the allowed deviations ``lower`` and ``upper``, and the ``verdict`` by ISO 14253-1. ``ends_mm``: two
    points (3,) between which a distance lies, vehicle frame; ``between``: the names of the features of a distance or an
    angle; both empty for others.
    """

    name: str
    meaning: str
    unit: Unit
    value: float
    uncertainty: float
    coverage: float
    budget: dict[str, float | None]
    unknown: list[str]
    at_20_c: At20C | None = None
    nominal: float | None = None
    deviation: float | None = None
    lower: float | None = None
    upper: float | None = None
    verdict: Verdict | None = None
    ends_mm: list[np.ndarray] = field(default_factory=list)
    between: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Feature:
    """A feature that was found: its ``number`` on the page, ``name`` and ``kind``; ``point_mm`` (3,) and, where it has
    one, unit ``direction`` (3,) in the vehicle frame; its ``values``; ``points`` that it was fitted to, of which
    ``segments``, and their ``form_rms_mm`` about it, None where nothing was fitted."""

    number: int
    name: str
    kind: str
    point_mm: np.ndarray
    direction: np.ndarray | None
    values: list[Value]
    points: int
    segments: list[str]
    form_rms_mm: float | None


@dataclass(frozen=True)
class Refused:
    """What was ordered and can't be stated: whether a "feature", a "distance" or an "angle", its ``name``, and the
    ``reason`` as a clause."""

    what: Ordered
    name: str
    reason: str


@dataclass(frozen=True)
class FeaturesResult:
    """The features, distances and angles that the job sheet orders, in its order, and those that were ``refused``."""

    features: list[Feature]
    distances: list[Value]
    angles: list[Value]
    refused: list[Refused]

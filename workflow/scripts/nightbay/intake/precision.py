"""How finely an export gives its coordinates: the steps in which they come, as far as their values show."""

import numpy as np

from nightbay.core.errors import Rejected

SAMPLE = 100_000  # points in which steps are searched for
# Distances between neighbouring values of a coordinate. Of real numbers at random the first per cent is a hundredth of
# their mean distance (4000 mm and 1000 points: 0.04 mm); values in steps have no smaller distance than the step.
SHARE = 0.01
# Distance from the origin in steps, least and most, at which a step may come from single precision. That has 24 binary
# digits: its steps are 2**-24 to 2**-23 of a value, and printing may change them by a tenth. The steps of a raster do
# not depend on the distance from the origin.
SINGLE = (0.9 * 2**23, 1.1 * 2**25)


def step_mm(points_mm: np.ndarray) -> float:
    """Step of the coordinates (n, 3), mm, as far as the values show; far below the noise where there is none.

    Coordinates that were rounded to some digits have steps along every axis. The finest axis counts, since two axes of
    a raster are in steps by themselves. Coordinates that were stored in single precision far from the origin have steps
    along the far axis, in a fixed proportion to the value, whatever the units. An axis on which all values are the same
    may have lost its digits in that way, if the values are large enough.
    """
    some = points_mm[:: max(1, len(points_mm) // SAMPLE)]
    steps = np.array([_of_axis(values) for values in some.T])
    far = np.abs(np.median(some, axis=0))
    finest = steps.min() if np.isfinite(steps.min()) else 0.0
    steps = np.where(np.isfinite(steps), steps, np.spacing(far.astype(np.float32)))
    single = (far >= SINGLE[0] * steps) & (far <= SINGLE[1] * steps)
    return float(max([finest, *steps[single]]))


def _of_axis(values: np.ndarray) -> float:
    """Step of one coordinate; infinite where all values are the same."""
    gaps = np.diff(np.unique(values))
    return float(np.quantile(gaps, SHARE)) if len(gaps) else np.inf


def check(name: str, step: float, points_mm: np.ndarray, largest_step_mm: float) -> None:
    """Raise :class:`Rejected` for coordinates, (n, 3) mm, in a ``step`` (mm) larger than allowed."""
    if step > largest_step_mm:
        far = np.abs(np.median(points_mm, axis=0)).max()
        raise Rejected(
            f"{name}: its coordinates, {far:.0f} mm from the origin, come in steps of {step:.3g} mm; at most "
            f"{largest_step_mm:.3g} mm are allowed (parameter intake.largest_step_mm): export it centred on the "
            "vehicle, in double precision or with more digits."
        )


def rounding_sd(step: float) -> float:
    """Standard deviation that rounding to a step adds: that of a uniform distribution as wide as the step."""
    return float(step / np.sqrt(12))


def outweighs(step: float, noise_mm: float) -> bool:
    """Whether rounding to a step, mm, has a larger standard deviation than the noise."""
    return bool(step > np.sqrt(12) * noise_mm)

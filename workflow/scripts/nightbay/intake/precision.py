"""How finely an export gives its coordinates: the steps that they come in, as far as their values tell."""

import numpy as np

from nightbay.core.errors import Rejected

LOOKED_AT = 100_000  # points that steps are looked for among
# Distances between neighbouring values of a coordinate. Of real numbers at random the first per cent is a hundredth of
# their mean distance (4000 mm and 1000 points: 0.04 mm); values in steps have no smaller distance than the step.
SHARE = 0.01
# Single precision has 24 binary digits: its steps are 2**-24 to 2**-23 of a value, and by the tenth that printing may
# change them still told from the steps of a raster, which have nothing to do with how far off the origin is.
SINGLE = (0.9 * 2**23, 1.1 * 2**25)


def step_mm(points_mm):
    """Step of the coordinates (n, 3), mm, as far as the values tell; far below the noise where there is none.

    What was rounded to some digits has steps along every axis: the finest axis counts, for two axes of a raster are in
    steps by themselves. What went through single precision far from the origin has them along the far axis: there the
    step has its proportion to the value, whatever units came after. An axis on which all values are the same lost them
    so, if they are far enough off.
    """
    some = points_mm[:: max(1, len(points_mm) // LOOKED_AT)]
    steps = np.array([_of_axis(values) for values in some.T])
    far = np.abs(np.median(some, axis=0))
    finest = steps.min() if np.isfinite(steps.min()) else 0.0
    steps = np.where(np.isfinite(steps), steps, np.spacing(far.astype(np.float32)))
    single = (far >= SINGLE[0] * steps) & (far <= SINGLE[1] * steps)
    return float(max([finest, *steps[single]]))


def _of_axis(values):
    """Step of one coordinate; infinite where all values are the same."""
    gaps = np.diff(np.unique(values))
    return np.quantile(gaps, SHARE) if len(gaps) else np.inf


def check(name, step, points_mm, scan, largest_step):
    """Refuse coordinates in steps that the model's grid shows; ``largest_step`` in edges of that grid."""
    limit = largest_step * scan["resolution_mm"]
    if step > limit:
        far = np.abs(np.median(points_mm, axis=0)).max()
        raise Rejected(
            f"{name}: its coordinates, {far:.0f} mm from the origin, come in steps of {step:.3g} mm; at most "
            f"{limit:.3g} mm are allowed (parameters intake.largest_step, scan.resolution_mm): export it centred on "
            "the vehicle, in double precision or with more digits."
        )


def outweighs(step, noise_mm):
    """Whether rounding to a step errs by more than the scanner: a step s adds a standard deviation of s / sqrt(12)."""
    return bool(step > np.sqrt(12) * noise_mm)

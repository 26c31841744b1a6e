"""What all readers share: colours of any depth, and the spacing of single-precision coordinates."""

import numpy as np
import pytest

from nightbay.readers import block


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (np.array([[0, 128, 255]], np.uint8), [0, 128, 255]),
        (np.array([[65535, 32768, 255]], np.uint16), [255, 128, 0]),  # the upper byte of 16 bits
        (np.array([[0.0, 0.5, 1.0]]), [0, 128, 255]),
        (np.array([[0.0, 127.0, 255.0]]), [0, 127, 255]),
    ],
)
def test_colours_of_any_depth(values, expected):
    assert block.colour_of(values, "a.ply").tolist() == [expected]


def test_step_of_single_precision_is_that_of_the_typical_coordinate():
    # single precision has 24 bits: from 1024 to 2048 its numbers are 2**-13 apart
    xyz = np.full((1000, 3), 1500.0)
    assert block.single_step(xyz) == 2.0**-13
    xyz[0] = 1e9  # an outlier far away
    assert block.single_step(xyz) == 2.0**-13
    assert block.single_step(np.full((3, 3), np.nan)) == 0.0

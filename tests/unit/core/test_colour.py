"""Colour conversions and CIEDE2000 against published figures."""

import numpy as np
import pytest

from nightbay.core import colour

# All 34 pairs of table 1 of G. Sharma, W. Wu, E. Dalal, Color Research and Application 30 (2005) 21: L, a, b of both
# colours and their CIEDE2000. None is from memory: the figures were read from the table in the test program of a public
# colour management library in C, which quotes that paper.
PAIRS = """
50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""
TABLE = np.array([line.split() for line in PAIRS.split("\n") if line], float)


def test_ciede2000_gives_the_published_differences_in_both_orders():
    """The table was made to show wrong branches at a hue turn of 180 degrees and in the rotation of blues."""
    first, second, published = TABLE[:, :3], TABLE[:, 3:6], TABLE[:, 6]
    assert len(TABLE) == 34
    # the figures are rounded to four digits after the point
    assert colour.difference(first, second) == pytest.approx(published, abs=0.5001e-4)
    assert colour.difference(second, first) == pytest.approx(published, abs=0.5001e-4)


def test_every_byte_survives_the_way_to_light_and_back():
    values = np.arange(256)
    light = colour.light_of(values)
    assert light[0] == 0 and light[255] == 1 and (np.diff(light) > 0).all()
    assert np.array_equal(colour.bytes_of(light), values)
    assert colour.bytes_of(np.array([-0.1, 1.7])).tolist() == [0, 255]
    # IEC 61966-2-1: half of white's light is encoded as 0.7354 of 255 (1.055 * 0.5**(1 / 2.4) - 0.055)
    assert colour.bytes_of(np.array([0.5])).tolist() == [round(0.7354 * 255)]


def test_lab_of_greys_primaries_and_black():
    grey = colour.lab_of(np.repeat([[0.0], [0.18], [1.0]], 3, axis=1))
    assert grey[:, 0] == pytest.approx([0, 116 * 0.18 ** (1 / 3) - 16, 100])
    assert np.abs(grey[:, 1:]).max() < 1e-9
    # sRGB's red has L* 53.24, a* 80.09, b* 67.20 (common tables, from memory). The matrix has four digits: half of the
    # last changes red's Z of 0.0193 by a 390th, its cube root by a 1160th, and 200 times that root, 0.26, by 0.045.
    assert colour.lab_of(np.array([[1.0, 0, 0]]))[0] == pytest.approx([53.24, 80.09, 67.20], abs=0.045)
    assert colour.luminance_of(np.ones((1, 3))) == pytest.approx(1.0)

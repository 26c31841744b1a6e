"""Colour: from the bytes of an export to linear light and to CIELAB, and how different two colours look (CIEDE2000).

Exports give colours without a profile; they are read as sRGB (IEC 61966-2-1:1999) under D65, the common case.
"""

import numpy as np

# IEC 61966-2-1: from linear sRGB to CIE XYZ, Y of white is 1. The middle row gives the luminance.
XYZ_OF_LIGHT = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
LUMINANCE = XYZ_OF_LIGHT[1]
WHITE = XYZ_OF_LIGHT.sum(axis=1)  # D65, as the same matrix gives it: grey has a* = b* = 0
CHROMA_7 = 25.0**7  # constant of CIEDE2000
SAME_HUE_TURN = 1e-9  # degrees; a hue difference of 180 that rounding lifts above it takes the branch of 180


def light_of(values: np.ndarray) -> np.ndarray:
    """Linear light, 0..1, of sRGB bytes 0..255 in an array of any shape; float64."""
    encoded = np.asarray(values, np.float64) / 255.0
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encoded_of(light: np.ndarray) -> np.ndarray:
    """sRGB values of linear light from 0 on, in an array of any shape; float64, neither rounded nor clipped at 255."""
    light = np.asarray(light, np.float64)
    return 255.0 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def bytes_of(light: np.ndarray) -> np.ndarray:
    """sRGB bytes of linear light, which is clipped to 0..1, in an array of any shape; uint8."""
    return np.rint(encoded_of(np.clip(light, 0.0, 1.0))).astype(np.uint8)


def luminance_of(light: np.ndarray) -> np.ndarray:
    """Luminance, (n,), of linear light (n, 3); that of white is 1."""
    return light @ LUMINANCE


def lab_of(light: np.ndarray) -> np.ndarray:
    """CIELAB under D65 of linear light, (n, 3) each.

    Source: ISO/CIE 11664-4.
    """
    ratio = light @ XYZ_OF_LIGHT.T / WHITE
    cubic = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = cubic.T
    return np.column_stack([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def difference(lab_a: np.ndarray, lab_b: np.ndarray) -> np.ndarray:
    """CIEDE2000 colour difference, (n,), between CIELAB colours (n, 3), with all three weighting factors 1.

    Source: G. Sharma, W. Wu, E. Dalal, Color Research and Application 30 (2005) 21, equations 2 to 22.
    """
    (lightness_a, a_a, b_a), (lightness_b, a_b, b_b) = np.transpose(lab_a), np.transpose(lab_b)
    seventh = ((np.hypot(a_a, b_a) + np.hypot(a_b, b_b)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(seventh / (seventh + CHROMA_7))
    chroma_a, chroma_b = np.hypot(stretch * a_a, b_a), np.hypot(stretch * a_b, b_b)
    hue_a, hue_b = (np.degrees(np.arctan2(b, stretch * a)) % 360 for a, b in ((a_a, b_a), (a_b, b_b)))
    grey = chroma_a * chroma_b == 0
    turn, hue = hue_b - hue_a, (hue_a + hue_b) / 2
    far = ~grey & (np.abs(turn) > 180 + SAME_HUE_TURN)
    turn = np.where(grey, 0.0, np.where(far, turn - 360 * np.sign(turn), turn))
    hue = np.where(grey, 2 * hue, np.where(far, hue + np.where(hue < 180, 180.0, -180.0), hue))
    lightness, chroma = (lightness_a + lightness_b) / 2, (chroma_a + chroma_b) / 2
    scale_lightness = 1 + 0.015 * (lightness - 50) ** 2 / np.sqrt(20 + (lightness - 50) ** 2)
    delta_lightness = (lightness_b - lightness_a) / scale_lightness
    delta_chroma = (chroma_b - chroma_a) / (1 + 0.045 * chroma)
    delta_hue = 2 * np.sqrt(chroma_a * chroma_b) * _sine(turn / 2) / (1 + 0.015 * chroma * _hue_weight(hue))
    rotation = 2 * np.sqrt(chroma**7 / (chroma**7 + CHROMA_7)) * _sine(60 * np.exp(-(((hue - 275) / 25) ** 2)))
    return np.sqrt(delta_lightness**2 + delta_chroma**2 + delta_hue**2 - rotation * delta_chroma * delta_hue)


def _sine(degrees: np.ndarray) -> np.ndarray:
    return np.sin(np.radians(degrees))


def _hue_weight(hue: np.ndarray) -> np.ndarray:
    """T of the formula, (n,), at mean hues (n,) in degrees."""
    terms = ((-0.17, 1, -30), (0.24, 2, 0), (0.32, 3, 6), (-0.20, 4, -63))
    return 1 + sum(share * np.cos(np.radians(times * hue + shift)) for share, times, shift in terms)

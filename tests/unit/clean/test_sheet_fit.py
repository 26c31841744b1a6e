"""The fit of one or two curved sheets against NumPy's least squares."""

import numpy as np

from nightbay.clean import sheet_fit


def disc(seed, apart):
    """Points (48, 4) of a curved sheet, noise 0.05, and which of them lie ``apart`` higher."""
    rng = np.random.default_rng(seed)
    uvh = np.zeros((48, 4))
    uvh[:, :2] = rng.uniform(-0.7, 0.7, (48, 2))
    sheet = (rng.random(48) < 0.4).astype(np.int8)
    uvh[:, 2] = terms(uvh) @ [0.3, -0.2, 0.1, 0.4, -0.3, 0.2] + apart * sheet + rng.normal(0, 0.05, 48)
    return uvh, sheet


def terms(uvh):
    u, v = uvh[:, 0], uvh[:, 1]
    return np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])


def test_one_sheet_is_the_least_squares_of_numpy():
    uvh, _ = disc(1, 0.0)
    system, fit, residual = np.zeros((8, 7, 2)), np.zeros(7), np.empty(48)
    squares = sheet_fit.moments(uvh, system)
    explained = sheet_fit.fit_terms(system, fit, 6)
    expected, rest, *_ = np.linalg.lstsq(terms(uvh), uvh[:, 2], rcond=None)
    # the damping of 1e-9 of the points' number moves the terms by about as much
    assert np.allclose(fit[:6], expected, atol=1e-6)
    assert np.isclose(squares - explained, rest[0], rtol=1e-6)
    assert np.isclose(sheet_fit.residuals(uvh, fit, residual), rest[0], rtol=1e-6)


def test_two_sheets_share_their_shape():
    uvh, sheet = disc(2, 0.5)
    system, fit, residual = np.zeros((8, 7, 2)), np.zeros(7), np.empty(48)
    sheet_fit.moments(uvh, system)
    sheet_fit.add_outer(uvh, sheet, system)
    sheet_fit.fit_terms(system, fit, 7)
    expected, *_ = np.linalg.lstsq(np.column_stack([terms(uvh), sheet]), uvh[:, 2], rcond=None)
    assert np.allclose(fit, expected, atol=1e-6)
    sheet_fit.residuals(uvh, fit, residual)
    assert np.allclose(residual, uvh[:, 2] - terms(uvh) @ expected[:6], atol=1e-6)

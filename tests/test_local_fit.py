"""Local quadratics on a masked grid against exact quadratics and a plain least-squares fit."""

from __future__ import annotations

import numpy as np

from guidecoat.numerics.local_fit import fit_locally

CELL, SIGMA = 3.0, 9.0


def test_a_quadratic_comes_back_exactly_mask_or_not() -> None:
    i, j = np.meshgrid(np.arange(40) * CELL, np.arange(30) * CELL, indexing="ij")
    z = 1.0 + 0.1 * i - 0.2 * j + 1e-3 * i**2 - 2e-3 * i * j + 5e-4 * j**2
    weight = np.ones(z.shape)
    weight[15:20, 10:14] = 0.0
    weight[:, 25:] = 0.0
    where = np.zeros(z.shape, bool)
    where[2:38, 2:25] = True
    fit = fit_locally(
        np.where(weight > 0, z, 1e6), weight, cell_mm=CELL, sigma_mm=SIGMA, where=where
    )
    # A ridge of 1e-9 keeps the small system regular: to 1e-5 of the quadratic's size.
    np.testing.assert_allclose(fit.value[where], z[where], rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(
        fit.slope_u[where], (0.1 + 2e-3 * i - 2e-3 * j)[where], rtol=1e-5, atol=1e-5
    )
    np.testing.assert_allclose(
        fit.slope_v[where], (-0.2 - 2e-3 * i + 1e-3 * j)[where], rtol=1e-5, atol=1e-5
    )
    for field, want in ((fit.uu, 2e-3), (fit.uv, -2e-3), (fit.vv, 1e-3)):
        np.testing.assert_allclose(field[where], want, atol=1e-6)
    assert np.isnan(fit.value[~where]).all()


def test_against_weighted_least_squares_at_one_cell() -> None:
    rng = np.random.default_rng(1)
    z, weight = rng.normal(size=(31, 31)), rng.uniform(0.2, 1.0, (31, 31))
    where = np.zeros(z.shape, bool)
    where[15, 15] = True
    fit = fit_locally(z, weight, cell_mm=CELL, sigma_mm=SIGMA, where=where)
    reach = int(np.ceil(2.5 * SIGMA / CELL))
    x, y = np.meshgrid(np.arange(-reach, reach + 1) * CELL, np.arange(-reach, reach + 1) * CELL)
    x, y = x.T.ravel(), y.T.ravel()
    window = np.exp(-0.5 * (x**2 + y**2) / SIGMA**2)
    part = slice(15 - reach, 16 + reach)
    root = np.sqrt(window * weight[part, part].ravel())
    basis = np.column_stack([np.ones_like(x), x, y, x**2 / 2, x * y, y**2 / 2])
    want, *_ = np.linalg.lstsq(basis * root[:, None], z[part, part].ravel() * root, rcond=None)
    got = [fit.value, fit.slope_u, fit.slope_v, fit.uu, fit.uv, fit.vv]
    np.testing.assert_allclose([f[15, 15] for f in got], want, rtol=1e-5, atol=1e-8)


def test_the_second_order_value_at_an_offset() -> None:
    i, j = np.meshgrid(np.arange(20) * CELL, np.arange(20) * CELL, indexing="ij")
    z = 0.5 - 0.01 * i + 2e-3 * i * j
    every = np.ones(z.shape, bool)
    fit = fit_locally(z, every.astype(float), cell_mm=CELL, sigma_mm=SIGMA, where=every)
    got = fit.at(np.array([10]), np.array([8]), np.array([1.5]), np.array([-2.0]))
    x, y = 10 * CELL + 1.5, 8 * CELL - 2.0
    np.testing.assert_allclose(got, 0.5 - 0.01 * x + 2e-3 * x * y, atol=1e-5)


def test_nothing_near_gives_nothing() -> None:
    weight = np.zeros((30, 30))
    weight[:3, :3] = 1.0
    where = np.ones((30, 30), bool)
    fit = fit_locally(np.ones((30, 30)), weight, cell_mm=CELL, sigma_mm=4.0, where=where)
    assert np.isnan(fit.value[20, 20])
    assert np.isnan(fit.uu[20, 20])

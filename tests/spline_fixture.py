"""Small lattices of splines and data on them, for the tests of the spline's numerics."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from guidecoat.numerics.spline import Fit, Rows, SplineSpace, energy_band, solve

Floats = NDArray[np.float64]


def box_space(length: float, width: float, knot: float) -> SplineSpace:
    """A lattice over [0, length] x [0, width], every span active."""
    spans = (round(length / knot), round(width / knot))
    return SplineSpace.build(0.0, 0.0, knot, np.ones(spans, bool))


def cell_centres(length: float, width: float, side: float) -> tuple[Floats, Floats]:
    """Centres of square cells over a box, as two flat arrays."""
    u = np.arange(0.5 * side, length, side)
    v = np.arange(0.5 * side, width, side)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    return uu.ravel(), vv.ravel()


def fit_cells(
    space: SplineSpace,
    u: Floats,
    v: Floats,
    z: Floats,
    *,
    side: float,
    batten: float,
    order: int,
    passes: int = 1,
) -> Fit:
    """Fit area-weighted cells with lambda = (L / 2 pi)^(2m)."""
    return solve(
        energy_band(space, order=order),
        space.rows(u, v),
        z,
        np.full(len(z), side**2),
        smoothing=(batten / (2.0 * np.pi)) ** (2 * order),
        passes=passes,
    )


def coefficients_of(space: SplineSpace, function: Callable[[Floats, Floats], Floats]) -> Floats:
    """The coefficients with which a spline is a given function, by dense least squares.

    Exact to rounding for polynomials up to bicubic.
    """
    nu, nv = space.active.shape
    side = space.knot / 5.0
    u, v = cell_centres(nu * space.knot, nv * space.knot, side)
    u, v = u + space.u0, v + space.v0
    on = space.covers(u, v)
    rows = space.rows(u[on], v[on])
    found, *_ = np.linalg.lstsq(dense(rows, space.size), function(u[on], v[on]), rcond=None)
    return np.asarray(found)


def dense(rows: Rows, size: int) -> Floats:
    """(n, size) matrix of sparse rows."""
    out = np.zeros((len(rows.index), size))
    np.add.at(out, (np.arange(len(out))[:, None], rows.index), rows.value)
    return out


def dense_energy(space: SplineSpace, order: int) -> Floats:
    """(size, size) matrix of the energy, by plain quadrature of the derivatives' products.

    Independent of the band's assembly: Gauss-Legendre points in every span, |grad^m s|^2 summed
    from `rows` with derivatives.
    """
    from math import comb

    nodes, weights = np.polynomial.legendre.leggauss(4)
    at, share = 0.5 * (nodes + 1.0) * space.knot, 0.5 * weights * space.knot
    total = np.zeros((space.size, space.size))
    for i, j in np.argwhere(space.active):
        u, v = np.meshgrid(at + space.u0 + i * space.knot, at + space.v0 + j * space.knot)
        w = np.outer(share, share).ravel()
        for k in range(order + 1):
            part = dense(space.rows(u.ravel(), v.ravel(), du=order - k, dv=k), space.size)
            total += comb(order, k) * (part.T * w) @ part
    return total


def full_band(band: Floats) -> Floats:
    """(size, size) symmetric matrix of a lower band stored as band[column, row - column]."""
    size, width = band.shape
    out = np.zeros((size, size))
    for offset in range(width):
        n = size - offset
        out[np.arange(offset, size), np.arange(n)] = band[:n, offset]
    return out + np.tril(out, -1).T


def energy_of(space: SplineSpace, coefficients: Floats, band: Floats) -> float:
    """c'Ec of a banded energy."""
    total = float(coefficients @ (band[:, 0] * coefficients))
    for offset in range(1, band.shape[1]):
        n = space.size - offset
        total += 2.0 * float(coefficients[:n] @ (band[:n, offset] * coefficients[offset:]))
    return total

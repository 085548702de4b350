"""Local quadratic regression on a masked grid: value, slopes and curvatures round every cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d

Floats = NDArray[np.float64]

_POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
_FEWEST_CELLS = 9.0
_FLATTEST = 1e-3


def quadratic_columns(x: Floats, y: Floats) -> Floats:
    """(n, 6) terms of a quadratic at n places: 1, x, y, x x, x y, y y."""
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def plane_of_sums(sums: Floats) -> tuple[Floats, Floats]:
    """(..., 3) centroids and (..., 2) slopes of planes; level where their points lie on a line.

    Parameters
    ----------
    sums : (..., 9) weighted sums over the points of 1, u, v, h, u u, u v, v v, u h, v h.
    """
    total = sums[..., 0]
    centre = sums[..., 1:4] / total[..., None]
    a, b, c = np.moveaxis(centre, -1, 0)
    uu, uv, vv, uh, vh = np.moveaxis(sums[..., 4:], -1, 0)
    uu, uv, vv = uu - total * a * a, uv - total * a * b, vv - total * b * b
    uh, vh = uh - total * a * c, vh - total * b * c
    det = uu * vv - uv * uv
    firm = det > _FLATTEST * (uu + vv) ** 2 / 4.0
    det = np.where(firm, det, 1.0)
    slope = np.stack([(uh * vv - vh * uv) / det, (vh * uu - uh * uv) / det], axis=-1)
    return centre, np.where(firm[..., None], slope, 0.0)


@dataclass(frozen=True, eq=False)
class LocalFit:
    """Value and derivatives by u and v at every cell centre, NaN where too few cells are near.

    All (nu, nv): value in mm, slope_u, slope_v dimensionless, uu, uv, vv in 1/mm.
    """

    value: Floats
    slope_u: Floats
    slope_v: Floats
    uu: Floats
    uv: Floats
    vv: Floats

    def at(self, i: NDArray[np.intp], j: NDArray[np.intp], du: Floats, dv: Floats) -> Floats:
        """Second-order value at offsets (mm) from the centres of cells (i, j)."""
        return np.asarray(
            self.value[i, j]
            + self.slope_u[i, j] * du
            + self.slope_v[i, j] * dv
            + 0.5 * self.uu[i, j] * du * du
            + self.uv[i, j] * du * dv
            + 0.5 * self.vv[i, j] * dv * dv
        )


def fit_locally(
    z: Floats, weight: Floats, *, cell_mm: float, sigma_mm: float, where: NDArray[np.bool_]
) -> LocalFit:
    """Weighted least-squares quadratic in a Gaussian window round every cell of `where`.

    Parameters
    ----------
    z : (nu, nv) heights, any value where the weight is 0.
    weight : (nu, nv) >= 0.
    cell_mm, sigma_mm : side of a cell; standard deviation of the window.
    where : (nu, nv) bool, cells at which the fit is wanted.

    The moments of the window are separable sums (Cleveland & Devlin 1988 for the regression).
    """
    reach = int(np.ceil(2.5 * sigma_mm / cell_mm))
    x = np.arange(-reach, reach + 1) * cell_mm / sigma_mm
    kernel = [np.exp(-0.5 * x * x) * x**p for p in range(5)]
    data = np.where(weight > 0, z, 0.0)

    def moment(values: Floats, p: int, q: int) -> Floats:
        return np.asarray(
            correlate1d(
                correlate1d(values, kernel[p], axis=0, mode="constant"),
                kernel[q],
                axis=1,
                mode="constant",
            )
        )

    sums = {(p, q): moment(weight, p, q)[where] for p in range(5) for q in range(5) if p + q <= 4}
    loads = [moment(weight * data, p, q)[where] for p, q in _POWERS]
    matrix = np.empty((len(loads[0]), 6, 6))
    for a, (p, q) in enumerate(_POWERS):
        for b, (r, s) in enumerate(_POWERS):
            matrix[:, a, b] = sums[p + r, q + s]
    seen = moment((weight > 0).astype(np.float64), 0, 0)[where] > _FEWEST_CELLS * 0.5
    total = np.where(seen, matrix[:, 0, 0], 1.0)
    matrix /= total[:, None, None]
    matrix[~seen] = np.eye(6)
    matrix[:, range(6), range(6)] += 1e-9
    found = np.linalg.solve(matrix, np.stack(loads, axis=1)[:, :, None] / total[:, None, None])
    found[~seen] = np.nan
    scale = (1.0, sigma_mm, sigma_mm, sigma_mm**2 / 2, sigma_mm**2, sigma_mm**2 / 2)
    out = []
    for k in range(6):
        field = np.full(z.shape, np.nan)
        field[where] = found[:, k, 0] / scale[k]
        out.append(field)
    return LocalFit(*out)

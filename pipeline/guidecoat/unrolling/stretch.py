"""How long and large the skin is over its unrolled map: a form curved both ways keeps neither."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .cells import Cells
from .chart import Chart, Grid

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Heights are averaged over so much before their slopes are taken (choice).
_WINDOW_MM = 8.0


@dataclass(frozen=True, eq=False)
class Stretch:
    """The skin's first fundamental form on the cells' grid, all (nu, nv): for a step (du, dv) on
    the chart the skin is sqrt(du^2 + (grow dv)^2 + (slope_u du + slope_v dv)^2) long.

    grow : 1 + k h, as circles about the cylinder's axis grow with the height over it.
    """

    grid: Grid
    grow: Floats
    slope_u: Floats
    slope_v: Floats

    @classmethod
    def of(cls, cells: Cells, chart: Chart, skin: Mask) -> Stretch:
        """That of a skin; cells off it are as their nearest on it."""
        side = cells.grid.cell_mm
        known = skin & np.isfinite(cells.height_mm)
        nearest = ndimage.distance_transform_edt(
            ~known, return_distances=False, return_indices=True
        )
        height = cells.height_mm[tuple(nearest)]
        height = ndimage.gaussian_filter(height, max(1.0, _WINDOW_MM / side))
        slope_u, slope_v = np.gradient(height, side)
        return cls(cells.grid, 1.0 + chart.curvature_per_mm * height, slope_u, slope_v)

    @classmethod
    def flat(cls, grid: Grid) -> Stretch:
        """None at all."""
        return cls(grid, np.ones(grid.shape), np.zeros(grid.shape), np.zeros(grid.shape))

    @property
    def area_mm2(self) -> Floats:
        """(nu, nv) area of the skin over each cell."""
        grow = self.grow**2
        unit = np.sqrt(grow * (1.0 + self.slope_u**2) + self.slope_v**2)
        return np.asarray(self.grid.cell_mm**2 * unit)

    def length_mm(self, start_uv: Floats, way_uv: Floats) -> float:
        """Length of the skin under (2,) a way drawn straight on the chart from (2,) a place."""
        steps = max(2, int(np.ceil(np.linalg.norm(way_uv) / self.grid.cell_mm)))
        track = start_uv + (np.arange(steps)[:, None] + 0.5) / steps * way_uv
        at = self.grid.index(track[:, 0], track[:, 1])
        du, dv = way_uv / steps
        rise = self.slope_u[at] * du + self.slope_v[at] * dv
        return float(np.sqrt(du**2 + (self.grow[at] * dv) ** 2 + rise**2).sum())

    def laid_out(self, where: Mask) -> Floats:
        """(n, 2) mm: places of cells as if the skin about their middle were laid flat."""
        slope_u, slope_v = self.slope_u[where], self.slope_v[where]
        uu = float(np.mean(1.0 + slope_u**2))
        uv = float(np.mean(slope_u * slope_v))
        vv = float(np.mean(self.grow[where] ** 2 + slope_v**2))
        root = np.linalg.cholesky(np.array([[uu, uv], [uv, vv]]))
        return np.asarray(self.grid.cell_mm * np.argwhere(where) @ root)

    def extent_mm(self, skin: Mask) -> tuple[float, float]:
        """How far a skin reaches along u and along v, measured on it from the cylinder's apex."""
        apex = self.grid.index(np.zeros(1), np.zeros(1))
        along = np.sqrt(1.0 + self.slope_u**2), np.hypot(self.grow, self.slope_v)
        reach = []
        for axis, step in enumerate(along):
            laid = self.grid.cell_mm * np.cumsum(step, axis=axis)
            laid -= np.take(laid, apex[axis], axis=axis)
            reach.append(float(np.ptp(laid[skin])))
        return reach[0], reach[1]

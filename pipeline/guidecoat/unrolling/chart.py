"""The unrolled panel: a plane or a circular cylinder that is laid flat.

Chart coordinates are (u, v, h) in mm: u along the axis, v around it, h outward. Seen from
outside, u runs to the right and v up, so a chart drawn on paper is the panel as one stands
before it. A plane is the cylinder of curvature 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Chart:
    """The isometry between space (local mm of the scan) and the unrolled panel.

    rotation : (3, 3), rows are the u axis, the v direction and the outward normal at the apex
        (right-handed); origin_mm : (3,) the apex, where (u, v, h) = 0;
    curvature_per_mm : of the base cylinder, positive when the panel bulges outward, 0 for a plane.
    """

    origin_mm: Floats
    rotation: Floats
    curvature_per_mm: float
    axis_decided_by: str = ""
    outside_decided_by: str = ""

    def to_chart(self, points_mm: NDArray[np.floating]) -> Floats:
        """(n, 3) local mm to (n, 3) u, v, h in mm."""
        k = self.curvature_per_mm
        # Coordinate by coordinate: numpy is slow at rows of three.
        shift = (self.rotation @ self.origin_mm)[:, None]
        u, a, b = self.rotation @ np.asarray(points_mm, np.float64).T - shift
        reach = np.hypot(k * a, 1.0 + k * b)
        h = (k * (a * a + b * b) + 2.0 * b) / (reach + 1.0)
        v = a if k == 0.0 else np.arctan2(k * a, 1.0 + k * b) / k
        return np.column_stack([u, v, h])

    def to_space(self, uvh: NDArray[np.floating]) -> Floats:
        """(n, 3) u, v, h in mm to (n, 3) local mm."""
        u, v, h = np.asarray(uvh, np.float64).T
        k = self.curvature_per_mm
        if k == 0.0:
            a, b = v, h
        else:
            a = np.sin(k * v) / k * (1.0 + k * h)
            b = h * np.cos(k * v) - 2.0 * np.sin(0.5 * k * v) ** 2 / k
        return np.column_stack([u, a, b]) @ self.rotation + self.origin_mm

    @property
    def outside(self) -> Floats:
        """(3,) unit vector out of the panel at the apex, in the scan's frame."""
        return self.rotation[2]


@dataclass(frozen=True)
class Grid:
    """A regular grid of square cells on the chart; cell (i, j) is centred at `u_mm[i], v_mm[j]`."""

    u0_mm: float
    v0_mm: float
    cell_mm: float
    shape: tuple[int, int]

    @property
    def u_mm(self) -> Floats:
        """(nu,) centres along u."""
        return np.asarray(self.u0_mm + self.cell_mm * (np.arange(self.shape[0]) + 0.5))

    @property
    def v_mm(self) -> Floats:
        """(nv,) centres along v."""
        return np.asarray(self.v0_mm + self.cell_mm * (np.arange(self.shape[1]) + 0.5))

    def index(
        self, u: NDArray[np.floating], v: NDArray[np.floating]
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Cell indices of chart positions, clipped to the grid."""
        i = np.clip(np.floor((u - self.u0_mm) / self.cell_mm), 0, self.shape[0] - 1)
        j = np.clip(np.floor((v - self.v0_mm) / self.cell_mm), 0, self.shape[1] - 1)
        return i.astype(np.intp), j.astype(np.intp)

    def beyond(self, u: Floats, v: Floats) -> NDArray[np.bool_]:
        """Which chart positions lie off the grid."""
        high_u = self.u0_mm + self.shape[0] * self.cell_mm
        high_v = self.v0_mm + self.shape[1] * self.cell_mm
        return (u < self.u0_mm) | (u > high_u) | (v < self.v0_mm) | (v > high_v)

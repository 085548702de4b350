"""Signed distances of points from a fair surface, along its normal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .chart import Chart, Grid
from .faces import Faces
from .fairing import FairSurface

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Feet:
    """A fair surface made ready for distances from it, once for all parts of the points.

    label : (nu, nv) face of every cell of `grid`, 0 for none; lattices : (faces, nku + 3, nkv + 3)
    B-spline coefficients on knots knot_mm apart from `corner` on, chart mm.
    """

    chart: Chart
    label: NDArray[np.int32]
    grid: Grid
    lattices: Floats
    corner: Floats
    knot_mm: float

    @classmethod
    def of(cls, chart: Chart, faces: Faces, grid: Grid, surface: FairSurface) -> Feet:
        """The surface of all faces; grid : of the faces' labels."""
        lattices = np.nan_to_num(surface.lattices)
        corner = np.array([surface.u0, surface.v0])
        return cls(chart, faces.label, grid, lattices, corner, float(surface.knot_mm))

    def distances(self, points_mm: NDArray[np.floating]) -> Floats:
        """(n,) signed distances of points, NaN where no face lies under them."""
        out = np.empty(len(points_mm))
        _feet(
            points_mm,
            self.chart.origin_mm,
            self.chart.rotation,
            float(self.chart.curvature_per_mm),
            np.array([self.grid.u0_mm, self.grid.v0_mm]),
            float(self.grid.cell_mm),
            self.label,
            self.lattices,
            self.corner,
            self.knot_mm,
            out,
        )
        return out


@njit(cache=True, nogil=True)
def _feet(points, origin, rotation, curvature, cell0, cell, face, lattices, knot0, knot, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Signed distance along the normal to the foot point, by Gauss-Newton from the first-order
    value; NaN where no face lies under a point.
    """
    nu, nv = face.shape
    k = curvature
    bu, bv, du, dv = np.empty(4), np.empty(4), np.empty(4), np.empty(4)
    for n in range(len(points)):
        out[n] = np.nan
        x = np.float64(points[n, 0]) - origin[0]
        y = np.float64(points[n, 1]) - origin[1]
        z = np.float64(points[n, 2]) - origin[2]
        q0 = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z
        q1 = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z
        q2 = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z
        if not np.isfinite(q0 + q1 + q2):
            continue
        u = q0
        v = q1 if k == 0.0 else np.arctan2(k * q1, 1.0 + k * q2) / k
        i, j = int(np.floor((u - cell0[0]) / cell)), int(np.floor((v - cell0[1]) / cell))
        if i < 0 or j < 0 or i >= nu or j >= nv or face[i, j] == 0:
            continue
        c = lattices[face[i, j] - 1]
        for _ in range(4):
            a, b = (u - knot0[0]) / knot, (v - knot0[1]) / knot
            i, j = int(np.floor(a)), int(np.floor(b))
            if i < 0 or j < 0 or i + 3 >= c.shape[0] or j + 3 >= c.shape[1]:
                u = np.nan
                break
            _pieces_at(a - i, bu, du)
            _pieces_at(b - j, bv, dv)
            s = su = sv = 0.0
            for p in range(4):
                r0 = r1 = 0.0
                for m in range(4):
                    w = c[i + p, j + m]
                    r0 += w * bv[m]
                    r1 += w * dv[m]
                s += bu[p] * r0
                su += du[p] * r0
                sv += bu[p] * r1
            su, sv = su / knot, sv / knot
            sine, cosine, xa, xb = 0.0, 1.0, v, s
            if k != 0.0:
                half = np.sin(0.5 * k * v)
                sine, cosine = 2.0 * half * np.cos(0.5 * k * v), 1.0 - 2.0 * half * half
                xa = sine / k + s * sine
                xb = s * cosine - 2.0 * half * half / k
            grow = 1.0 + k * s
            ua, ub = su * sine, su * cosine
            va, vb = grow * cosine + sv * sine, sv * cosine - grow * sine
            r0, r1, r2 = q0 - u, q1 - xa, q2 - xb
            uu, uv, vv = 1.0 + ua * ua + ub * ub, ua * va + ub * vb, va * va + vb * vb
            ru, rv = r0 + ua * r1 + ub * r2, va * r1 + vb * r2
            det = uu * vv - uv * uv
            step_u, step_v = (ru * vv - rv * uv) / det, (rv * uu - ru * uv) / det
            n0, n1, n2 = ua * vb - ub * va, -vb, va
            size = np.sqrt(n0 * n0 + n1 * n1 + n2 * n2)
            out[n] = (r0 * n0 + r1 * n1 + r2 * n2) / size
            # The distance is off by the step's square over the surface's radius.
            if abs(step_u) + abs(step_v) < 5e-3:
                break
            u, v = u + step_u, v + step_v
        if not np.isfinite(u):
            out[n] = np.nan


@njit(cache=True, nogil=True)
def _pieces_at(t, value, slope):  # type: ignore[no-untyped-def]  # pragma: no cover
    w = 1.0 - t
    value[0], slope[0] = w * w * w / 6.0, -0.5 * w * w
    value[1], slope[1] = (4.0 + t * t * (3.0 * t - 6.0)) / 6.0, t * (1.5 * t - 2.0)
    value[2], slope[2] = (4.0 + w * w * (3.0 * w - 6.0)) / 6.0, -w * (1.5 * w - 2.0)
    value[3], slope[3] = t * t * t / 6.0, 0.5 * t * t

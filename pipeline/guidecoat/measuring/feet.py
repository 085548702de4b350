"""Signed distances of points from a fair surface, along its normal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..numerics.spline import span_powers
from ..outline.faces import Faces
from ..surface.fairing import FairSurface
from ..unrolling.chart import Chart, Grid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# A foot that still moves by less is found: what is left of the distance is half the step's square
# over the surface's radius (computed), 0.01 micrometres at 5 mm, as tight as a spline bends.
_CLOSE_MM = 0.01
# Every step squares what is left of the one before.
_MOST_STEPS = 4


@dataclass(frozen=True, eq=False)
class Feet:
    """A fair surface made ready for distances from it, once for all parts of the points.

    label : (nu, nv) face of every cell of `grid`, 0 for none; powers : (faces, nku, nkv, 16)
    polynomials of the splines' spans, knot_mm apart from `corner`, (2, 1) chart mm, on: those of
    u^3 v^3, u^3 v^2 and so on down to 1, for u and v from 0 to 1 over a span.
    """

    chart: Chart
    label: NDArray[np.int32]
    grid: Grid
    powers: Floats
    corner: Floats
    knot_mm: float

    @classmethod
    def of(cls, chart: Chart, faces: Faces, grid: Grid, surface: FairSurface) -> Feet:
        """The surface of all faces; grid : of the faces' labels."""
        powers = span_powers(np.nan_to_num(surface.lattices))
        corner = np.array([[surface.u0], [surface.v0]])
        return cls(chart, faces.label, grid, powers, corner, float(surface.knot_mm))

    def distances(self, points_mm: NDArray[np.floating]) -> Floats:
        """(n,) signed distances of points, NaN where no face lies under them.

        By Gauss-Newton steps of the foot, from where a point stands on the chart. Nothing but the
        step from the point to its foot is measured on the chart's cylinder, so that its curvature
        enters as that of a short arc.
        """
        point = np.ascontiguousarray(self.chart.to_chart(points_mm).T)
        out = np.full(point.shape[1], np.nan)
        face = self._face_under(point)
        rows = np.flatnonzero(face)
        face, point = face[rows] - 1, point[:, rows]
        foot = point[:2]
        for _ in range(_MOST_STEPS):
            distance, step = self._from_tangent(face, point, foot)
            out[rows] = distance
            going = np.abs(step[0]) + np.abs(step[1]) >= _CLOSE_MM
            if not going.any():
                break
            rows, face, point = rows[going], face[going], point[:, going]
            foot = (foot + step)[:, going]
        return out

    def _face_under(self, point: Floats) -> Ints:
        """(n,) face of the cell that each of (3, n) points stands on, 0 for none."""
        place = np.floor((point[:2] - self._cells_from) / self.grid.cell_mm)
        shape = np.array(self.label.shape)[:, None]
        inside = ((place >= 0) & (place < shape)).all(axis=0)
        i, j = np.where(inside, place, 0).astype(np.int64)
        return np.where(inside, self.label[i, j], 0).astype(np.int64)

    @property
    def _cells_from(self) -> Floats:
        return np.array([[self.grid.u0_mm], [self.grid.v0_mm]])

    def _from_tangent(self, face: Ints, point: Floats, foot: Floats) -> tuple[Floats, Floats]:
        """(n,) distances of (3, n) points from the planes that touch the surface at (2, n) places,
        and (2, n) steps on the chart to their feet on these; NaN off the lattice.
        """
        height, slope_u, slope_v = self._surface_at(face, foot)
        k = self.chart.curvature_per_mm
        along, turn = point[:2] - foot
        # Sine and cosine of so short an arc by their series, to its 6th power.
        arc = (k * turn) ** 2
        reach = (1.0 + k * point[2]) * turn
        round_it = reach * (1.0 - arc / 6.0 * (1.0 - arc / 20.0))
        out = point[2] - height - 0.5 * k * turn * reach * (1.0 - arc / 12.0 * (1.0 - arc / 30.0))
        # The tangents are (1, 0, slope_u) and (0, g, slope_v) along the axis, round it and outward.
        g = 1.0 + k * height
        uu, uv, vv = 1.0 + slope_u * slope_u, slope_u * slope_v, g * g + slope_v * slope_v
        square = uu * vv - uv * uv
        distance = (g * (out - slope_u * along) - slope_v * round_it) / np.sqrt(square)
        to_u, to_v = along + slope_u * out, g * round_it + slope_v * out
        return distance, np.stack([to_u * vv - to_v * uv, to_v * uu - to_u * uv]) / square

    def _surface_at(self, face: Ints, foot: Floats) -> tuple[Floats, Floats, Floats]:
        """(n,) heights of the faces' splines at (2, n) places and their slopes along u and v."""
        _, nu, nv, _ = self.powers.shape
        place = (foot - self.corner) / self.knot_mm
        span = np.floor(place)
        off = (span < 0).any(axis=0) | (span[0] >= nu) | (span[1] >= nv)
        span[:, off] = 0.0
        u, v = place - span
        i, j = span.astype(np.int64)
        first = 16 * ((face * nu + i) * nv + j)
        flat = self.powers.ravel()
        height, slope_u, slope_v = np.zeros((3, len(first)))
        # Horner's rule, and with it that of the derivative: first along v, then along u.
        for p in range(4):
            value = flat.take(first + 4 * p)
            slope = value.copy()
            for q in range(1, 4):
                value *= v
                value += flat.take(first + (4 * p + q))
                if q < 3:
                    slope *= v
                    slope += value
            slope_u *= u
            slope_u += height
            height *= u
            height += value
            slope_v *= u
            slope_v += slope
        height[off] = np.nan
        return height, slope_u / self.knot_mm, slope_v / self.knot_mm

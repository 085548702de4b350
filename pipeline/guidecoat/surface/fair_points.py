"""Places on the fair surface in space: points, normals and the chart's own directions there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..outline.faces import Faces
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart
from .fairing import FairSurface

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class FairPoints:
    """The fair surface at n places of the chart, in local mm of the scan; NaN off its faces.

    points_mm : (n, 3); normals : (n, 3) unit, outward; along_u, along_v : (n, 3) how the point
    moves per mm of u and of v on the chart (their lengths are the stretch of the unrolled panel).
    """

    points_mm: Floats
    normals: Floats
    along_u: Floats
    along_v: Floats


def fair_points(
    chart: Chart, cells: Cells, faces: Faces, fair: FairSurface, u_mm: Floats, v_mm: Floats
) -> FairPoints:
    """Evaluate the fair surface at (n,) chart places.

    Raises nothing: a place on no face is NaN. The chart is a circular cylinder of curvature k, so
    with the height s(u, v) the point is (u, sin(kv) (1/k + s), cos(kv) (1/k + s) - 1/k) in its
    frame, and the two directions are the derivatives of that.
    """
    height = np.full((3, len(u_mm)), np.nan)
    grid = cells.grid
    i, j = grid.index(np.nan_to_num(u_mm), np.nan_to_num(v_mm))
    inside = np.isfinite(u_mm) & np.isfinite(v_mm)
    inside &= (u_mm >= grid.u0_mm) & (u_mm <= grid.u0_mm + grid.cell_mm * grid.shape[0])
    inside &= (v_mm >= grid.v0_mm) & (v_mm <= grid.v0_mm + grid.cell_mm * grid.shape[1])
    label = np.where(inside, faces.label[i, j], 0)
    for face in fair.faces:
        here = np.flatnonzero(label == face.face)
        here = here[face.space.covers(u_mm[here], v_mm[here])]
        u, v = u_mm[here], v_mm[here]
        for row, (du, dv) in enumerate(((0, 0), (1, 0), (0, 1))):
            height[row, here] = face.space.rows(u, v, du=du, dv=dv) @ face.fit.coefficients
    points = chart.to_space(np.column_stack([u_mm, v_mm, height[0]]))
    along_u, along_v = _directions(chart, v_mm, *height)
    across = np.cross(along_u, along_v)
    normals = across / np.linalg.norm(across, axis=1)[:, None]
    return FairPoints(points, normals, along_u, along_v)


def _directions(
    chart: Chart, v_mm: Floats, height: Floats, slope_u: Floats, slope_v: Floats
) -> tuple[Floats, Floats]:
    k = chart.curvature_per_mm
    sine, cosine = np.sin(k * v_mm), np.cos(k * v_mm)
    grow = 1.0 + k * height
    along_u = np.column_stack([np.ones_like(height), slope_u * sine, slope_u * cosine])
    along_v = np.column_stack(
        [
            np.zeros_like(height),
            grow * cosine + slope_v * sine,
            slope_v * cosine - grow * sine,
        ]
    )
    return along_u @ chart.rotation, along_v @ chart.rotation

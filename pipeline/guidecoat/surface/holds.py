"""What a fit is held to: the lines along its face's edges, their slopes, and single points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.spline import Rows
from ..outline.edge_lines import NOISE_DRAWS, EdgeLine, lay_edge_line
from .face_jobs import FaceJob

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Slopes at the edges weigh this much more than their noise alone would have it: the free surface
# leans there by more than they are noisy (measured: 1e4 to 3e4 is nearest the true form).
_SLOPE_TRUST = 2e4
# Beyond its foot a mark still leans by 1 to 2 mrad, which at an edge would bow the surface into it.
# Measured 50 to 80 mm from edges: marks read 13 % low without it, 3 with 10 mm, 1 with 20.
_LEANS_MM = 15.0


@dataclass(frozen=True, eq=False)
class Hold:
    """Rows and values the surface is held to, and rows of slope that it leans on.

    noise : (k, draws) of the held values for cells of standard error 1; slope_weight : (s,)
    weights of the slopes beside cells of weight 1; slope_noise : (s, draws).
    """

    rows: Rows | None
    values: Floats
    noise: Floats
    slope_rows: Rows | None = None
    slopes: Floats | None = None
    slope_weight: Floats | None = None
    slope_noise: Floats | None = None


def held_edges(job: FaceJob, lines: tuple[EdgeLine, ...], hold_of: dict[str, str]) -> Hold:
    """Everything held on a face: edge stations, their slopes where asked, single points."""
    rows = [] if job.points is None else [job.points]
    values = [job.point_values]
    noise = [np.zeros((len(job.point_values), NOISE_DRAWS))]
    slope_noise: list[Floats] = []
    slope_rows: list[Rows] = []
    slopes: list[Floats] = []
    weights: list[Floats] = []
    for line, stations, sloping in zip(lines, job.stations, job.slopes, strict=True):
        how = hold_of[line.name]
        keep = line.held
        if how == "free" or not keep.any():
            continue
        rows.append(stations.some(keep))
        values.append(line.height_mm[keep])
        noise.append(line.height_noise[keep])
        if how == "position+slope":
            slope_rows.append(sloping.some(keep))
            slopes.append(line.slope[keep])
            slope_noise.append(line.slope_noise[keep])
            weights.append(_SLOPE_TRUST / line.slope_gain[keep] ** 2)
    held = Rows.stacked(*rows) if rows else None
    if not slopes:
        return Hold(held, np.concatenate(values), np.vstack(noise))
    return Hold(
        held,
        np.concatenate(values),
        np.vstack(noise),
        Rows.stacked(*slope_rows),
        np.concatenate(slopes),
        np.concatenate(weights),
        np.vstack(slope_noise),
    )


def edge_lines_of(
    job: FaceJob, coefficients: Floats, sound: Floats, batten_mm: float
) -> tuple[EdgeLine, ...]:
    """The robust line along every edge of a face, over a surface laid without holding them."""
    off = job.height_mm - job.rows @ coefficients
    marked = _near_marks(job, sound)
    lines = []
    for edge, beside, stations, slopes, let_go in zip(
        job.edges, job.beside, job.stations, job.slopes, job.let_go, strict=True
    ):
        line = lay_edge_line(
            edge,
            beside,
            off,
            sound,
            marked,
            stations @ coefficients,
            slopes @ coefficients,
            tolerance_mm=job.tolerance_mm,
            batten_mm=batten_mm,
        )
        lines.append(replace(line, held=line.held & ~let_go))
    return tuple(lines)


def _near_marks(job: FaceJob, sound: Floats) -> Mask:
    """(n,) bool, cells that are left out, and those that the feet of what is left out lean over;
    none where that may be form.
    """
    marked = job.leaning & (sound <= 0.0)
    if not marked.any():
        return marked
    away = ndimage.distance_transform_edt(job.on_grid(~marked, True))[job.where] * job.cell_mm
    return np.asarray(away <= _LEANS_MM)


def held_points(job: FaceJob) -> Hold:
    """The single points that are held, and no edge."""
    return Hold(job.points, job.point_values, np.zeros((len(job.point_values), NOISE_DRAWS)))

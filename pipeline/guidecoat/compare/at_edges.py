"""Settling one panel on another at its held edges alone, which damage inside does not move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import ScanUnfitError
from ..numerics.biweight import BIWEIGHT
from ..registration.result import NOT_NOISE
from ..registration.rigid import stepped
from .huber import huber_fit
from .passes import Pass, normals_at

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BAND_MM = 40.0
_FEWEST_CELLS = 100
_NEIGHBOURS_ALIKE_MM = 25.0


@dataclass(frozen=True, eq=False)
class Facing:
    """Cells that two panels share, n of them.

    where : their numbers on the grid; apart_mm : (n,) how far the subject stands above the other;
    rows : (n, 6) what a turn about `middle`, times `reach_mm`, and a shift of the other add to it;
    normals : (n, 3); at_edge : (n,) beside a held edge; noise_mm : usual standard error of a cell's
    apart; alike : how many cells err as one.
    """

    where: tuple[NDArray[np.intp], ...]
    apart_mm: Floats
    rows: Floats
    normals: Floats
    at_edge: Mask
    middle: Floats
    reach_mm: float
    noise_mm: float
    alike: float


def facing_cells(subject: Pass, other: Pass) -> Facing:
    """The cells of two panels that lie on each other, in the subject's local frame.

    Raises
    ------
    ScanUnfitError : too few cells beside held edges are in both scans.
    """
    result = subject.result
    cells = result.cells
    stations = [e.station_uv[e.held] for e in result.edges if e.kind in ("outline", "opening")]
    held = np.vstack([*stations, np.empty((0, 2))])
    apart = subject.off_mm - other.off_mm
    where = np.nonzero(np.isfinite(apart))
    place = np.column_stack([cells.u_mm[where], cells.v_mm[where]])
    near = cKDTree(held).query(place)[0] <= _BAND_MM if len(held) else np.zeros(len(place), bool)
    if near.sum() < _FEWEST_CELLS:
        raise ScanUnfitError(
            f"{other.scan.name}: only {int(near.sum())} cells beside held edges are in both scans, "
            f"{_FEWEST_CELLS} are needed to lay one on the other there. Scan the edges of both."
        )
    points, normals = normals_at(cells, result.chart, where)
    middle = points.mean(axis=0)
    reach = 0.35 * float(np.linalg.norm(np.ptp(points, axis=0)))
    rows = np.hstack([np.cross(points - middle, normals) / reach, normals])
    noise = float(np.nanmedian(np.hypot(subject.noise_mm, other.noise_mm)))
    # Neighbours err alike: cells closer than the correlation length count as one reading.
    alike = max(1.0, (_NEIGHBOURS_ALIKE_MM / cells.grid.cell_mm) ** 2)
    return Facing(where, apart[where], rows, normals, near, middle, reach, noise, alike)


def moved_by(twist: Floats, facing: Facing) -> Floats:
    """(4, 4) the motion of a (6,) scaled twist."""
    return stepped(np.eye(4), twist, facing.middle, facing.reach_mm)


def settle_at_edges(subject: Pass, other: Pass) -> tuple[Floats, Floats]:
    """A small motion of the other panel that lays its edges on the subject's.

    Edges that agree to within noise, but for what was knocked, let go of what was; where the two
    forms differ along the edges all of them have their say.

    Returns
    -------
    (4, 4) motion in the subject's local frame, mm, to be applied after the other panel's own
    placing; and the (nu, nv) standard uncertainty (mm) it leaves along the skin's normal.

    Raises
    ------
    ScanUnfitError : too few cells beside held edges are in both scans.
    """
    facing = facing_cells(subject, other)
    rows, apart = facing.rows[facing.at_edge], facing.apart_mm[facing.at_edge]
    twist, covariance, scale = huber_fit(rows, apart)
    if scale < NOT_NOISE * facing.noise_mm:
        twist, covariance, scale = huber_fit(rows, apart, BIWEIGHT * scale)
    covariance = covariance * scale**2 * facing.alike
    sigma = np.zeros(subject.off_mm.shape)
    spread = np.einsum("ni,ij,nj->n", facing.rows, covariance, facing.rows)
    sigma[facing.where] = np.sqrt(np.maximum(spread, 0.0))
    return moved_by(twist, facing), sigma

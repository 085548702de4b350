"""Settling one panel on another at its held edges alone, which damage inside does not move."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..biweight import BIWEIGHT, tukey
from ..errors import ScanUnfitError
from ..registration.rigid import small_motions
from .passes import Pass, normals_at

Floats = NDArray[np.float64]

_BAND_MM = 40.0
_ROUNDS = 12
_FEWEST_CELLS = 100
# Motions that the band holds less than this share of the best held one stay as they are.
_HELD_SHARE = 1e-3
_NEIGHBOURS_ALIKE_MM = 25.0


def settle_at_edges(subject: Pass, other: Pass) -> tuple[Floats, Floats]:
    """A small motion of the other panel that lays its edges on the subject's.

    Returns
    -------
    (4, 4) motion in the subject's local frame, mm, to be applied after the other panel's own
    placing; and the (nu, nv) standard uncertainty (mm) it leaves along the skin's normal.

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
    twist, covariance = _robust_twist(rows[near], apart[where][near], cells.grid.cell_mm)
    step = np.concatenate([twist[:3] / reach, twist[3:]])
    motion = small_motions(step[None])[0]
    motion[:3, 3] += middle - motion[:3, :3] @ middle
    sigma = np.zeros(cells.grid.shape)
    sigma[where] = np.sqrt(np.maximum(np.einsum("ni,ij,nj->n", rows, covariance, rows), 0.0))
    return motion, sigma


def _robust_twist(rows: Floats, apart: Floats, cell_mm: float) -> tuple[Floats, Floats]:
    """(6,) scaled twist by Tukey's biweight in the directions that are held, and its covariance."""
    weight = np.ones(len(apart))
    twist = np.zeros(6)
    scale = 1.0
    for _ in range(_ROUNDS):
        matrix = (rows * weight[:, None]).T @ rows
        values, vectors = np.linalg.eigh(matrix)
        kept = values > _HELD_SHARE * values[-1]
        inverse = (vectors[:, kept] / values[kept]) @ vectors[:, kept].T
        twist = inverse @ (rows.T @ (weight * apart))
        left = apart - rows @ twist
        scale = 1.4826 * float(np.median(np.abs(left))) + 1e-9
        weight = tukey(left, BIWEIGHT * scale)
    # Neighbours err alike: cells closer than the correlation length count as one reading.
    alike = max(1.0, (_NEIGHBOURS_ALIKE_MM / cell_mm) ** 2)
    return twist, inverse * scale**2 * alike

"""Edge points of an occupied surface: where the cells of a scan end, to a fraction of a cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]
WIDEST_GAP = np.deg2rad(140.0)
LINE_POINTS = 9
RIM_NEIGHBOURS = 17
# Neighbours spread over 220 degrees have their mean half their distance away.
LEAST_ASIDE = 0.15


@dataclass(frozen=True, eq=False)
class Rim:
    """Edge points, mm: `points` (k, 3), `outward` (k, 3) unit, in the surface and square to
    the edge, `normals` (k, 3) of the surface there (signs as of the cells).
    """

    points: Array
    outward: Array
    normals: Array


def empty_rim() -> Rim:
    """A rim without points, for surfaces that have no edge in view."""
    return Rim(np.empty((0, 3)), np.empty((0, 3)), np.empty((0, 3)))


def find_rim(
    points: Array,
    owner: NDArray[np.int64],
    means: Array,
    frames: Array,
    neighbours: tuple[Array, NDArray[np.int64]],
    cell_mm: float,
) -> Rim:
    """Edge line of the occupied cells, located by the outermost scan points along it.

    Parameters
    ----------
    points, owner : (n, 3) scan points and the cell each belongs to, -1 for none.
    means, frames, neighbours : the cells, their local frames, and the distances (mm) and indices
        of the cells nearest to each, itself first.
    """
    at, outward = _rim_cells(means, frames, neighbours, cell_mm)
    if len(at) < 3 * LINE_POINTS:
        return empty_rim()
    flags = np.zeros(len(means) + 1, bool)
    flags[at] = True
    outer = np.asarray(points[flags[owner]], np.float64)
    edge = _outermost(outer, means[at], outward, frames[at, 2], cell_mm)
    edge, outward, straight = _line(edge, outward, frames[at, 2], cell_mm)
    edge = _outermost(outer, edge, outward, frames[at, 2], cell_mm)
    edge, outward, straight = _line(edge, outward, frames[at, 2], cell_mm)
    return Rim(edge[straight], outward[straight], frames[at, 2][straight])


def _rim_cells(
    means: Array, frames: Array, neighbours: tuple[Array, NDArray[np.int64]], cell_mm: float
) -> tuple[NDArray[np.int64], Array]:
    """Cells whose neighbours leave a wide open angle, and the middle of that angle."""
    distance, near = (part[:, :RIM_NEIGHBOURS] for part in neighbours)
    # Amid the surface neighbours lie all round, so their mean is near the cell.
    aside = np.linalg.norm(means[near].mean(1) - means, axis=1)
    asked = np.flatnonzero(aside > LEAST_ASIDE * distance.mean(1))
    distance, near = distance[asked], near[asked]
    local = (means[near[:, 1:]] - means[asked, None]) @ frames[asked, :2].transpose(0, 2, 1)
    angle = np.arctan2(local[:, :, 1], local[:, :, 0])
    # Neighbours beyond 2.5 cells do not close a gap; repeating a near angle leaves them out.
    angle = np.where(distance[:, 1:] < 2.5 * cell_mm, angle, angle[:, :1])
    angle.sort(axis=1)
    gaps = np.diff(np.concatenate([angle, angle[:, :1] + 2.0 * np.pi], axis=1), axis=1)
    widest = gaps.argmax(1)
    rows = np.arange(len(asked))
    gap = gaps[rows, widest]
    middle = angle[rows, widest] + 0.5 * gap
    wide = (gap > WIDEST_GAP) & (gap < 1.6 * np.pi)
    at, middle = asked[wide], middle[wide]
    outward = np.cos(middle)[:, None] * frames[at, 0]
    outward += np.sin(middle)[:, None] * frames[at, 1]
    return at, outward


def _outermost(outer: Array, at: Array, outward: Array, normals: Array, cell_mm: float) -> Array:
    """Move each rim point outwards to the second-outermost scan point beside it.

    The second one, because the outermost is too often a flying point.
    """
    near = cKDTree(at).query(outer, k=min(4, len(at)), workers=2)[1]
    rim = near.ravel()
    point = np.repeat(np.arange(len(outer)), near.shape[1])
    step = outer[point] - at[rim]
    out = np.einsum("nk,nk->n", step, outward[rim])
    up = np.einsum("nk,nk->n", step, normals[rim])
    along = np.einsum("nk,nk->n", step, np.cross(normals[rim], outward[rim]))
    beside = (np.abs(along) < 0.75 * cell_mm) & (np.abs(up) < 0.4 * cell_mm) & (out < 1.5 * cell_mm)
    rim, out = rim[beside], out[beside]
    order = np.lexsort((out, rim))
    rim, out = rim[order], out[order]
    last = np.searchsorted(rim, np.arange(len(at)), side="right") - 1
    begin = np.searchsorted(rim, np.arange(len(at)), side="left")
    pick = np.clip(np.maximum(last - 1, begin), 0, max(len(out) - 1, 0))
    reach = np.where(last >= begin, out[pick], 0.0) if len(out) else np.zeros(len(at))
    return np.asarray(at + reach[:, None] * outward)


def _line(
    edge: Array, outward: Array, normals: Array, cell_mm: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Smooth the edge by a line through each point's neighbours; drop points off any line."""
    near = cKDTree(edge).query(edge, k=min(LINE_POINTS, len(edge)), workers=2)[1]
    along = np.cross(normals, outward)
    middle = np.median(edge[near], axis=1)
    local = edge[near] - middle[:, None]
    spread = np.einsum("nki,nkj->nij", local, local)
    vectors = np.linalg.eigh(spread)[1][:, :, 2]
    vectors *= np.where(np.einsum("nk,nk->n", vectors, along) < 0.0, -1.0, 1.0)[:, None]
    square = np.cross(vectors, normals)
    square /= np.linalg.norm(square, axis=1, keepdims=True) + 1e-12
    offset = np.median(np.einsum("nki,ni->nk", edge[near] - edge[:, None], square), axis=1)
    scatter = np.median(
        np.abs(np.einsum("nki,ni->nk", edge[near] - edge[:, None], square) - offset[:, None]),
        axis=1,
    )
    straight = (
        (np.einsum("nk,nk->n", square, outward) > 0.7)
        & (scatter < 0.25 * cell_mm)
        & (np.abs(offset) < cell_mm)
    )
    return edge + offset[:, None] * square, square, straight

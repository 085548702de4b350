"""Surface cells: averaged points with a normal, a local quadratic and, at rims, an edge line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import ScanUnfitError
from .edge_windows import near_rim
from .patches import fit_patches
from .rigid import move
from .rims import Rim, find_rim

Array = NDArray[np.float64]
NEIGHBOURS = 24
FEWEST_CELLS = 60
MOST_POINTS = 1_200_000


@dataclass(frozen=True, eq=False)
class Surfels:
    """Cells of one scan, mm; arrays are read-only.

    Attributes
    ----------
    points : (n, 3) mean of the scan points of a cell.
    normals : (n, 3) unit, pointing outwards only where `oriented`.
    weights : (n,) 0..1, how much a cell's mean is worth against a full cell.
    frames : (n, 3, 3) rows e1, e2, normal of the local frame at `points`.
    patches : (n, 6) local surface h = c0 + c1 a + c2 b + c3 a a + c4 a b + c5 b b.
    tree : over `points`.
    rim : edge points of the occupied cells. beside : (m, 3) scan points beside it, where asked for.
    cell_mm, radius_mm : side of a cell, half the extent of the scan.
    oriented : the normals' sign came with the scan.
    """

    points: Array
    normals: Array
    weights: Array
    frames: Array
    patches: Array
    tree: cKDTree
    rim: Rim
    beside: Array
    cell_mm: float
    radius_mm: float
    oriented: bool


def spacing_and_area(points: Array) -> tuple[float, float]:
    """Rough point spacing (mm) and area (mm2) from an evenly thinned subset."""
    subset = np.asarray(points[:: max(1, len(points) // 200_000)], np.float64)
    extent = float(np.linalg.norm(np.ptp(subset, axis=0)))
    if not extent > 0.0:
        raise ScanUnfitError("All points of a scan fall on one spot; scan the panel again.")
    side = extent / 60.0
    i, j, k = np.floor((subset - subset.min(0)) / side).astype(np.int64).T
    cells = np.unique((i << 42) | (j << 21) | k)
    # A surface crosses about 1.5 cells for every cell-sized piece of it, whatever its tilt.
    area = len(cells) * side * side / 1.5
    return float(np.sqrt(area / len(points))), area


def thinning(count: int) -> slice:
    """Every so many-th point: more of them make means and rims no better, only slower."""
    return slice(None, None, max(1, count // MOST_POINTS))


def make_surfels(
    points: Array, normals: Array | None, cell_mm: float, *, with_beside: bool = False
) -> Surfels:
    """Average a cloud to cells and fit each its local quadratic.

    Parameters
    ----------
    points : (n, 3) mm, finite.
    normals : (n, 3) unit and pointing outwards, zero rows where unknown, or None.
    cell_mm : side of a cell.
    with_beside : whether to keep the scan points beside the rim.

    Raises
    ------
    ScanUnfitError where too few cells hold enough points.
    """
    owner, counts, means, normal_sums = _average(points, normals, cell_mm)
    every_mean = means
    enough = counts >= max(1.0, 0.12 * float(np.median(counts)))
    kept = _connected(means, enough, cell_mm)
    if kept.sum() < FEWEST_CELLS:
        raise ScanUnfitError(
            f"A scan gives only {int(kept.sum())} cells of {cell_mm:.3g} mm that hang together, "
            f"{FEWEST_CELLS} are needed to place it. Scan more of the panel, or check the units."
        )
    renumber = np.full(len(kept), -1, np.int64)
    renumber[kept] = np.arange(int(kept.sum()))
    means, counts, normal_sums = means[kept], counts[kept], normal_sums[kept]
    tree = cKDTree(means)
    gaps, near = tree.query(means, k=min(NEIGHBOURS, len(means)), workers=2)
    frames = _frames(means, near)
    oriented = normals is not None and bool(
        np.mean(np.linalg.norm(normal_sums, axis=1) > 0.3 * counts) > 0.8
    )
    if oriented:
        _flip(frames, np.einsum("nk,nk->n", frames[:, 2], normal_sums) < 0.0)
    patches = fit_patches(means, counts, near, frames)
    some = thinning(len(points))
    rim = find_rim(points[some], renumber[owner[some]], means, frames, (gaps, near), cell_mm)
    beside = near_rim(points, owner, every_mean, rim) if with_beside else np.empty((0, 3))
    weights = np.minimum(1.0, counts / np.median(counts))
    normals_out = frames[:, 2].copy()
    for array in (means, normals_out, weights, frames, patches, beside):
        array.setflags(write=False)
    radius = 0.5 * float(np.linalg.norm(np.ptp(means, axis=0)))
    return Surfels(
        means, normals_out, weights, frames, patches, tree, rim, beside, cell_mm, radius, oriented
    )


def _average(
    points: Array, normals: Array | None, cell_mm: float
) -> tuple[NDArray[np.int64], Array, Array, Array]:
    """The cell of every point and, by cell, its points' number, mean and sum of normals."""
    # Column by column: numpy is slow at the ends of rows of three.
    low = np.array([column.min() for column in points.T], np.float64) - 0.5 * cell_mm
    span = max(float(column.max()) - end for column, end in zip(points.T, low, strict=True))
    if span / cell_mm >= 2**21:
        raise ScanUnfitError(
            f"A scan spans {span / cell_mm:.3g} cells of {cell_mm:.3g} mm; a stray point lies far "
            "outside, or the units are wrong."
        )
    key = np.zeros(len(points), np.int64)
    for column, end in zip(points.T, low, strict=True):
        key = (key << 21) | ((column - end) / cell_mm).astype(np.int64)
    cells, first = np.unique(key, return_index=True)
    # Numbered as the scan comes to them, not along the axes: the first ones lie all over it.
    number = np.empty(len(cells), np.int64)
    number[np.argsort(first)] = np.arange(len(cells))
    owner = number[np.searchsorted(cells, key)]

    def sums(rows: Array) -> Array:
        return np.column_stack([np.bincount(owner, c, len(cells)) for c in rows.T])

    count = np.bincount(owner, minlength=len(cells)).astype(np.float64)
    means = sums(points - low) / count[:, None] + low
    return owner, count, means, np.zeros_like(means) if normals is None else sums(normals)


def _connected(means: Array, enough: NDArray[np.bool_], cell_mm: float) -> NDArray[np.bool_]:
    """Cells that have company: flying points make cells that stand alone."""
    kept = enough.copy()
    if enough.sum() > 6:
        good = means[enough]
        distance = cKDTree(good).query(good, k=6, workers=2)[0][:, -1]
        kept[enough] = distance < 3.0 * cell_mm
    return kept


def _frames(means: Array, near: NDArray[np.int64]) -> Array:
    """(n, 3, 3) rows e1, e2, n: principal directions of each neighbourhood."""
    local = means[near]
    local = local - local.mean(1, keepdims=True)
    vectors = np.linalg.eigh(local.transpose(0, 2, 1) @ local)[1]
    frames = vectors[:, :, ::-1].transpose(0, 2, 1).copy()
    # Right-handed, so that a flip of the normal keeps one rule for e1, e2.
    frames[:, 1] = np.cross(frames[:, 2], frames[:, 0])
    return np.asarray(frames)


def _flip(frames: Array, which: NDArray[np.bool_]) -> None:
    frames[which, 1:] *= -1.0


def reflected(surfels: Surfels, mirror: Array) -> Surfels:
    """The cells seen in a mirror, a 4x4 reflection; outward normals stay outward."""
    turn = mirror[:3, :3].T
    points = move(mirror, surfels.points)
    rim = surfels.rim
    return replace(
        surfels,
        points=points,
        normals=surfels.normals @ turn,
        frames=surfels.frames @ turn,
        tree=cKDTree(points),
        rim=Rim(move(mirror, rim.points), rim.outward @ turn, rim.normals @ turn),
        beside=move(mirror, surfels.beside),
    )


def scaled(surfels: Surfels, factor: float) -> Surfels:
    """The cells as a scan that is so many times larger would have them."""
    points = factor * surfels.points
    # h = c0 + c1 a + ... + c3 a a: a slope stays, a curvature shrinks.
    patches = surfels.patches * np.array([factor, 1.0, 1.0, *[1.0 / factor] * 3])
    rim = surfels.rim
    return replace(
        surfels,
        points=points,
        patches=patches,
        tree=cKDTree(points),
        rim=Rim(factor * rim.points, rim.outward, rim.normals),
        beside=factor * surfels.beside,
        cell_mm=factor * surfels.cell_mm,
        radius_mm=factor * surfels.radius_mm,
    )


def turned_over(surfels: Surfels) -> Surfels:
    """The same cells taken for the other side of the skin."""
    frames = surfels.frames.copy()
    frames[:, 2] *= -1.0
    rim = surfels.rim
    return replace(
        surfels,
        normals=-surfels.normals,
        frames=frames,
        patches=-surfels.patches,
        rim=Rim(rim.points, rim.outward, -rim.normals),
    )

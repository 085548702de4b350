"""How far apart the points of a scan lie."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from ..chunks import by_chunks

PATCHES = 24
POINTS_PER_CELL = 60
SAMPLE = 4_000
_TABLE_BITS = 16


def estimate_spacing(points: NDArray[np.floating]) -> float:
    """Median distance from a point to its nearest neighbour, in the units of `points`.

    Every point in and around a few cells picked at random (fixed seed) takes part, so the answer
    does not hang on how many points the scan has. Repeats do not count as neighbours.

    Parameters
    ----------
    points : (n, 3), finite.

    Returns
    -------
    NaN for fewer than two different points.
    """
    if len(points) <= 4 * PATCHES * POINTS_PER_CELL:
        whole = np.unique(np.asarray(points, np.float64), axis=0)
        return _median_nearest(whole, whole)
    rng = np.random.default_rng(0)
    base = points[0]
    side = _cell_side(points[rng.integers(0, len(points), SAMPLE)], len(points))
    if side <= 0:
        whole = np.unique(np.asarray(points, np.float64), axis=0)
        return _median_nearest(whole, whole)
    picked = np.unique(_cells(points[rng.integers(0, len(points), PATCHES)], base, side), axis=0)
    around = np.array(list(itertools.product((-1, 0, 1), repeat=3)), np.int32)
    wanted = np.zeros(1 << _TABLE_BITS, np.bool_)
    wanted[_slots((picked[:, None] + around).reshape(-1, 3))] = True

    def near(part: slice) -> NDArray[np.floating]:
        return points[part][wanted[_slots(_cells(points[part], base, side))]]

    patch = np.unique(np.concatenate(by_chunks(near, len(points))).astype(np.float64), axis=0)
    cells = _cells(patch, base.astype(np.float64), side)
    inner = (cells[:, None] == picked).all(axis=2).any(axis=1)
    return _median_nearest(patch, patch[inner])


def _cell_side(sample: NDArray[np.floating], count: int) -> float:
    """Side of a cube that holds about `POINTS_PER_CELL` of `count` points of a sheet."""
    centred = np.asarray(sample, np.float64) - np.median(sample, axis=0)
    turned = centred @ np.linalg.svd(centred, full_matrices=False)[2].T
    sides = np.sort(np.subtract(*np.percentile(turned, (99, 1), axis=0)))
    return float(np.sqrt(POINTS_PER_CELL * sides[2] * max(sides[1], sides[2] / 100) / count))


def _cells(
    points: NDArray[np.floating], base: NDArray[np.floating], side: float
) -> NDArray[np.int32]:
    cells = np.empty(points.shape, np.int32)
    # A point so far off that its cell overflows is lost to this estimate, which is no harm.
    with np.errstate(invalid="ignore", over="ignore"):
        for axis in range(3):
            off = (points[:, axis] - base[axis]) * base.dtype.type(1 / side)
            cells[:, axis] = np.floor(off)
    return cells


def _slots(cells: NDArray[np.int32]) -> NDArray[np.uint32]:
    """A place in a small table for each cell; cells that share one only add points to look at."""
    mixed = cells.view(np.uint32)
    key = mixed[:, 0] * np.uint32(0x9E3779B1)
    key ^= mixed[:, 1] * np.uint32(0x85EBCA77)
    key ^= mixed[:, 2] * np.uint32(0xC2B2AE3D)
    return np.asarray(key >> np.uint32(32 - _TABLE_BITS), np.uint32)


def _median_nearest(points: NDArray[np.float64], asked: NDArray[np.float64]) -> float:
    from scipy.spatial import cKDTree

    if len(points) < 2 or not len(asked):
        return float("nan")
    distances = cKDTree(points).query(asked, k=2)[0]
    return float(np.median(distances[:, 1]))

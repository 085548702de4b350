"""Exact repeats among millions of points, found by sorting one number per point."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..chunks import by_chunks

# Odd multipliers with well mixed bits (the 64-bit finaliser constants of splitmix64, Steele,
# Lea & Flood 2014), so that equal numbers nearly always mean equal points; it is checked.
_FACTORS = (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB)
# Beyond one repeat in so many points it is cheaper to look at all of them.
MANY = 50


def first_of_each(points: NDArray[np.floating]) -> NDArray[np.bool_]:
    """True for every row that is not an exact repeat of an earlier row.

    Parameters
    ----------
    points : (n, 3) float32 or float64, finite. 0.0 and -0.0 are the same.
    """
    first = np.ones(len(points), np.bool_)
    ordered = _keys(points)
    ordered.sort()
    shared = ordered[1:][ordered[1:] == ordered[:-1]]
    if not len(shared):
        return first
    keys = _keys(points)
    rows = _rows_with(keys, np.unique(shared))
    # Adding zero turns -0.0 into 0.0.
    suspects = points[rows] + np.zeros(1, points.dtype)
    first[rows[_repeats(suspects, keys[rows])]] = False
    return first


def _repeats(points: NDArray[np.floating], keys: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Places of the rows that equal an earlier one; equal rows have equal keys."""
    order = np.argsort(keys)
    starts = np.flatnonzero(np.r_[True, keys[order[1:]] != keys[order[:-1]]])
    runs = np.diff(np.r_[starts, len(order)])
    earliest = np.repeat(np.minimum.reduceat(order, starts), runs)
    same = np.ones(len(order), np.bool_)
    for column in points.T:
        same &= column[order] == column[earliest]
    mixed = np.repeat(~np.logical_and.reduceat(same, starts), runs)
    found: NDArray[np.int64] = order[(order != earliest) & ~mixed]
    if not mixed.any():
        return found
    # Different points by chance share a key: compare those few in full.
    rows = np.sort(order[mixed])
    ranked = rows[np.lexsort((rows, *points[rows].T))]
    equal = np.all(points[ranked[1:]] == points[ranked[:-1]], axis=1)
    return np.concatenate([found, ranked[1:][equal]])


def _keys(points: NDArray[np.floating]) -> NDArray[np.uint64]:
    keys = np.empty(len(points), np.uint64)
    bits = np.uint32 if points.dtype == np.float32 else np.uint64

    def work(part: slice) -> None:
        # Adding zero turns -0.0 into 0.0.
        some = points[part] + np.zeros(1, points.dtype)
        key = np.zeros(len(some), np.uint64)
        for i, factor in enumerate(_FACTORS):
            key ^= np.ascontiguousarray(some[:, i]).view(bits)
            key *= np.uint64(factor)
            key ^= key >> np.uint64(29)
        keys[part] = key

    by_chunks(work, len(points))
    return keys


def _rows_with(keys: NDArray[np.uint64], wanted: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Rows whose key is among the sorted `wanted`, through a table of their low bits first."""
    if len(wanted) > len(keys) // MANY:
        return np.arange(len(keys))
    bits = np.uint64((1 << max(len(wanted).bit_length() + 3, 8)) - 1)
    table = np.zeros(int(bits) + 1, np.bool_)
    table[wanted & bits] = True
    rows = np.flatnonzero(table[keys & bits])
    near = np.minimum(np.searchsorted(wanted, keys[rows]), len(wanted) - 1)
    found: NDArray[np.int64] = rows[wanted[near] == keys[rows]]
    return found

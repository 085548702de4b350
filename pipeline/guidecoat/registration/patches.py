"""Local quadratics of averaged cells: each fitted to its neighbours, robustly, in its own frame."""

from __future__ import annotations

from itertools import pairwise

import numba
import numpy as np
from numpy.typing import NDArray

from ..chunks import THREADS, in_threads

Array = NDArray[np.float64]


def fit_patches(means: Array, counts: Array, near: NDArray[np.int64], frames: Array) -> Array:
    """(n, 6) quadratic coefficients h = c0 + c1 a + c2 b + c3 a a + c4 a b + c5 b b.

    Weighted least squares with one robust pass; then each of the (n, 3, 3) frames is turned, in
    place, onto the fitted slope and the fit is made anew, so that c1 = c2 = 0 nearly.

    Parameters
    ----------
    means, counts : (n, 3) cells and (n,) how many points each averages.
    near : (n, k) neighbours of each cell.
    """
    patches = np.empty((len(means), 6))
    ends = np.linspace(0, len(means), THREADS + 1).astype(np.int64)
    in_threads(lambda part: _fit_cells(means, counts, near, frames, patches, *part), pairwise(ends))
    return patches


@numba.njit(cache=True, nogil=True)
def _fit_cells(means, counts, near, frames, patches, begin, end):  # type: ignore[no-untyped-def]
    count = near.shape[1]
    basis = np.empty((count, 6))
    height = np.empty(count)
    weight = np.empty(count)
    residual, ordered = np.empty(count), np.empty(count)
    left = np.empty((6, 6))
    found = np.empty(6)
    for cell in range(begin, end):
        frame = frames[cell]
        for turn in range(2):
            scale = _basis(means, counts, near[cell], cell, frame, basis, height, weight)
            for again in range(2):
                _solve(basis, height, weight, left, found)
                if again:
                    break
                for k in range(count):
                    value = height[k]
                    for c in range(6):
                        value -= basis[k, c] * found[c]
                    residual[k] = abs(value)
                cut = 8.0 * _middle(residual, ordered) + 2e-6
                for k in range(count):
                    weight[k] *= max(1.0 - (residual[k] / cut) ** 2, 0.02) ** 2
            for c in range(6):
                power = scale * scale if c > 2 else scale if c > 0 else 1.0
                patches[cell, c] = found[c] / power
            if turn == 0:
                _tilt(frame, patches[cell])


@numba.njit(cache=True, nogil=True)
def _middle(values, ordered):  # type: ignore[no-untyped-def]
    """Median of a few values, put in order in `ordered`."""
    for k in range(len(values)):
        at = k
        while at > 0 and ordered[at - 1] > values[k]:
            ordered[at] = ordered[at - 1]
            at -= 1
        ordered[at] = values[k]
    half = len(values) // 2
    return ordered[half] if len(values) % 2 else 0.5 * (ordered[half - 1] + ordered[half])


@numba.njit(cache=True, nogil=True)
def _basis(means, counts, near, cell, frame, basis, height, weight):  # type: ignore[no-untyped-def]
    """Fill rows 1, a, b, aa, ab, bb in units of the farthest neighbour; returns that, mm."""
    scale = 0.0
    for k in range(len(near)):
        for row in range(3):
            value = 0.0
            for i in range(3):
                value += frame[row, i] * (means[near[k], i] - means[cell, i])
            if row < 2:
                basis[k, 1 + row] = value
            else:
                height[k] = value
        scale = max(scale, np.hypot(basis[k, 1], basis[k, 2]))
    scale += 1e-9
    for k in range(len(near)):
        a, b = basis[k, 1] / scale, basis[k, 2] / scale
        basis[k, 0], basis[k, 1], basis[k, 2] = 1.0, a, b
        basis[k, 3], basis[k, 4], basis[k, 5] = a * a, a * b, b * b
        weight[k] = counts[near[k]] * (1.0 - 0.64 * (a * a + b * b)) ** 2
    return scale


@numba.njit(cache=True, nogil=True)
def _solve(basis, height, weight, left, found):  # type: ignore[no-untyped-def]
    """Weighted least squares, a millionth of the mean of the diagonal added to it."""
    for i in range(6):
        found[i] = 0.0
        for j in range(i + 1):
            left[i, j] = 0.0
    for k in range(len(height)):
        for i in range(6):
            part = weight[k] * basis[k, i]
            found[i] += part * height[k]
            for j in range(i + 1):
                left[i, j] += part * basis[k, j]
    trace = 0.0
    for i in range(6):
        trace += left[i, i]
    for i in range(6):
        left[i, i] += 1e-6 * trace / 6.0
    _cholesky(left, found)


@numba.njit(cache=True, nogil=True)
def _cholesky(left, found):  # type: ignore[no-untyped-def]
    """Solve in place; only the lower half of `left` is read, its factor is left there."""
    for i in range(6):
        for j in range(i + 1):
            value = left[i, j]
            for k in range(j):
                value -= left[i, k] * left[j, k]
            left[i, j] = np.sqrt(value) if i == j else value / left[j, j]
    for i in range(6):
        for k in range(i):
            found[i] -= left[i, k] * found[k]
        found[i] /= left[i, i]
    for i in range(5, -1, -1):
        for k in range(i + 1, 6):
            found[i] -= left[k, i] * found[k]
        found[i] /= left[i, i]


@numba.njit(cache=True, nogil=True)
def _tilt(frame, patch):  # type: ignore[no-untyped-def]
    """Turn a frame so that its normal is the fitted patch's normal at the centre."""
    square, along = 0.0, 0.0
    for i in range(3):
        frame[2, i] -= patch[1] * frame[0, i] + patch[2] * frame[1, i]
        square += frame[2, i] ** 2
    for i in range(3):
        frame[2, i] /= np.sqrt(square)
        along += frame[0, i] * frame[2, i]
    square = 0.0
    for i in range(3):
        frame[0, i] -= along * frame[2, i]
        square += frame[0, i] ** 2
    for i in range(3):
        frame[0, i] /= np.sqrt(square)
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        frame[1, i] = frame[2, j] * frame[0, k] - frame[2, k] * frame[0, j]

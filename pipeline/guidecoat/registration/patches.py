"""Local quadratics of averaged cells: each fitted to its neighbours, robustly, in its own frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..chunks import chunks_of, in_threads

Array = NDArray[np.float64]

# Cells worked on at once: their neighbours' terms stay in the processor's cache.
_AT_ONCE = 1024
# Beyond so many medians of what is left a neighbour counts for the least share, squared; the floor,
# mm, is for neighbours that leave next to nothing.
_CUT, _LEAST_CUT_MM = 8.0, 2e-6
_LEAST_SHARE = 0.02
# What the farthest neighbour loses of its weight, before the square.
_FADE = 0.64
# Added to the diagonal, of its mean: neighbours along a line leave some of the terms open.
_RIDGE = 1e-6


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

    def work(part: slice) -> None:
        away = means[near[part]] - means[part, None]
        count = counts[near[part]]
        _tilt(frames[part], _fit(away, count, frames[part]))
        patches[part] = _fit(away, count, frames[part])

    in_threads(work, chunks_of(len(means), _AT_ONCE))
    return patches


def _fit(away: Array, count: Array, frames: Array) -> Array:
    """(m, 6) quadratics through (m, k, 3) neighbours, as seen from the cells, in the frames."""
    a, b, height = np.moveaxis(away @ frames.transpose(0, 2, 1), 2, 0)
    scale = np.hypot(a, b).max(axis=1, keepdims=True) + 1e-9
    a, b = a / scale, b / scale
    basis = np.stack([np.ones_like(a), a, b, a * a, a * b, b * b], axis=2)
    weight = count * (1.0 - _FADE * (a * a + b * b)) ** 2
    left = np.abs(height - _seen(basis, _least_squares(basis, height, weight)))
    cut = _CUT * np.median(left, axis=1, keepdims=True) + _LEAST_CUT_MM
    weight *= np.maximum(1.0 - (left / cut) ** 2, _LEAST_SHARE) ** 2
    return _least_squares(basis, height, weight) / scale ** np.array([0, 1, 1, 2, 2, 2])


def _seen(basis: Array, found: Array) -> Array:
    return np.asarray((basis @ found[:, :, None])[:, :, 0])


def _least_squares(basis: Array, height: Array, weight: Array) -> Array:
    weighted = (basis * weight[:, :, None]).transpose(0, 2, 1)
    normal = weighted @ basis
    mean = np.trace(normal, axis1=1, axis2=2) / normal.shape[1]
    normal += _RIDGE * mean[:, None, None] * np.eye(normal.shape[1])
    return np.asarray(np.linalg.solve(normal, weighted @ height[:, :, None])[:, :, 0], np.float64)


def _tilt(frames: Array, patches: Array) -> None:
    """Turn frames, in place, so that their normals are the fitted patches' at the cells."""
    normal = frames[:, 2] - patches[:, 1, None] * frames[:, 0] - patches[:, 2, None] * frames[:, 1]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    first = frames[:, 0] - (frames[:, 0] * normal).sum(axis=1, keepdims=True) * normal
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    frames[:] = np.stack([first, np.cross(normal, first), normal], axis=1)

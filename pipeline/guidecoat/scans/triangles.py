"""Triangles of a thinned mesh, filled with points: they say more than their vertices do.

Programs that thin a mesh leave few vertices where a skin is nearly flat and many where it bends.
Cells must be wide for the few, and then draw a small mark among the many badly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Of the usual leg, and in mm: longer triangles are large. The longest sides of an even mesh are 1.4
# legs, those between points at random mostly under 2.5.
_LARGE_LEGS = 2.5
_LARGE_MM = 5.0
# A mesh is filled when so much of its area lies in large triangles (choice; thinned ones 0.4 to 1).
_MUCH = 0.25
# Longer ones may bridge an opening (choice).
_LONGEST_MM = 60.0
# Between points that are filled in; farther apart on a large panel, to be so many at most.
_APART_MM = 1.5
_MOST = 2_000_000
# Martin Roberts' R2 sequence: fractional parts of multiples of 1 / g and 1 / g^2, g^3 = g + 1.
_STEPS = np.array([0.7548776662466927, 0.5698402909980532])


def fill_triangles(
    points_mm: NDArray[np.float32], faces: NDArray[np.int32] | None
) -> NDArray[np.float32]:
    """(k, 3) float32 points spread evenly over the triangles of a mesh that was thinned, else none.

    Parameters
    ----------
    points_mm : (n, 3) vertices, NaN rows where they are not known.
    faces : (m, 3) vertex indices, or None.
    """
    nothing = np.zeros((0, 3), np.float32)
    if faces is None or not len(faces):
        return nothing
    area, longest = _sizes(points_mm, faces)
    whole = float(area.sum())
    if whole == 0.0:
        return nothing
    leg = np.sqrt(2.0 * whole / np.count_nonzero(area))
    large = longest > max(_LARGE_LEGS * leg, _LARGE_MM)
    if area[large].sum() < _MUCH * whole:
        return nothing
    rows = np.flatnonzero(longest <= _LONGEST_MM)
    apart = max(_APART_MM, float(np.sqrt(area[rows].sum() / _MOST)))
    # What is short of a point in one triangle is carried over to the next.
    count = np.diff(np.floor(np.cumsum(area[rows] / apart**2)), prepend=0.0).astype(np.int64)
    face = faces[np.repeat(rows, count)]
    number = np.arange(len(face)) - np.repeat(np.cumsum(count) - count, count)
    share = np.mod(0.5 + (number[:, None] + 1) * _STEPS, 1.0)
    # The other half of the square, folded back onto the triangle.
    beyond = share.sum(axis=1) > 1.0
    share[beyond] = 1.0 - share[beyond]
    a, b, c = (points_mm[face[:, k]].astype(np.float64) for k in range(3))
    return (a + share[:, :1] * (b - a) + share[:, 1:] * (c - a)).astype(np.float32)


def _sizes(points_mm: NDArray[np.float32], faces: NDArray[np.int32]) -> tuple[Floats, Floats]:
    """(m,) area and longest side of every triangle, 0 where a vertex is not known."""
    a, b, c = (points_mm[faces[:, k]].astype(np.float64) for k in range(3))
    ab, bc, ca = b - a, c - b, a - c
    area = 0.5 * np.linalg.norm(np.cross(ab, ca), axis=1)
    longest = np.sqrt(np.max([np.einsum("ij,ij->i", s, s) for s in (ab, bc, ca)], axis=0))
    return np.nan_to_num(area), np.nan_to_num(longest)

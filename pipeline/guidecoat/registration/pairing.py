"""Distances from moved cells and rim points of one scan to the surface of the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .rims import Rim
from .surfels import Surfels

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Pairs:
    """Readings of points against a surface or a rim, n of them.

    `residual` (n,) mm, signed along `direction` (n, 3); `beside` (n,) mm, how far to the side
    the counterpart lies; `facing` (n,) cosine between the two normals (or outward directions).
    """

    residual: Array
    direction: Array
    beside: Array
    facing: Array


def nearest(tree: cKDTree, points: Array, *, within_mm: float = np.inf) -> NDArray[np.int64]:
    """(n,) index of the nearest of the tree's points; of any where none is within reach.

    Looking on for the nearest of what is far from all takes longest and tells nothing.
    """
    # Starting threads costs more than they save on a few thousand points.
    workers = 2 if len(points) > 20_000 else 1
    found = tree.query(points, distance_upper_bound=within_mm, workers=workers)[1]
    return np.minimum(np.asarray(found, np.int64), tree.n - 1)


def against_surface(target: Surfels, points: Array, normals: Array, at: NDArray[np.int64]) -> Pairs:
    """Signed distance of (n, 3) points from the local quadratics of the cells `at`.

    First order in the slope: r = (h - q(a, b)) / sqrt(1 + |grad q|^2).
    """
    frames, c = target.frames[at], target.patches[at]
    local = np.einsum("nij,nj->ni", frames, points - target.points[at])
    beside = np.hypot(local[:, 0], local[:, 1])
    # Beyond its neighbours a quadratic is a guess: outside it goes on as the clipped point's.
    shrink = np.minimum(1.0, 2.5 * target.cell_mm / (beside + 1e-12))
    a, b = local[:, 0] * shrink, local[:, 1] * shrink
    height = c[:, 0] + c[:, 1] * a + c[:, 2] * b + c[:, 3] * a * a + c[:, 4] * a * b
    height += c[:, 5] * b * b
    slope_a = c[:, 1] + 2.0 * c[:, 3] * a + c[:, 4] * b
    slope_b = c[:, 2] + c[:, 4] * a + 2.0 * c[:, 5] * b
    direction = frames[:, 2] - slope_a[:, None] * frames[:, 0] - slope_b[:, None] * frames[:, 1]
    length = np.sqrt(1.0 + slope_a**2 + slope_b**2)
    direction = direction / length[:, None]
    facing = np.einsum("nk,nk->n", direction, normals)
    return Pairs((local[:, 2] - height) / length, direction, beside, facing)


def against_rim(
    target: Rim, points: Array, outward: Array, normals: Array, at: NDArray[np.int64]
) -> Pairs:
    """Distance of (n, 3) rim points from the edge lines of the other rim, along its outward."""
    step = points - target.points[at]
    direction = target.outward[at]
    residual = np.einsum("nk,nk->n", step, direction)
    up = np.abs(np.einsum("nk,nk->n", step, target.normals[at]))
    along = step - residual[:, None] * direction
    along = np.linalg.norm(along, axis=1)
    facing = np.einsum("nk,nk->n", direction, outward)
    flat = np.abs(np.einsum("nk,nk->n", target.normals[at], normals))
    return Pairs(residual, direction, np.maximum(along, up), np.minimum(facing, flat))


def seen_alike(
    residual: Array, direction: Array, at: NDArray[np.int64] | slice, near: NDArray[np.int64]
) -> Array:
    """(m, k) residuals of the neighbours `near` of m cells `at`, signed along each one's direction.

    Without known outsides neighbours may look to either side of the skin, and the residuals of a
    scan that stands off evenly change sign from one to the next.
    """
    same = np.einsum("mk,mjk->mj", direction[at], direction[near])
    return np.asarray(np.where(same < 0.0, -1.0, 1.0) * residual[near])


def facing_right(pairs: Pairs, oriented: bool, least: float) -> NDArray[np.bool_]:
    """Pairs whose skins look the same way; without known outsides either way will do."""
    return np.asarray((pairs.facing if oriented else np.abs(pairs.facing)) > least)

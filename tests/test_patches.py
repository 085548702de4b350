"""Local quadratics of averaged cells against surfaces whose quadratics are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from guidecoat.registration.patches import fit_patches
from guidecoat.registration.surfels import make_surfels

Array = NDArray[np.float64]
NEAR = 24


def on_a_grid(height: Array | float = 0.0) -> tuple[Array, NDArray[np.int64]]:
    """(n, 3) cells 4 mm apart, and their nearest neighbours."""
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0.0, 80.0, 4.0), np.arange(0.0, 60.0, 4.0)))
    means = np.column_stack([x, y, np.broadcast_to(height, x.shape)])
    return means, np.asarray(cKDTree(means[:, :2]).query(means[:, :2], NEAR)[1], np.int64)


def tilted(angle: float) -> Array:
    """(3, 3) rows of a frame that leans by an angle about the y axis."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])


@pytest.mark.parametrize("lean", [0.0, 0.2, -0.4])
def test_a_plane_is_found_flat_from_any_frame(lean: float) -> None:
    means, near = on_a_grid()
    means = means @ tilted(0.3)
    frames = np.broadcast_to(tilted(0.3 + lean), (len(means), 3, 3)).copy()
    patches = fit_patches(means, np.full(len(means), 9.0), near, frames)
    np.testing.assert_allclose(np.abs(frames[:, 2] @ tilted(0.3)[2]), 1.0, atol=1e-9)
    # A millionth of the diagonal's mean, against a slope's own entry of a tenth of that, leaves
    # so much of the lean.
    np.testing.assert_allclose(patches, 0.0, atol=1e-5 * max(1.0, 10.0 * abs(np.tan(lean))))
    product = frames @ frames.transpose(0, 2, 1)
    np.testing.assert_allclose(product, np.broadcast_to(np.eye(3), product.shape), atol=1e-12)


def test_curvatures_of_a_cylinder_and_what_a_wild_neighbour_may_not_do() -> None:
    radius = 150.0
    means, near = on_a_grid()
    means[:, 2] = np.sqrt(radius**2 - (means[:, 0] - 40.0) ** 2) - radius
    counts = np.full(len(means), 9.0)
    frames = np.broadcast_to(np.eye(3), (len(means), 3, 3)).copy()
    sound = fit_patches(means, counts, near, frames.copy())
    inner = (np.abs(means[:, 0] - 40.0) < 24.0) & (np.abs(means[:, 1] - 28.0) < 16.0)
    # h = -(1 / 2R) a^2 in the tangent's frame; its fourth order is what is left.
    np.testing.assert_allclose(sound[inner, 3], -0.5 / radius, rtol=5e-3)
    np.testing.assert_allclose(sound[inner, 5], 0.0, atol=2e-5)
    wild = int(np.flatnonzero(inner)[len(means[inner]) // 2])
    means[wild, 2] += 3.0
    shaken = fit_patches(means, counts, near, frames.copy())
    beside = [k for k in near[wild][1:9] if inner[k]]
    np.testing.assert_allclose(shaken[beside, 0], sound[beside, 0], atol=0.03)


def test_cells_average_the_points_and_normals_in_them() -> None:
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(0.0, 120.0, (20_000, 2)), np.zeros(20_000)])
    points[:, 2] = 0.01 * points[:, 0]
    normals = np.broadcast_to([0.0, 0.0, 1.0], points.shape)
    surfels = make_surfels(points, normals, 6.0)
    assert surfels.oriented
    corner = points.min(axis=0) - 3.0
    cell = np.floor((points - corner) / 6.0).astype(int)
    named = {
        tuple(c): points[(cell == c).all(axis=1)].mean(axis=0) for c in np.unique(cell, axis=0)
    }
    found = {tuple(np.floor((p - corner) / 6.0).astype(int)): p for p in surfels.points}
    assert len(found) == len(surfels.points) > 0.8 * len(named)
    for key, middle in found.items():
        np.testing.assert_allclose(middle, named[key], atol=1e-9)

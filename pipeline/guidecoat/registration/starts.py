"""Where to begin: as the scans lie, principal frames turned and shifted, matched features."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree

from ..open3d_loader import load_open3d
from .coarse import thin
from .rigid import compose
from .surfels import Surfels

Array = NDArray[np.float64]
FEATURE_CELLS = 2_500
TRIPLETS = 60_000
TURNS = 16


@dataclass(frozen=True, eq=False)
class Starts:
    """(s, 4, 4) motions T_target_source and where each came from."""

    motions: Array
    origins: list[str]


def as_they_lie() -> Starts:
    """The scans' own frames."""
    return Starts(np.eye(4)[None], ["as scanned"])


def from_frames(source: Surfels, target: Surfels) -> Starts:
    """Principal frames on each other, turned about the panel's normal and shifted along it.

    Proper rotations only. Where the outside of both scans is known, the sides are matched.
    """
    middle_s, axes_s, size_s = _principal(source)
    middle_t, axes_t, size_t = _principal(target)
    sides = (1.0,) if source.oriented and target.oriented else (1.0, -1.0)
    slack = 0.5 * np.abs(size_t - size_s) + 0.2 * np.minimum(size_s, size_t)
    shifts = [
        i * slack[0] * axes_t[0] + j * slack[1] * axes_t[1]
        for i, j in [*product((-1.0, 0.0, 1.0), repeat=2), (2, 0), (-2, 0), (0, 2), (0, -2)]
    ]
    motions, origins = [], []
    for side in sides:
        for k in range(TURNS):
            angle = 2.0 * np.pi * k / TURNS
            c, s = np.cos(angle), np.sin(angle)
            # Rows of `turned`: the target axes on which the source's axes come to lie.
            turned = np.array([c * axes_t[0] + s * axes_t[1], np.zeros(3), side * axes_t[2]])
            turned[1] = np.cross(turned[2], turned[0])
            rotation = turned.T @ axes_s
            for shift in shifts:
                motions.append(compose(rotation, middle_t + shift - rotation @ middle_s))
                origins.append("principal axes" if k % (TURNS // 2) == 0 else "turned axes")
    return Starts(np.stack(motions), origins)


def _principal(surfels: Surfels) -> tuple[Array, Array, Array]:
    """Middle, right-handed axes as rows (long, short, normal) and extents along them."""
    points = surfels.points
    local = points - points.mean(0)
    axes = np.linalg.eigh(local.T @ local)[1].T[::-1].copy()
    if surfels.oriented and axes[2] @ surfels.normals.mean(0) < 0.0:
        axes[2] *= -1.0
    axes[1] = np.cross(axes[2], axes[0])
    along = local @ axes.T
    low, high = along.min(0), along.max(0)
    return points.mean(0) + 0.5 * (low + high) @ axes, axes, high - low


def from_features(source: Surfels, target: Surfels, *, seed: int) -> Starts:
    """Poses that many matched point features agree on.

    Fast point feature histograms (Rusu, Blodow & Beetz 2009, ICRA), mutual nearest
    neighbours, triplets that keep their side lengths.
    """
    side = 1.0 * max(source.radius_mm, target.radius_mm) / 28.0
    motions: list[Array] = []
    known = source.oriented and target.oriented
    points_t, normals_t = _feature_points(target)
    points_s, normals_s = _feature_points(source)
    features_t = _features(points_t, normals_t, side)
    tree_t = cKDTree(features_t)
    for sign in (1.0,) if known else (1.0, -1.0):
        features_s = _features(points_s, sign * normals_s, side)
        to_t = tree_t.query(features_s, workers=2)[1]
        to_s = cKDTree(features_s).query(features_t, workers=2)[1]
        mutual = np.flatnonzero(to_s[to_t] == np.arange(len(points_s)))
        motions += _agreed(points_s[mutual], points_t[to_t[mutual]], 1.2 * side, seed)
    return Starts(
        np.stack(motions) if motions else np.empty((0, 4, 4)), ["features"] * len(motions)
    )


def _feature_points(surfels: Surfels) -> tuple[Array, Array]:
    at = thin(surfels.points, FEATURE_CELLS)
    points, normals = surfels.points[at], surfels.normals[at]
    return points, normals if surfels.oriented else _one_side(points, normals)


def _one_side(points: Array, normals: Array) -> Array:
    """Normals made to agree with their neighbours, along a minimum spanning tree."""
    near = cKDTree(points).query(points, k=min(9, len(points)))[1][:, 1:]
    rows = np.repeat(np.arange(len(points)), near.shape[1])
    columns = near.ravel()
    cost = 1.001 - np.abs(np.einsum("nk,nk->n", normals[rows], normals[columns]))
    graph = coo_matrix((cost, (rows, columns)), shape=(len(points),) * 2).tocsr()
    tree = minimum_spanning_tree(graph.maximum(graph.T))
    turned = normals.copy()
    parts, label = connected_components(tree, directed=False)
    for part in range(parts):
        root = int(np.flatnonzero(label == part)[0])
        order, before = breadth_first_order(tree, root, directed=False)
        for i in order[1:]:
            if turned[i] @ turned[before[i]] < 0.0:
                turned[i] = -turned[i]
    return np.asarray(turned)


def _features(points: Array, normals: Array, side: float) -> Array:
    o3d = load_open3d()
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    cloud.normals = o3d.utility.Vector3dVector(normals)
    search = o3d.geometry.KDTreeSearchParamHybrid(radius=6.0 * side, max_nn=120)
    found = o3d.pipelines.registration.compute_fpfh_feature(cloud, search)
    return np.asarray(found.data).T.copy()


def _agreed(a: Array, b: Array, near_mm: float, seed: int) -> list[Array]:
    """Up to 24 motions a -> b with the most matches within `near_mm`, best first."""
    if len(a) < 3:
        return []
    generator = np.random.default_rng(seed)
    pick = generator.integers(0, len(a), (TRIPLETS, 3))
    sides_a = np.linalg.norm(a[pick] - a[np.roll(pick, 1, axis=1)], axis=2)
    sides_b = np.linalg.norm(b[pick] - b[np.roll(pick, 1, axis=1)], axis=2)
    alike = (np.abs(sides_a - sides_b).max(1) < near_mm) & (sides_a.min(1) > 6.0 * near_mm)
    pick = pick[alike][:1_500]
    if len(pick) == 0:
        return []
    motions = _fits(a[pick], b[pick])
    moved = a @ motions[:, :3, :3].transpose(0, 2, 1) + motions[:, None, :3, 3]
    votes = (np.linalg.norm(moved - b, axis=2) < 1.5 * near_mm).sum(1)
    best: list[Array] = []
    corners = np.array([a.min(0), a.max(0), a.mean(0)])
    for i in np.argsort(-votes, kind="stable")[:300]:
        place = corners @ motions[i, :3, :3].T + motions[i, :3, 3]
        if all(
            np.abs(place - (corners @ m[:3, :3].T + m[:3, 3])).max() > 3.0 * near_mm for m in best
        ):
            best.append(motions[i])
        if len(best) == 24:
            break
    return best


def _fits(a: Array, b: Array) -> Array:
    """(s, 4, 4) least-squares motions of (s, 3, 3) triplets, proper rotations."""
    middle_a, middle_b = a.mean(1, keepdims=True), b.mean(1, keepdims=True)
    u, _, vt = np.linalg.svd((b - middle_b).transpose(0, 2, 1) @ (a - middle_a))
    u[:, :, 2] *= np.where(np.linalg.det(u @ vt) < 0.0, -1.0, 1.0)[:, None]
    motions = np.tile(np.eye(4), (len(a), 1, 1))
    motions[:, :3, :3] = u @ vt
    motions[:, :3, 3] = (middle_b - middle_a @ motions[:, :3, :3].transpose(0, 2, 1))[:, 0]
    return np.asarray(motions)

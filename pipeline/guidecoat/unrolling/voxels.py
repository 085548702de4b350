"""A coarse look at a scan in space: small cubes with a mean, a normal and their neighbours.

Only the chart and the survey look at voxels; everything after works on cells of the chart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from ..chunks import by_chunks, summed

Floats = NDArray[np.float64]
_ALONG = 160
_MOST_VOXELS = 2e7
_LEAST_POINTS, _WISHED_POINTS = 15.0, 25.0
# An evenly scanned oblong reaches 1.7 times its spread.
_FAR_OFF = 4.0
_NEARLY_ALL, _ROUND_THE_REST = 0.95, 1.5
_MOSTLY_ALONE = 0.5
_SHIFTS = np.array([(i, j, k) for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1)])


@dataclass(frozen=True, eq=False)
class Voxels:
    """Occupied voxels in the scan's principal frame.

    rotation : (3, 3) rows are the principal axes, origin_mm : (3,) the mean, local mm;
    size_mm : side; spacing_mm : side of the square one point stands for, roughly;
    key : (k, 3) int lattice position; centre_mm : (k, 3) mean of the points in the scan's frame;
    normal : (k, 3) unit, consistent between neighbours, sign free;
    thickness_mm : (k,) scatter along the normal; count : (k,) points;
    lookup : lattice of voxel numbers, -1 where empty; low : (3,) its first key.
    neighbours : (e, 2) pairs of touching voxels.
    """

    rotation: Floats
    origin_mm: Floats
    size_mm: float
    spacing_mm: float
    key: NDArray[np.int64]
    centre_mm: Floats
    normal: Floats
    thickness_mm: Floats
    count: NDArray[np.int64]
    lookup: NDArray[np.int32]
    low: NDArray[np.int64]
    neighbours: NDArray[np.int64]

    def number(self, points_mm: NDArray[np.float32]) -> NDArray[np.int32]:
        """(n,) voxel number of every point, -1 for NaN rows or places outside."""
        shape = np.array(self.lookup.shape)[:, None]
        points = points_mm.astype(np.float64).T
        with np.errstate(invalid="ignore"):
            _, cube = _in_cubes(points, self.rotation, self.origin_mm, self.size_mm)
            key = cube - self.low[:, None]
            inside = ((key >= 0) & (key < shape)).all(axis=0)
        i, j, k = np.where(inside, key, 0.0).astype(np.intp)
        return np.where(inside, self.lookup[i, j, k], np.int32(-1))


def _in_cubes(
    points_mm: Floats, rotation: Floats, origin_mm: Floats, size_mm: float
) -> tuple[Floats, Floats]:
    """(3, m) points turned to the principal axes, and the numbers of their cubes along these."""
    turned = rotation @ points_mm - (rotation @ origin_mm)[:, None]
    return turned, np.floor(turned / size_mm)


@dataclass(frozen=True, eq=False)
class _Lattice:
    """Cubes of a size along the principal axes, `half` (3,) of them to either side of the mean."""

    rotation: Floats
    origin_mm: Floats
    size_mm: float
    half: NDArray[np.int64]

    def place(self, points_mm: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """(3, m) places of (3, m) points in their cubes, from the middle; the cubes' numbers."""
        turned, key = _in_cubes(points_mm, self.rotation, self.origin_mm, self.size_mm)
        turned -= (key + 0.5) * self.size_mm
        i, j, k = (key + self.half[:, None]).astype(np.int64)
        _, wide, high = 2 * self.half
        return turned, (i * wide + j) * high + k


def _count(
    points_mm: NDArray[np.float32], usable: NDArray[np.bool_], lattice: _Lattice
) -> NDArray[np.int64]:
    """Usable points in every cube of the lattice."""
    cubes = int(np.prod(2 * lattice.half))

    def add(count: NDArray[np.int64], part: slice) -> None:
        np.add.at(count, lattice.place(_used(points_mm, usable, part))[1], 1)

    count = summed(add, len(points_mm), lambda: np.zeros(cubes, np.int64))
    return count.reshape(2 * lattice.half)


def _moments(
    points_mm: NDArray[np.float32],
    usable: NDArray[np.bool_],
    lattice: _Lattice,
    lookup: NDArray[np.int32],
) -> Floats:
    """(k, 9) sums of x, y, z, xx, yx, yy, zx, zy, zz about the middle of every voxel; lookup : the
    cubes' voxels.
    """
    voxels = int(lookup.max()) + 1

    def add(sums: Floats, part: slice) -> None:
        (x, y, z), cube = lattice.place(_used(points_mm, usable, part))
        terms = np.column_stack([x, y, z, x * x, y * x, y * y, z * x, z * y, z * z])
        owner = lookup.ravel()[cube]
        # One entry a column: the product adds every point's terms to its voxel's.
        entries = (np.ones(len(owner)), owner, np.arange(len(owner) + 1))
        sums += sparse.csc_array(entries, shape=(voxels, len(owner))) @ terms

    return summed(add, len(points_mm), lambda: np.zeros((voxels, 9)))


def principal_frame(
    points_mm: NDArray[np.float32], usable: NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats]:
    """Mean (3,), principal axes (3, 3), longest first, and spread (3,) along them."""

    def sums(part: slice) -> tuple[Floats, Floats, int]:
        q = _used(points_mm, usable, part)
        return q.sum(axis=1), q @ q.T, q.shape[1]

    parts = by_chunks(sums, len(points_mm))
    n = sum(part[2] for part in parts)
    mean = np.sum([part[0] for part in parts], axis=0) / n
    second = np.sum([part[1] for part in parts], axis=0) / n
    squares, axes = np.linalg.eigh(second - np.outer(mean, mean))
    return mean, axes.T[::-1].copy(), np.sqrt(np.maximum(squares[::-1], 0.0))


def _used(points_mm: NDArray[np.float32], usable: NDArray[np.bool_], part: slice) -> Floats:
    """(3, m) usable points of a part; nearly always that is all of them."""
    points, use = points_mm[part], usable[part]
    return np.ascontiguousarray((points if use.all() else points[use]).T, np.float64)


def _reach(
    points_mm: NDArray[np.float32], usable: NDArray[np.bool_], origin: Floats, rotation: Floats
) -> Floats:
    """(3,) farthest that usable points lie from the origin along the axes."""

    def farthest(part: slice) -> Floats:
        q = rotation @ _used(points_mm, usable, part) - (rotation @ origin)[:, None]
        return np.abs(q).max(axis=1, initial=0.0)

    return np.maximum(np.max(by_chunks(farthest, len(points_mm)), axis=0), 1e-6)


def _near_the_rest(points_mm: NDArray[np.float32], usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n,) bool, points within a ball that holds nearly all and half as much again."""
    centre = np.median(points_mm[usable], axis=0)
    away = np.linalg.norm(points_mm - centre, axis=1)
    return np.asarray(away <= _ROUND_THE_REST * np.quantile(away[usable], _NEARLY_ALL))


def _usual(count: NDArray[np.int64]) -> float:
    """The median of how many points lie in a voxel; over points where flying ones are many.

    Few points fly, but nearly every one has a voxel to itself.
    """
    ranked = np.sort(count)
    total = np.cumsum(ranked)
    of_points = float(ranked[np.searchsorted(total, 0.5 * total[-1])])
    of_voxels = float(np.median(ranked))
    return of_voxels if of_voxels >= _MOSTLY_ALONE * of_points else of_points


def voxelise(points_mm: NDArray[np.float32], usable: NDArray[np.bool_]) -> Voxels:
    """Sort usable points into voxels of twenty points or more, with normals over their neighbours.

    The lattice follows the principal axes and is centred on the mean, and its size comes from
    the points' density: a rigid motion, a mirror image or another order of the points gives the
    same voxels.
    """
    origin, rotation, spread = principal_frame(points_mm, usable)
    reach = _reach(points_mm, usable, origin, rotation)
    if (reach[:2] > _FAR_OFF * spread[:2]).any():
        # Points that fly far off the panel would make the lattice, and everything after it, coarse.
        usable = usable & _near_the_rest(points_mm, usable)
        origin, rotation, spread = principal_frame(points_mm, usable)
        reach = _reach(points_mm, usable, origin, rotation)
    size = max(2.0 * reach[0] / _ALONG, (8.0 * reach.prod() / _MOST_VOXELS) ** (1 / 3))
    while True:
        half = np.floor(reach * (1 + 1e-9) / size).astype(np.int64) + 1
        lattice = _Lattice(rotation, origin, size, half)
        count = _count(points_mm, usable, lattice)
        n = count[count > 0]
        usual = _usual(n)
        if usual >= _LEAST_POINTS or min(half) <= 2:
            break
        size *= 1.05 * np.sqrt(_WISHED_POINTS / usual)
    lookup = np.full(count.shape, -1, np.int32)
    lookup[count > 0] = np.arange(len(n), dtype=np.int32)
    sums = _moments(points_mm, usable, lattice, lookup)
    position = np.argwhere(lookup >= 0)
    key = position - half
    mean = sums[:, :3] / n[:, None]
    centre = (mean + (key + 0.5) * size) @ rotation + origin
    pairs = _touching(lookup, position)
    normal, thickness = _normals(sums, n, lookup, position, size)
    normal = _consistent(normal, pairs)
    return Voxels(
        rotation,
        origin,
        float(size),
        float(size / np.sqrt(usual)),
        key,
        centre,
        normal @ rotation,
        thickness,
        n,
        lookup,
        -half,
        pairs,
    )


def _neighbour(
    lookup: NDArray[np.int32], position: NDArray[np.int64], shift: NDArray[np.int64]
) -> NDArray[np.int64]:
    """(k,) number of the voxel at a shift, -1 where there is none."""
    p = position + shift
    inside = ((p >= 0) & (p < lookup.shape)).all(axis=1)
    out = np.full(len(p), -1, np.int64)
    out[inside] = lookup[tuple(p[inside].T)]
    return out


def _touching(lookup: NDArray[np.int32], position: NDArray[np.int64]) -> NDArray[np.int64]:
    pairs = []
    for shift in _SHIFTS[14:]:
        other = _neighbour(lookup, position, shift)
        there = np.flatnonzero(other >= 0)
        pairs.append(np.column_stack([there, other[there]]))
    return np.concatenate(pairs)


def _normals(
    sums: Floats,
    n: NDArray[np.int64],
    lookup: NDArray[np.int32],
    position: NDArray[np.int64],
    size: float,
) -> tuple[Floats, Floats]:
    """Normal and thickness from the moments of a voxel and the 26 around it."""
    total, first, second = np.zeros(len(n)), np.zeros((len(n), 3)), np.zeros((len(n), 3, 3))
    rows, columns = np.tril_indices(3)
    own = np.zeros((len(n), 3, 3))
    own[:, rows, columns] = sums[:, 3:]
    own[:, columns, rows] = sums[:, 3:]
    for shift in _SHIFTS:
        other = _neighbour(lookup, position, shift)
        here = np.flatnonzero(other >= 0)
        o = other[here]
        d = shift * size
        total[here] += n[o]
        s = sums[o, :3]
        first[here] += s + n[o, None] * d
        cross = s[:, :, None] * d[None, None, :]
        second[here] += (
            own[o] + cross + cross.transpose(0, 2, 1) + n[o, None, None] * np.outer(d, d)
        )
    mean = first / total[:, None]
    covariance = second / total[:, None, None] - mean[:, :, None] * mean[:, None, :]
    values, vectors = np.linalg.eigh(covariance)
    return vectors[:, :, 0].copy(), np.sqrt(np.maximum(values[:, 0], 0.0))


def _consistent(normal: Floats, pairs: NDArray[np.int64]) -> Floats:
    """Turn normals to agree along the flattest tree of neighbours (Hoppe et al. 1992)."""
    k = len(normal)
    if not len(pairs):
        return normal
    dot = np.einsum("ij,ij->i", normal[pairs[:, 0]], normal[pairs[:, 1]])
    weight = 1.0 + 1e-6 - np.abs(dot)
    graph = sparse.coo_array((weight, (pairs[:, 0], pairs[:, 1])), shape=(k, k)).tocsr()
    tree = csgraph.minimum_spanning_tree(graph)
    labels = csgraph.connected_components(tree, directed=False)[1]
    out = normal.copy()
    for piece in range(labels.max() + 1):
        members = np.flatnonzero(labels == piece)
        if len(members) < 2:
            continue
        order, before = csgraph.breadth_first_order(tree, members[0], directed=False)
        for node in order[1:]:
            if out[node] @ out[before[node]] < 0:
                out[node] = -out[node]
        facing = out[members].sum(axis=0)
        if facing[np.abs(facing).argmax()] < 0:
            out[members] = -out[members]
    return out


def pieces(voxels: Voxels) -> NDArray[np.int64]:
    """(k,) number of the connected piece each voxel belongs to, most points first."""
    k = len(voxels.count)
    pairs = voxels.neighbours
    graph = sparse.coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(k, k))
    labels = csgraph.connected_components(graph, directed=False)[1]
    weight = np.bincount(labels, voxels.count)
    rank = np.empty(len(weight), np.int64)
    rank[np.argsort(-weight, kind="stable")] = np.arange(len(weight))
    return rank[labels]

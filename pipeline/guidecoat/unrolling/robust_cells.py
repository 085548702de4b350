"""The robust average of the points in each cell: a plane laid through them by biweight.

Cells of like many points are worked on together, as rows of one array, padded to the longest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..chunks import in_threads
from ..numerics.biweight import BIWEIGHT, MAD_TO_SIGMA, tukey
from ..numerics.local_fit import plane_of_sums

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

MAKES_A_PLANE = 6
_REWEIGHTED_FROM = 12
_STEPS = 4
# The biweight leaves the scatter a little small: by 1.07 for Gaussian noise (computed).
_BIWEIGHT_SCATTER = 1.07
_FAR_OFF = 6.0
_LEAST_GAP_MM, _GAP_SHARE = 1.0, 0.4
_PADDED = 1 << 15


@dataclass(frozen=True, eq=False)
class Averages:
    """What is left of the points in each of n groups; NaN where a group is empty.

    u_mm, v_mm, height_mm : centroid; scatter_mm : about the plane (NaN under three points);
    slope_u, slope_v : of the plane (NaN under six points); count : points kept;
    layered : the points lay in two skins, the outer one was kept.
    """

    u_mm: Floats
    v_mm: Floats
    height_mm: Floats
    scatter_mm: Floats
    slope_u: Floats
    slope_v: Floats
    count: NDArray[np.int32]
    layered: Mask

    @classmethod
    def empty(cls, n: int) -> Averages:
        """Averages of n groups yet to be filled in."""
        u, v, height, scatter, slope_u, slope_v = (np.full(n, np.nan) for _ in range(6))
        count, layered = np.zeros(n, np.int32), np.zeros(n, np.bool_)
        return cls(u, v, height, scatter, slope_u, slope_v, count, layered)


def average_groups(
    uvh: NDArray[np.float32], order: NDArray[np.integer], start: NDArray[np.integer], fewest: float
) -> Averages:
    """Average groups of points.

    Parameters
    ----------
    uvh : (p, 3) points on the chart.
    order, start : point numbers, group by group, and (n + 1,) where each group starts.
    fewest : points an outer layer needs; what lies above a gap with fewer flies.
    """
    out = Averages.empty(len(start) - 1)
    size = np.diff(start)
    ranked = np.argsort(size, kind="stable")
    ranked = ranked[np.searchsorted(size[ranked], 1) :]
    # Blocks of groups that, padded to their longest, hold about as many places each.
    cost = np.cumsum(size[ranked])
    cuts = np.searchsorted(cost, np.arange(_PADDED, cost[-1] if len(cost) else 0, _PADDED))
    blocks = np.split(ranked, np.unique(cuts))

    def work(block: Ints) -> None:
        if len(block):
            _average_block(uvh, order, start[block], size[block], block, fewest, out)

    in_threads(work, blocks)
    return out


def _average_block(
    uvh: NDArray[np.float32],
    order: NDArray[np.integer],
    start: NDArray[np.integer],
    size: NDArray[np.integer],
    block: Ints,
    fewest: float,
    out: Averages,
) -> None:
    rank = np.arange(size.max())
    there = rank < size[:, None]
    points = uvh[order[np.where(there, start[:, None] + rank, start[:, None])]]
    # About one point of each group, so that sums of squares lose nothing.
    corner = points[:, 0].astype(np.float64)
    u, v, h = (points[:, :, k] - corner[:, k, None] for k in range(3))
    kept, middle, out.layered[block] = _outer_layer(h, there, fewest)
    z = h - middle[:, None]
    # Sums over the kept points of a row, for weights w: w @ terms.
    terms = np.stack([np.ones_like(u), u, v, z, u * u, u * v, v * v, u * z, v * z], axis=2)
    m = kept.sum(axis=1)
    plane = m >= MAKES_A_PLANE
    free = np.where(plane, np.maximum(m - 3.0, 1.0), np.maximum(m - 1.0, 1.0)) / m
    spread = MAD_TO_SIGMA * _upper_median(np.abs(z), kept, m)
    weight = (kept & (np.abs(z) < _FAR_OFF * spread[:, None] + 1e-9)).astype(np.float64)
    going = np.ones(len(m), np.bool_)
    for step in range(_STEPS):
        centre, slope = _plane(weight, terms, plane)
        rest = z - centre[:, 2, None]
        rest -= slope[:, 0, None] * (u - centre[:, 0, None])
        rest -= slope[:, 1, None] * (v - centre[:, 1, None])
        if step == _STEPS - 1:
            break
        sigma = MAD_TO_SIGMA * _upper_median(np.abs(rest), kept, m) / np.sqrt(free)
        going &= (m >= _REWEIGHTED_FROM) & (sigma > 1e-7)
        if not going.any():
            break
        cut = BIWEIGHT * np.where(going, sigma, 1.0)[:, None]
        lighter = np.where(kept, tukey(rest, cut), 0.0)
        weight = np.where(going[:, None], lighter, weight)
    total = weight.sum(axis=1)
    square = (weight * rest * rest).sum(axis=1)
    out.u_mm[block] = centre[:, 0] + corner[:, 0]
    out.v_mm[block] = centre[:, 1] + corner[:, 1]
    out.height_mm[block] = centre[:, 2] + middle + corner[:, 2]
    lost = np.where(m >= _REWEIGHTED_FROM, _BIWEIGHT_SCATTER, 1.0)
    out.scatter_mm[block] = np.where(m >= 3, lost * np.sqrt(square / total / free), np.nan)
    out.slope_u[block], out.slope_v[block] = np.where(plane, slope.T, np.nan)
    out.count[block] = (weight > 0.0).sum(axis=1)


def _plane(weight: Floats, terms: Floats, plane: Mask) -> tuple[Floats, Floats]:
    """(g, 3) weighted centroids and (g, 2) slopes; level where too few points or a line of them."""
    centre, slope = plane_of_sums((weight[:, None, :] @ terms)[:, 0, :])
    return centre, np.where(plane[:, None], slope, 0.0)


def _upper_median(x: Floats, kept: Mask, m: Ints) -> Floats:
    """(g,) upper median of the kept entries of each row; m is how many there are."""
    ordered = np.sort(np.where(kept, x, np.inf), axis=1)
    return np.asarray(ordered[np.arange(len(m)), m // 2])


def _outer_layer(h: Floats, there: Mask, fewest: float) -> tuple[Mask, Floats, Mask]:
    """Points of the outermost layer with enough of them, its middle height, and whether there is
    a second one under it.

    Heights part at a gap that is over 1 mm and over 0.4 of their whole range; an upper part with
    too few points flies and is dropped.
    """
    ranked = np.sort(np.where(there, h, np.inf), axis=1)
    row = np.arange(len(ranked))
    first, last = np.zeros(len(row), np.int64), there.sum(axis=1)
    layered = np.zeros(len(row), np.bool_)
    todo = np.flatnonzero(ranked[row, last - 1] - ranked[:, 0] > _LEAST_GAP_MM)
    rank = np.arange(1, ranked.shape[1])
    while len(todo):
        low, high, own = first[todo], last[todo], ranked[todo]
        between = (rank > low[:, None]) & (rank < high[:, None])
        with np.errstate(invalid="ignore"):
            gap = np.where(between, np.diff(own, axis=1), 0.0)
        at = 1 + gap.argmax(axis=1)
        range_mm = own[np.arange(len(todo)), high - 1] - own[np.arange(len(todo)), low]
        parted = gap.max(axis=1) > np.maximum(_LEAST_GAP_MM, _GAP_SHARE * range_mm)
        todo, low, high, at = todo[parted], low[parted], high[parted], at[parted]
        outer = (high - at >= fewest) | (high - at >= at - low)
        layered[todo] |= outer & (at - low >= 2)
        first[todo] = np.where(outer, at, low)
        last[todo] = np.where(outer, high, at)
    lowest, highest = ranked[row, first], ranked[row, last - 1]
    kept = there & (h >= lowest[:, None]) & (h <= highest[:, None])
    return kept, ranked[row, (first + last) // 2], layered

"""Edges compared over stretches of their length: what holds a smooth panel along itself.

An edge found in one cell is only as good as the spacing of the points; over a stretch, the density
of points tells where it ends. Rolled hems are no exception: what stands out farthest in one
direction is the same spot of the same hem in both scans.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import log_ndtr

from .rigid import move
from .rims import Rim

Array = NDArray[np.float64]
# Stretches overlap by half.
LENGTH_MM = 80.0
# Bins of a stretch, whose outermost points show how it is bent.
BINS = 8
STRAIGHT = 0.95
INWARD_MM = 8.0
OUTWARD_MM = 4.0
HIGH_MM = 8.0
# How far noise and what the bow leaves may spread an edge out; the likeliest one is taken.
BLURS_MM = (0.03, 0.045, 0.07, 0.1, 0.15)
# A rolled edge crowds the points of its last millimetre together, so that its end is no step.
ROLLED_BLUR_MM = 0.1
CROWDED = 1.5
# The density of points is counted from here to here inside the edge.
COUNTED_MM = (7.0, 2.0)
# Points whose third neighbour is so many times farther than usual fly.
LONELY = 3.0
FEWEST_POINTS = 25
FEWEST_PER_BIN = 3
MOST_OVERLAP = 4
# Six millimetres halved so often are a ten-thousandth of one.
HALVINGS = 16


@dataclass(frozen=True, eq=False)
class EdgeWindows:
    """Stretches of a scan's edges, w of them: `middle`, `outward`, `along`, `up` (w, 3); `bow`
    (w, 2) slope and curvature of the edge in its stretch; `edge_mm` (w,) how far out it lies;
    `blur_mm` how far noise spreads it out.
    """

    middle: Array
    outward: Array
    along: Array
    up: Array
    bow: Array
    edge_mm: Array
    blur_mm: float


def near_rim(points: Array, owner: NDArray[np.int64], means: Array, rim: Rim) -> Array:
    """Scan points (m, 3) of the cells beside a rim, those left out that have no company.

    `owner` is the cell of every point, `means` are all cells, sparse ones too.
    """
    if not len(rim.points):
        return np.empty((0, 3))
    gap = cKDTree(rim.points).query(means, distance_upper_bound=INWARD_MM + OUTWARD_MM)[0]
    beside = np.asarray(points[np.isfinite(gap)[owner]], np.float64)
    if len(beside) < 10:
        return np.empty((0, 3))
    third = cKDTree(beside).query(beside, k=4, workers=2)[0][:, -1]
    return beside[third < LONELY * np.median(third)]


def find_windows(rim: Rim, target: Array, source: Array) -> EdgeWindows | None:
    """Stretches of a rim that are straight enough, and where its edge lies in each.

    Parameters
    ----------
    target : (m, 3) scan points beside the rim. `source` : those of the other scan, laid on it:
        how an edge is bent is read from both, so that neither lies closer to it by chance.
    """
    if len(rim.points) < 10 or not len(target):
        return None
    at = _apart(rim.points)
    frames = []
    for here in cKDTree(rim.points).query_ball_point(rim.points[at], 0.5 * LENGTH_MM):
        out = rim.outward[here].mean(0)
        size = float(np.linalg.norm(out))
        if len(here) < 3 or size < STRAIGHT:
            continue
        flat = rim.normals[here] * np.sign(rim.normals[here] @ rim.normals[here[0]])[:, None]
        along = np.cross(flat.mean(0), out)
        along = along / (np.linalg.norm(along) + 1e-12)
        middle = np.median(rim.points[here], axis=0)
        frames.append([middle, out / size, along, np.cross(out / size, along)])
    if len(frames) < 4:
        return None
    ways = np.array(frames).transpose(1, 0, 2)
    none, flat = np.zeros(len(frames)), np.zeros((len(frames), 2))
    bare = EdgeWindows(ways[0], ways[1], ways[2], ways[3], flat, none, ROLLED_BLUR_MM)
    bent = replace(bare, bow=_bow(bare, (target, source)))
    rolled = replace(bent, blur_mm=ROLLED_BLUR_MM, edge_mm=edge_of(bent, target))
    if _crowded(rolled, target):
        return rolled
    tried = [replace(bent, blur_mm=blur) for blur in BLURS_MM]
    found = [_edge_and_likelihood(windows, target) for windows in tried]
    best = int(np.argmax([likelihood for _, likelihood in found]))
    return replace(tried[best], edge_mm=found[best][0])


def _crowded(windows: EdgeWindows, points: Array) -> bool:
    """Whether the last millimetre holds clearly more points than one further inside."""
    window, out = _straightened(windows, points)
    out = out - windows.edge_mm[window]
    last = np.count_nonzero((out > -1.0) & (out < 1.0))
    inside = np.count_nonzero((out > -COUNTED_MM[0]) & (out < -COUNTED_MM[1]))
    return bool(last > CROWDED * inside / (COUNTED_MM[0] - COUNTED_MM[1]))


def edge_of(windows: EdgeWindows, points: Array) -> Array:
    """(w,) how far out the edge lies in every stretch, mm, NaN where too few points are in it."""
    return _edge_and_likelihood(windows, points)[0]


def _edge_and_likelihood(windows: EdgeWindows, points: Array) -> tuple[Array, float]:
    """Edges as of `edge_of`, and the logarithm of the likelihood of all points.

    Points of density rho up to an edge that noise blurs are a Poisson process of intensity
    rho Phi((e - x) / blur) along the way out; the likeliest e makes the sum of the points'
    hazards phi / (Phi blur) equal to rho times the length. Its expectation holds for rows of
    points as well as for random ones, and for scans of any density.
    """
    window, out = _straightened(windows, points)
    count = len(windows.middle)
    within = (out > -COUNTED_MM[0]) & (out < -COUNTED_MM[1])
    inside = np.bincount(window[within], minlength=count)
    wanted = inside / (COUNTED_MM[0] - COUNTED_MM[1])
    low, high = np.full(count, -COUNTED_MM[1]), np.full(count, OUTWARD_MM)
    blur = windows.blur_mm
    outer = out > -COUNTED_MM[1] - 8.0 * BLURS_MM[-1]
    window, out = window[outer], out[outer]
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        z = (middle[window] - out) / blur
        hazard = np.exp(-0.5 * z * z - log_ndtr(z)) / (np.sqrt(2.0 * np.pi) * blur)
        beyond = np.bincount(window, hazard, count) > wanted
        low, high = np.where(beyond, middle, low), np.where(beyond, high, middle)
    edge = 0.5 * (low + high)
    known = inside >= FEWEST_POINTS
    fit = np.bincount(window, log_ndtr((edge[window] - out) / blur), count) - wanted * edge
    return np.where(known, edge, np.nan), float(fit[known].sum())


def read_edges(windows: EdgeWindows, points: Array, motion: Array) -> tuple[Array, Array, Array]:
    """Residual (w,) mm of another scan's edges, + where they lie farther out; where they are
    (w, 3), and the directions (w, 3). NaN where a stretch is not in it.
    """
    residual = edge_of(windows, move(motion, points)) - windows.edge_mm
    return residual, windows.middle + windows.edge_mm[:, None] * windows.outward, windows.outward


def _apart(points: Array) -> NDArray[np.int64]:
    """Indices of points half a stretch or more from each other."""
    tree = cKDTree(points)
    free = np.ones(len(points), bool)
    chosen = []
    for i in range(len(points)):
        if free[i]:
            chosen.append(i)
            free[tree.query_ball_point(points[i], 0.5 * LENGTH_MM)] = False
    return np.array(chosen)


def _in_windows(windows: EdgeWindows, points: Array) -> tuple[NDArray[np.int64], Array, Array]:
    """Window, out (mm) and along (mm) of every point in a stretch, in every stretch it is in."""
    reach = float(np.hypot(0.5 * LENGTH_MM, INWARD_MM))
    most = min(MOST_OVERLAP, len(windows.middle))
    gap, near = cKDTree(windows.middle).query(points, k=most, distance_upper_bound=reach, workers=2)
    row, place = np.nonzero(np.isfinite(gap))
    window = np.asarray(near[row, place], np.int64)
    step = points[row] - windows.middle[window]
    out, along, up = (
        np.einsum("nk,nk->n", step, way[window])
        for way in (windows.outward, windows.along, windows.up)
    )
    inside = (np.abs(along) < 0.5 * LENGTH_MM) & (np.abs(up) < HIGH_MM)
    inside &= (out > -INWARD_MM) & (out < OUTWARD_MM)
    return window[inside], out[inside], along[inside]


def _straightened(windows: EdgeWindows, points: Array) -> tuple[NDArray[np.int64], Array]:
    """Window of every point in a stretch, and out (mm) less what the edge is bent there."""
    window, out, along = _in_windows(windows, points)
    return window, out - windows.bow[window, 0] * along - windows.bow[window, 1] * along**2


def _outermost(group: NDArray[np.int64], out: Array, groups: int) -> Array:
    """(groups,) the largest value of each, NaN in groups of fewer than `FEWEST_PER_BIN`."""
    found = np.full(groups, -np.inf)
    np.maximum.at(found, group, out)
    return np.where(np.bincount(group, minlength=groups) >= FEWEST_PER_BIN, found, np.nan)


def _bow(windows: EdgeWindows, scans: tuple[Array, Array]) -> Array:
    """(w, 2) slope and curvature of the edge in each window, from the outermost points of bins."""
    count = len(windows.middle)
    values = []
    for points in scans:
        window, out, along = _in_windows(windows, points)
        number = np.clip(((along / LENGTH_MM + 0.5) * BINS).astype(np.int64), 0, BINS - 1)
        edge = _outermost(window * BINS + number, out, count * BINS)
        values.append(edge.reshape(count, BINS))
    both = np.mean(values, axis=0)
    place = ((np.arange(BINS) + 0.5) / BINS - 0.5) * LENGTH_MM
    basis = np.column_stack([np.ones(BINS), place, place**2])
    whole = np.isfinite(both).all(1)
    bow = np.zeros((count, 2))
    bow[whole] = (np.linalg.pinv(basis) @ both[whole].T).T[:, 1:]
    return bow

"""Edges compared over stretches of their length: what holds a smooth panel along itself.

An edge found in one cell is only as good as the spacing of the points; over a stretch, the density
of points tells where it ends. Rolled hems are no exception: what stands out farthest in one
direction is the same spot of the same hem in both scans. Cut edges are read over longer stretches,
as their points end within the noise, and more of them tell it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .cut_edges import FARTHEST_MM, Strip, edges_of, fit_together, hazard_of
from .rigid import move
from .rims import Rim

Array = NDArray[np.float64]
# Stretches overlap by half.
LENGTH_MM = 80.0
# A parabola leaves 0.03 mm of an arch of 200 mm radius over such a stretch.
CUT_LENGTH_MM = 120.0
# Bins of a stretch, whose outermost points show how it is bent.
BINS = 8
STRAIGHT = 0.95
INWARD_MM = 8.0
OUTWARD_MM = 4.0
HIGH_MM = 8.0
# A rolled edge crowds the points of its last millimetre together, so that its end is no step.
ROLLED_BLUR_MM = 0.1
CROWDED = 1.5
# The density of points is counted from here to here inside the edge.
COUNTED_MM = (7.0, 2.0)
# Points whose third neighbour is so many times farther than usual fly.
LONELY = 3.0
FEWEST_POINTS = 25
FEWEST_PER_BIN = 3
FEWEST_STRETCHES = 4
# What the ends of a stretch may lie farther in than its middle.
STRONGEST_BOW_MM = 9.0
MOST_OVERLAP = 4
# Six millimetres halved so often are a ten-thousandth of one.
HALVINGS = 16
# Points farther inside say nothing about where an edge is.
BESIDE_MM = 2.5


@dataclass(frozen=True, eq=False)
class EdgeWindows:
    """Stretches of a scan's edges, w of them: `middle`, `outward`, `along`, `up` (w, 3); `half_mm`
    (w,) half their length; `bow` (w, 2) slope and curvature of the edge in its stretch; `edge_mm`
    (w,) how far out it lies; `blur_mm` how far noise spreads it out; `cut` where it does not roll.
    """

    middle: Array
    outward: Array
    along: Array
    up: Array
    half_mm: Array
    bow: Array
    edge_mm: Array
    blur_mm: float
    cut: bool


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
    bare = _stretches(rim, (LENGTH_MM,))
    if bare is None:
        return None
    bent = replace(bare, bow=_bow(bare, (target, source)))
    rolled = replace(bent, edge_mm=edge_of(bent, target))
    if _crowded(rolled, target):
        return rolled
    longer = _stretches(rim, (CUT_LENGTH_MM, LENGTH_MM))
    return rolled if longer is None else _cut(longer, target, source)


def _stretches(rim: Rim, lengths_mm: tuple[float, ...]) -> EdgeWindows | None:
    """Stretches of the first length over which the rim is straight enough, bent as it is."""
    frames, halves, bows = [], [], []
    tree = cKDTree(rim.points)
    for at in _apart(rim.points, 0.5 * lengths_mm[0]):
        for length in lengths_mm:
            here = np.array(tree.query_ball_point(rim.points[at], 0.5 * length))
            out = rim.outward[here].mean(0)
            size = float(np.linalg.norm(out))
            if len(here) >= 3 and size >= STRAIGHT:
                frames.append(_frame(rim, here, out / size))
                halves.append(0.5 * length)
                bows.append(_bent_as(rim.points[here], frames[-1]))
                break
    if len(frames) < FEWEST_STRETCHES:
        return None
    middle, outward, along, up = np.array(frames).transpose(1, 0, 2)
    none = np.zeros(len(frames))
    return EdgeWindows(
        middle, outward, along, up, np.array(halves), np.array(bows), none, ROLLED_BLUR_MM, False
    )


def _frame(rim: Rim, here: NDArray[np.int64], out: Array) -> tuple[Array, Array, Array, Array]:
    """Middle, outward, along and up of a stretch."""
    flat = rim.normals[here] * np.sign(rim.normals[here] @ rim.normals[here[0]])[:, None]
    along = np.cross(flat.mean(0), out)
    along = along / (np.linalg.norm(along) + 1e-12)
    return np.median(rim.points[here], axis=0), out, along, np.cross(out, along)


def _bent_as(points: Array, frame: tuple[Array, Array, Array, Array]) -> Array:
    """(2,) slope and curvature of rim points in their stretch."""
    step = points - frame[0]
    along = step @ frame[2]
    basis = np.column_stack([np.ones(len(points)), along, along**2])
    return np.asarray(np.linalg.lstsq(basis, step @ frame[1], rcond=1e-6)[0][1:])


def _cut(windows: EdgeWindows, target: Array, source: Array) -> EdgeWindows:
    """Stretches of a cut edge, with the bow both scans have in common."""
    strips = [_strip(windows, points) for points in (target, source)]
    known = np.isfinite(strips[0][1]) & np.isfinite(strips[1][1])
    if known.sum() < FEWEST_STRETCHES:
        return replace(windows, edge_mm=strips[0][1])
    half = windows.half_mm
    ends = np.column_stack([windows.bow[:, 0] * half, windows.bow[:, 1] * half**2])
    start = np.column_stack([strips[0][1], strips[1][1], ends])
    start = np.where(known[:, None], start, 0.0)
    found, blur = fit_together((strips[0][0], strips[1][0]), start)
    sound = known & np.isfinite(found[:, 0])
    ends = np.where(sound[:, None], found[:, 2:], ends)
    bow = np.column_stack([ends[:, 0] / half, ends[:, 1] / half**2])
    bent = replace(windows, bow=bow, blur_mm=blur, cut=True)
    return replace(bent, edge_mm=np.where(sound, edge_of(bent, target), np.nan))


def _strip(windows: EdgeWindows, points: Array) -> tuple[Strip, Array]:
    """Points near the edges, and (w,) roughly how far out these lie, NaN where too few are."""
    rough, density = _rough_edge_of(windows, points)
    window, out, along = _in_windows(windows, points)
    half = windows.half_mm[window]
    bent = windows.bow[window, 0] * along + windows.bow[window, 1] * along**2
    near = out - rough[window] > -BESIDE_MM
    strip = Strip(window[near], (out + bent)[near], (along / half)[near], density)
    return strip, rough


def _crowded(windows: EdgeWindows, points: Array) -> bool:
    """Whether the last millimetre holds clearly more points than one further inside."""
    window, out, _ = _in_windows(windows, points)
    out = out - windows.edge_mm[window]
    last = np.count_nonzero((out > -1.0) & (out < 1.0))
    inside = np.count_nonzero((out > -COUNTED_MM[0]) & (out < -COUNTED_MM[1]))
    return bool(last > CROWDED * inside / (COUNTED_MM[0] - COUNTED_MM[1]))


def edge_of(windows: EdgeWindows, points: Array) -> Array:
    """(w,) how far out the edge lies in every stretch, mm, NaN where too few points are in it."""
    if not windows.cut:
        return _rough_edge_of(windows, points)[0]
    strip, rough = _strip(windows, points)
    known, half = np.isfinite(rough), windows.half_mm
    start = np.column_stack([rough, windows.bow[:, 0] * half, windows.bow[:, 1] * half**2])
    found = edges_of(strip, np.where(known[:, None], start, 0.0), windows.blur_mm)
    near = known & (np.abs(found - rough) < FARTHEST_MM)
    return np.where(near, found, np.nan)


def _rough_edge_of(windows: EdgeWindows, points: Array) -> tuple[Array, Array]:
    """Edges as of `edge_of`, and (w,) points per mm of way out.

    Points of density rho up to an edge that noise blurs are a Poisson process of intensity
    rho Phi((e - x) / blur) along the way out; the likeliest e makes the sum of the points'
    hazards phi / (Phi blur) equal to rho times the length. Its expectation holds for rows of
    points as well as for random ones, and for scans of any density. Inside the edge they come to
    five times that, so that points which fly past it make no second edge.
    """
    window, out, _ = _in_windows(windows, points)
    count = len(windows.middle)
    within = (out > -COUNTED_MM[0]) & (out < -COUNTED_MM[1])
    inside = np.bincount(window[within], minlength=count)
    wanted = inside / (COUNTED_MM[0] - COUNTED_MM[1])
    low, high = np.full(count, -COUNTED_MM[1]), np.full(count, OUTWARD_MM)
    outer = out > -COUNTED_MM[1] - 8.0 * ROLLED_BLUR_MM
    window, out = window[outer], out[outer]
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        z = (middle[window] - out) / ROLLED_BLUR_MM
        hazard = hazard_of(z)[0] / ROLLED_BLUR_MM
        beyond = np.bincount(window, hazard, count) > wanted
        low, high = np.where(beyond, middle, low), np.where(beyond, high, middle)
    return np.where(inside >= FEWEST_POINTS, 0.5 * (low + high), np.nan), wanted


def read_edges(windows: EdgeWindows, points: Array, motion: Array) -> tuple[Array, Array, Array]:
    """Residual (w,) mm of another scan's edges, + where they lie farther out; where they are
    (w, 3), and the directions (w, 3). NaN where a stretch is not in it.
    """
    residual = edge_of(windows, move(motion, points)) - windows.edge_mm
    return residual, windows.middle + windows.edge_mm[:, None] * windows.outward, windows.outward


def _apart(points: Array, gap_mm: float) -> NDArray[np.int64]:
    """Indices of points as far as that or farther from each other."""
    tree = cKDTree(points)
    free = np.ones(len(points), bool)
    chosen = []
    for i in range(len(points)):
        if free[i]:
            chosen.append(i)
            free[tree.query_ball_point(points[i], gap_mm)] = False
    return np.array(chosen)


def _in_windows(windows: EdgeWindows, points: Array) -> tuple[NDArray[np.int64], Array, Array]:
    """Window of every point in a stretch, in every stretch it is in; out (mm) less what the edge
    is bent there, and along (mm).
    """
    reach = float(np.hypot(windows.half_mm.max(), INWARD_MM + STRONGEST_BOW_MM))
    most = min(MOST_OVERLAP, len(windows.middle))
    gap, near = cKDTree(windows.middle).query(points, k=most, distance_upper_bound=reach, workers=2)
    row, place = np.nonzero(np.isfinite(gap))
    window = np.asarray(near[row, place], np.int64)
    step = points[row] - windows.middle[window]
    out, along, up = (
        np.einsum("nk,nk->n", step, way[window])
        for way in (windows.outward, windows.along, windows.up)
    )
    out -= windows.bow[window, 0] * along + windows.bow[window, 1] * along**2
    inside = (np.abs(along) < windows.half_mm[window]) & (np.abs(up) < HIGH_MM)
    inside &= (out > -INWARD_MM) & (out < OUTWARD_MM)
    return window[inside], out[inside], along[inside]


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
        half = windows.half_mm[window]
        number = np.clip((0.5 * (along / half + 1.0) * BINS).astype(np.int64), 0, BINS - 1)
        edge = _outermost(window * BINS + number, out, count * BINS)
        values.append(edge.reshape(count, BINS))
    both = np.mean(values, axis=0)
    place = 2.0 * (np.arange(BINS) + 0.5) / BINS - 1.0
    basis = np.column_stack([np.ones(BINS), place, place**2])
    whole = np.isfinite(both).all(1)
    bow = windows.bow.copy()
    ends = (np.linalg.pinv(basis) @ both[whole].T).T[:, 1:]
    half = windows.half_mm[whole]
    bow[whole] += np.column_stack([ends[:, 0] / half, ends[:, 1] / half**2])
    return bow

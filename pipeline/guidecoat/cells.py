"""Small squares of the chart: the robust average of the points in each, with its standard error."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .chart import Grid
from .errors import ScanUnfitError
from .scan import Scan
from .unroll import SKIN, SKIN_REASONS, Skin
from .voxels import Voxels

Floats = NDArray[np.float64]
_CHUNK = 1 << 18
_THREADS = 2
_MOST_CELLS = 4_000_000
_SPACINGS = 3.0
_MAKES_A_PLANE = 6
_LEAST_LAYER = 0.15


@dataclass(frozen=True, eq=False)
class Cells:
    """What one pass over the points leaves; arrays are (nu, nv), NaN where a cell is empty.

    u_mm, v_mm : centroid of the points kept; height_mm : their robust mean h;
    error_mm : its standard error; slope_u, slope_v : of the plane through them (NaN where too
    few); count : points kept; layered : points lay in two skins, the outer one was kept;
    noise_mm : scatter of single points about their cell's plane, the median over cells;
    spacing_mm : side of the square one point stands for.
    """

    grid: Grid
    u_mm: Floats
    v_mm: Floats
    height_mm: Floats
    error_mm: Floats
    slope_u: Floats
    slope_v: Floats
    count: NDArray[np.int32]
    layered: NDArray[np.bool_]
    noise_mm: float
    spacing_mm: float

    @property
    def filled(self) -> NDArray[np.bool_]:
        """(nu, nv) bool, cells that hold points."""
        return self.count > 0


@dataclass(frozen=True, eq=False)
class ChartedPoints:
    """The scan's points on the chart, in file order: (n, 3) float32 u, v, h; NaN off the skin.

    counted : (n,) bool, those that go into cells: on the skin and no repeat of another.
    dropped : {reason: points} of what was cut off.
    """

    uvh: NDArray[np.float32]
    counted: NDArray[np.bool_]
    dropped: dict[str, int]


def chart_points(scan: Scan, voxels: Voxels, skin: Skin) -> ChartedPoints:
    """Put the skin's points on the chart; flanges, inner sides and loose pieces become NaN."""
    uvh = np.full(scan.points_mm.shape, np.nan, np.float32)
    counted = np.zeros(len(uvh), np.bool_)
    chart = skin.chart

    def work(start: int) -> NDArray[np.int64]:
        part = slice(start, start + _CHUNK)
        points = scan.points_mm[part]
        number = voxels.number(points)
        reason = skin.reason[number]
        usable = scan.usable[part] & (number >= 0)
        on_skin = (number >= 0) & (reason == SKIN)
        counted[part] = usable & on_skin
        _chart_rows(
            points,
            on_skin,
            chart.origin_mm,
            chart.rotation,
            float(chart.curvature_per_mm),
            uvh[part],
        )
        return np.bincount(reason[usable], minlength=len(SKIN_REASONS))

    with ThreadPoolExecutor(_THREADS) as pool:
        counts = np.sum(list(pool.map(work, range(0, len(uvh), _CHUNK))), axis=0)
    dropped = {SKIN_REASONS[k]: int(counts[k]) for k in range(1, len(SKIN_REASONS)) if counts[k]}
    return ChartedPoints(uvh, counted, dropped)


@njit(cache=True, nogil=True)
def _chart_rows(points, wanted, origin, rotation, curvature, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """`Chart.to_chart` of the wanted rows, into out."""
    k = curvature
    for n in range(len(points)):
        if not wanted[n]:
            continue
        x = np.float64(points[n, 0]) - origin[0]
        y = np.float64(points[n, 1]) - origin[1]
        z = np.float64(points[n, 2]) - origin[2]
        a = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z
        b = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z
        out[n, 0] = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z
        out[n, 1] = a if k == 0.0 else np.arctan2(k * a, 1.0 + k * b) / k
        out[n, 2] = (k * (a * a + b * b) + 2.0 * b) / (np.hypot(k * a, 1.0 + k * b) + 1.0)


def centred_grid(low: Floats, high: Floats, cell_mm: float) -> Grid:
    """The grid over a box of the chart, centred on it: a mirrored panel has the same cells."""
    middle = 0.5 * (low + high)
    half = np.maximum(np.ceil((high - low) / 2 / cell_mm + 1e-6), 1).astype(int) + 1
    corner = middle - half * cell_mm
    if 4 * int(half[0]) * int(half[1]) > _MOST_CELLS:
        raise ScanUnfitError(
            f"the scan spans {high[0] - low[0]:.0f} x {high[1] - low[1]:.0f} mm, too much for "
            f"cells of {cell_mm:g} mm. Check --units, or crop far-off points."
        )
    return Grid(float(corner[0]), float(corner[1]), cell_mm, (2 * int(half[0]), 2 * int(half[1])))


def average_cells(charted: ChartedPoints, *, smallest_mm: float, spacing_mm: float) -> Cells:
    """Average the points over cells of three spacings, about nine points each.

    Cells stay this small however noisy the scan is: edges and body lines need them so, and the
    fair surface averages over many of them by itself.
    """
    if charted.counted.sum() < 100:
        raise ScanUnfitError(
            f"only {int(charted.counted.sum())} points lie on the skin; at least 100 are needed. "
            "Scan the panel more densely, or check --outside and --units."
        )
    uv = charted.uvh[charted.counted, :2]
    low = uv.min(axis=0).astype(np.float64)
    high = uv.max(axis=0).astype(np.float64)
    del uv
    cells = _bin(charted, centred_grid(low, high, max(smallest_mm, _SPACINGS * spacing_mm)))
    wished = max(smallest_mm, _SPACINGS * cells.spacing_mm)
    if not 0.87 < cells.grid.cell_mm / wished < 1.15:
        cells = _bin(charted, centred_grid(low, high, wished))
    return cells


def _bin(charted: ChartedPoints, grid: Grid) -> Cells:
    order, start = _sort_by_cell(charted, grid)
    occupied = np.diff(start)
    typical = float(np.median(occupied[occupied > 0]))
    total = len(start) - 1
    out = np.full((total, 6), np.nan)
    count, layered = np.zeros(total, np.int32), np.zeros(total, np.bool_)
    fewest = max(2.0, _LEAST_LAYER * typical)
    # Shares of the points, not of the cells: a panel fills its grid unevenly.
    bounds = np.searchsorted(start, np.linspace(0, start[-1], 4 * _THREADS + 1)[1:-1])
    bounds = np.concatenate([[0], bounds, [total]])

    def work(k: int) -> None:
        part = slice(int(bounds[k]), int(bounds[k + 1]))
        own = start[part.start : part.stop + 1]
        _robust_cells(charted.uvh, order, own, fewest, out[part], count[part], layered[part])

    with ThreadPoolExecutor(_THREADS) as pool:
        list(pool.map(work, range(len(bounds) - 1)))
    shape = grid.shape
    spacing = grid.cell_mm / np.sqrt(typical)
    scatter = out[:, 3]
    noise = _noise(scatter, count)
    floor = np.where(np.isfinite(scatter), np.maximum(scatter, noise), noise)
    with np.errstate(invalid="ignore", divide="ignore"):
        error = np.where(count > 0, floor / np.sqrt(np.maximum(count, 1)), np.nan)
    return Cells(
        grid,
        out[:, 0].reshape(shape),
        out[:, 1].reshape(shape),
        out[:, 2].reshape(shape),
        error.reshape(shape),
        out[:, 4].reshape(shape),
        out[:, 5].reshape(shape),
        count.reshape(shape),
        layered.reshape(shape),
        noise,
        float(spacing),
    )


def _noise(scatter: Floats, count: NDArray[np.int32]) -> float:
    """Median scatter over the cells, each freed of its few points' leaning low.

    The median of chi squared over its k degrees of freedom is about (1 - 2 / 9k)^3
    (Wilson & Hilferty 1931).
    """
    known = np.isfinite(scatter) & (count >= _MAKES_A_PLANE)
    lost = 3.0
    if not known.any():
        known, lost = np.isfinite(scatter) & (count >= 3), 1.0
    if not known.any():
        return 0.0
    degrees = np.maximum(count[known] - lost, 1.0)
    return float(np.median(scatter[known] / (1.0 - 2.0 / (9.0 * degrees)) ** 1.5))


def _sort_by_cell(
    charted: ChartedPoints, grid: Grid
) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Point numbers grouped by cell, and where each cell's group starts."""
    cell = np.full(len(charted.uvh), -1, np.int32)
    start = np.zeros(grid.shape[0] * grid.shape[1] + 1, np.int64)
    corner = (grid.u0_mm, grid.v0_mm, grid.cell_mm)
    _count_in_cells(charted.uvh, charted.counted, *corner, *grid.shape, cell, start)
    np.cumsum(start, out=start)
    order = np.empty(start[-1], np.int32)
    _group(cell, order, start[:-1].copy())
    return order, start


@njit(cache=True, nogil=True)
def _count_in_cells(uvh, counted, u0, v0, side, nu, nv, cell, start):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The cell of every point, and in `start[cell + 1]` how many there are."""
    for k in range(len(uvh)):
        if counted[k]:
            i = min(max(int((np.float64(uvh[k, 0]) - u0) / side), 0), nu - 1)
            j = min(max(int((np.float64(uvh[k, 1]) - v0) / side), 0), nv - 1)
            cell[k] = i * nv + j
            start[cell[k] + 1] += 1


@njit(cache=True, nogil=True)
def _group(cell, order, filled):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Point numbers in the order of their cells, `filled` saying where each cell's next goes."""
    for k in range(len(cell)):
        if cell[k] >= 0:
            order[filled[cell[k]]] = k
            filled[cell[k]] += 1


@njit(cache=True, nogil=True)
def _sort(x):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Shell sort in place: quick to compile, and quick on some tens of values."""
    gap = 1
    while gap < len(x) // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for k in range(gap, len(x)):
            here, j = x[k], k
            while j >= gap and x[j - gap] > here:
                x[j] = x[j - gap]
                j -= gap
            x[j] = here
        gap //= 3


@njit(cache=True, nogil=True)
def _median(x):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Upper median; sorts x."""
    _sort(x)
    return x[len(x) // 2]


@njit(cache=True, nogil=True)
def _outer_layer(h, fewest):  # type: ignore[no-untyped-def]  # pragma: no cover
    """First and last rank of the outermost layer with enough points, in sorted heights.

    Heights part at a gap that is over 1 mm and over 0.4 of their whole range; an upper part with
    too few points flies and is dropped.
    """
    first, last = 0, len(h)
    layered = False
    while last - first > 1:
        widest, at = 0.0, first
        for k in range(first + 1, last):
            if h[k] - h[k - 1] > widest:
                widest, at = h[k] - h[k - 1], k
        if widest <= max(1.0, 0.4 * (h[last - 1] - h[first])):
            break
        if last - at >= fewest or last - at >= at - first:
            layered = layered or at - first >= 2
            first = at
        else:
            last = at
    return first, last, layered


@njit(cache=True, nogil=True)
def _robust_cells(uvh, order, start, fewest, out, count, layered):  # type: ignore[no-untyped-def]  # pragma: no cover  # noqa: C901
    """Per cell: centroid, height, scatter and slopes of a plane by biweight (Beaton-Tukey 1974)."""
    for c in range(len(start) - 1):
        n = start[c + 1] - start[c]
        if n == 0:
            continue
        members = order[start[c] : start[c + 1]]
        h = np.empty(n)
        for k in range(n):
            h[k] = uvh[members[k], 2]
        ranked = h.copy()
        _sort(ranked)
        first, last, layered[c] = _outer_layer(ranked, fewest)
        low, high = ranked[first], ranked[last - 1]
        m = last - first
        middle = ranked[(first + last) // 2]
        u, v, z, w, r = np.empty(m), np.empty(m), np.empty(m), np.empty(m), np.empty(m)
        k = 0
        for q in range(n):
            if low <= h[q] <= high and k < m:
                u[k], v[k], z[k] = uvh[members[q], 0], uvh[members[q], 1], h[q]
                k += 1
        for q in range(m):
            r[q] = abs(z[q] - middle)
        spread = 1.4826 * _median(r)
        for q in range(m):
            w[q] = 1.0 if abs(z[q] - middle) < 6.0 * spread + 1e-9 else 0.0
        plane = m >= 6
        a = b = mu = mv = mz = 0.0
        free = max(m - 3.0, 1.0) / m if plane else max(m - 1.0, 1.0) / m
        for step in range(4):
            total = wu = wv = wz = 0.0
            for q in range(m):
                total += w[q]
                wu += w[q] * u[q]
                wv += w[q] * v[q]
                wz += w[q] * z[q]
            if total <= 0.0:
                break
            mu, mv, mz = wu / total, wv / total, wz / total
            a = b = 0.0
            if plane:
                uu = vv = uv = uz = vz = 0.0
                for q in range(m):
                    x, y, t = u[q] - mu, v[q] - mv, z[q] - mz
                    uu += w[q] * x * x
                    vv += w[q] * y * y
                    uv += w[q] * x * y
                    uz += w[q] * x * t
                    vz += w[q] * y * t
                det = uu * vv - uv * uv
                if det > 1e-3 * (uu + vv) ** 2 / 4.0:
                    a, b = (uz * vv - vz * uv) / det, (vz * uu - uz * uv) / det
            if m < 12 or step == 3:
                break
            for q in range(m):
                r[q] = abs(z[q] - mz - a * (u[q] - mu) - b * (v[q] - mv))
            sigma = 1.4826 * _median(r) / np.sqrt(free)
            if sigma <= 1e-7:
                break
            for q in range(m):
                x = abs(z[q] - mz - a * (u[q] - mu) - b * (v[q] - mv)) / (4.685 * sigma)
                w[q] = (1.0 - x * x) ** 2 if x < 1.0 else 0.0
        kept = 0
        square = total = 0.0
        for q in range(m):
            total += w[q]
            if w[q] > 0.0:
                kept += 1
                t = z[q] - mz - a * (u[q] - mu) - b * (v[q] - mv)
                square += w[q] * t * t
        out[c, 0], out[c, 1], out[c, 2] = mu, mv, mz
        if m >= 3:
            # The biweight leaves the scatter a little small: by 1.07 for Gaussian noise (computed).
            out[c, 3] = (1.07 if m >= 12 else 1.0) * np.sqrt(square / total / free)
        if plane:
            out[c, 4], out[c, 5] = a, b
        count[c] = kept

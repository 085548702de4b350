"""Small squares of the chart: the robust average of the points in each, with its standard error."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from ..chunks import by_chunks
from ..errors import ScanUnfitError
from ..scans.scan import Scan
from .chart import Grid
from .robust_cells import MAKES_A_PLANE, Averages, average_groups
from .unroll import SKIN, SKIN_REASONS, Skin
from .voxels import Voxels

Floats = NDArray[np.float64]
_MOST_CELLS = 4_000_000
_SPACINGS, _FEWEST_SPACINGS = 3.0, 2.0
_LEAST_LAYER = 0.15
_FEWEST_TO_SCATTER = 3
_NEIGHBOUR_CELLS = 3.0


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
    dropped : {reason: vertices} of what was cut off.
    """

    uvh: NDArray[np.float32]
    counted: NDArray[np.bool_]
    dropped: dict[str, int]


def chart_points(scan: Scan, voxels: Voxels, skin: Skin) -> ChartedPoints:
    """Put the skin's points on the chart; flanges, inner sides and loose pieces become NaN."""
    uvh = np.full(scan.points_mm.shape, np.nan, np.float32)
    counted = np.zeros(len(uvh), np.bool_)
    chart = skin.chart

    def work(part: slice) -> NDArray[np.int64]:
        points = scan.points_mm[part]
        number = voxels.number(points)
        reason = skin.reason[number]
        usable = scan.usable[part] & (number >= 0)
        on_skin = (number >= 0) & (reason == SKIN)
        counted[part] = usable & on_skin
        uvh[part][on_skin] = chart.to_chart(points[on_skin])
        of_file = slice(max(len(scan.vertices) - part.start, 0))
        return np.bincount(reason[of_file][usable[of_file]], minlength=len(SKIN_REASONS))

    counts = np.sum(by_chunks(work, len(uvh)), axis=0)
    dropped = {SKIN_REASONS[k]: int(counts[k]) for k in range(1, len(SKIN_REASONS)) if counts[k]}
    return ChartedPoints(uvh, counted, dropped)


def centred_grid(low: Floats, high: Floats, cell_mm: float) -> Grid:
    """The grid over a box of the chart, centred on it: a mirrored panel has the same cells."""
    middle = 0.5 * (low + high)
    half = np.maximum(np.ceil((high - low) / 2 / cell_mm + 1e-6), 1).astype(int) + 1
    corner = middle - half * cell_mm
    if 4 * int(half[0]) * int(half[1]) > _MOST_CELLS:
        raise ScanUnfitError(
            f"the scan spans {high[0] - low[0]:.0f} x {high[1] - low[1]:.0f} mm, too much for "
            f"cells of {cell_mm:g} mm. Check --units, or take the panel out with `guidecoat crop`."
        )
    return Grid(float(corner[0]), float(corner[1]), cell_mm, (2 * int(half[0]), 2 * int(half[1])))


def cell_side_mm(spacing_mm: float, *, smallest_mm: float, largest_mm: float) -> float:
    """Side of cells for points so far apart: three spacings.

    Parameters
    ----------
    smallest_mm : no cell is smaller; largest_mm : no cell is larger, but for those that would
        hold under four points.
    """
    capped = min(_SPACINGS * spacing_mm, max(largest_mm, _FEWEST_SPACINGS * spacing_mm))
    return max(smallest_mm, capped)


def average_cells(
    charted: ChartedPoints, *, smallest_mm: float, largest_mm: float, spacing_mm: float
) -> Cells:
    """Average the points over cells of three spacings, about nine points each.

    Cells stay this small however noisy the scan is: edges and body lines need them so, and the
    fair surface averages over many of them by itself.

    Parameters
    ----------
    smallest_mm, largest_mm : see `cell_side_mm`; spacing_mm : of the points, nearly.
    """
    side = partial(cell_side_mm, smallest_mm=smallest_mm, largest_mm=largest_mm)
    if charted.counted.sum() < 100:
        raise ScanUnfitError(
            f"only {int(charted.counted.sum())} points lie on the skin; at least 100 are needed. "
            "Scan the panel more densely, or check --outside and --units."
        )
    low, high = _box(charted)
    cells = cells_on_grid(charted, centred_grid(low, high, side(spacing_mm)))
    wished = side(cells.spacing_mm)
    if not 0.87 < cells.grid.cell_mm / wished < 1.15:
        cells = cells_on_grid(charted, centred_grid(low, high, wished))
    return cells


def _box(charted: ChartedPoints) -> tuple[Floats, Floats]:
    """Lowest and highest u and v of the points that count."""

    def ends(part: slice) -> Floats:
        use = charted.counted[part]
        if not use.any():
            return np.array([[np.inf, np.inf], [-np.inf, -np.inf]])
        u, v = (charted.uvh[part, k][use] for k in range(2))
        return np.array([[u.min(), v.min()], [u.max(), v.max()]], np.float64)

    boxes = np.array(by_chunks(ends, len(charted.uvh)))
    return boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)


def cells_on_grid(charted: ChartedPoints, grid: Grid) -> Cells:
    """Average the points over the cells of a grid."""
    order, start = _sort_by_cell(charted, grid)
    occupied = np.diff(start)
    typical = float(np.median(occupied[occupied > 0]))
    found = average_groups(charted.uvh, order, start, max(2.0, _LEAST_LAYER * typical))
    shape = grid.shape
    spacing = grid.cell_mm / np.sqrt(typical)
    scatter, count = _about_slope(charted, order, start, found, shape), found.count
    noise = _noise(scatter, count)
    floor = np.where(np.isfinite(scatter), np.maximum(scatter, noise), noise)
    with np.errstate(invalid="ignore", divide="ignore"):
        error = np.where(count > 0, floor / np.sqrt(np.maximum(count, 1)), np.nan)
    return Cells(
        grid,
        found.u_mm.reshape(shape),
        found.v_mm.reshape(shape),
        found.height_mm.reshape(shape),
        error.reshape(shape),
        found.slope_u.reshape(shape),
        found.slope_v.reshape(shape),
        count.reshape(shape),
        found.layered.reshape(shape),
        noise,
        float(spacing),
    )


def _about_slope(
    charted: ChartedPoints,
    order: NDArray[np.int32],
    start: NDArray[np.int32],
    found: Averages,
    shape: tuple[int, int],
) -> Floats:
    """(n,) scatter of every cell; of one with too few points for a plane about its neighbour's.

    About their level they would scatter by what the skin rises within the cell.
    """
    out = found.scatter_mm.copy()
    size = np.diff(start)
    known = np.isfinite(found.slope_u)
    few = ~known & (found.count >= _FEWEST_TO_SCATTER) & (found.count == size)
    if not few.any() or not known.any():
        return out
    away, nearest = ndimage.distance_transform_edt(~known.reshape(shape), return_indices=True)
    few &= away.ravel() <= _NEIGHBOUR_CELLS
    like = np.ravel_multi_index(tuple(nearest), shape).ravel()
    cell = np.repeat(np.arange(len(size)), np.where(few, size, 0))
    point = order[: start[-1]][np.repeat(few, size)]
    u, v, h = charted.uvh[point].astype(np.float64).T
    rest = h - found.height_mm[cell]
    rest -= found.slope_u[like[cell]] * (u - found.u_mm[cell])
    rest -= found.slope_v[like[cell]] * (v - found.v_mm[cell])
    square = np.bincount(cell, rest**2, minlength=len(size))
    out[few] = np.minimum(out[few], np.sqrt(square[few] / (size[few] - 1)))
    return out


def _noise(scatter: Floats, count: NDArray[np.int32]) -> float:
    """Median scatter over the cells, each freed of its few points' leaning low.

    The median of chi squared over its k degrees of freedom is about (1 - 2 / 9k)^3
    (Wilson & Hilferty 1931).
    """
    known = np.isfinite(scatter) & (count >= MAKES_A_PLANE)
    lost = 3.0
    if not known.any():
        known, lost = np.isfinite(scatter) & (count >= 3), 1.0
    if not known.any():
        return 0.0
    degrees = np.maximum(count[known] - lost, 1.0)
    return float(np.median(scatter[known] / (1.0 - 2.0 / (9.0 * degrees)) ** 1.5))


def _sort_by_cell(
    charted: ChartedPoints, grid: Grid
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Point numbers grouped by cell, in file order, and where each cell's group starts."""
    n, cells = len(charted.uvh), grid.shape[0] * grid.shape[1]
    cell = np.empty(n, np.int32)

    def work(part: slice) -> None:
        # What does not count goes into one group more, which is left out.
        uv = np.where(charted.counted[part], charted.uvh[part, :2].T.astype(np.float64), 0.0)
        i, j = grid.index(uv[0], uv[1])
        cell[part] = np.where(charted.counted[part], i * grid.shape[1] + j, cells)

    by_chunks(work, n)
    # A sparse matrix is sorted by its rows without a comparison, and keeps their entries in order.
    entries = (np.ones(n, np.int8), (cell, np.arange(n, dtype=np.int32)))
    grouped = sparse.coo_array(entries, shape=(cells + 1, n)).tocsr()
    return grouped.indices, grouped.indptr[:-1]

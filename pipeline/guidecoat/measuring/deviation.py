"""Signed deviation from the fair surface, along its normal, for every cell and every point."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..chunks import by_chunks
from ..numerics.calming import (
    CALM_GAIN,
    HALF_WAVE_SIGMAS,
    UNSMOOTHED,
    calm_cells,
    calmed,
    carried_past,
    masked_gaussian,
    smoothed,
)
from ..numerics.specks import wild_cells
from ..outline.faces import JUDGED, REASONS, Faces
from ..rules import GUARD
from ..scans.scan import Scan
from ..surface.fairing import FairSurface
from ..unrolling.cells import Cells, ChartedPoints
from ..unrolling.chart import Chart
from .blind import NOISE, SURFACE
from .feet import Feet

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

IN, HIGH, LOW, UNDECIDED, HELD, RIPPLE, NOT_JUDGED = 0, 1, 2, 3, 4, 5, 255

_SIGMA_BLOCK_MM = 45.0
_MOST_SIGMAS = 300
_MISFIT_WINDOW_MM = 15.0
# Points so far off their cells' planes are not the skin's (choice).
_OFF_SKIN_MM = 0.8
_OFF_SKIN_NOISE = 8.0


def is_judged(status: NDArray[np.uint8]) -> Mask:
    """(n,) bool, places with a deviation, by their status codes."""
    return ~np.isin(status, (HELD, NOT_JUDGED))


@dataclass(frozen=True, eq=False)
class Deviation:
    """Deviation on the cells' grid (nu, nv) and at the scan's vertices (n,).

    cell_mm : signed, + is high, NaN where not judged; smooth_mm : the same over a cell or
    3 mm; cell_sigma_mm : standard uncertainty of `smooth_mm`, the surface's own
    included; surface_sigma_mm : that alone; cell_slope_mrad : size of the slope error;
    slope_sigma_mrad : its noise; cell_status and point_status : uint8 codes of this module;
    point_mm : (n,) float32, NaN where not judged; not_judged : (nu, nv) uint8 index into
    `reasons` (0 = judged).
    """

    cell_mm: Floats
    smooth_mm: Floats
    cell_sigma_mm: Floats
    surface_sigma_mm: Floats
    cell_slope_mrad: Floats
    slope_sigma_mrad: float
    cell_status: NDArray[np.uint8]
    point_mm: NDArray[np.float32]
    point_status: NDArray[np.uint8]
    not_judged: NDArray[np.uint8]
    reasons: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class CellDeviation:
    """The part of a deviation that lives on cells; see `Deviation`.

    slope_window_mm : sigma over which the heights were averaged before their slopes were taken:
    slopes nearer than that err together.
    """

    cell_mm: Floats
    smooth_mm: Floats
    sigma_mm: Floats
    surface_sigma_mm: Floats
    slope_mrad: Floats
    slope_sigma_mrad: float
    judged: Mask
    slope_window_mm: float

    @property
    def smallest_visible_mm(self) -> float:
        """The least height that such a scan tells from nothing: 2 x 1.645 u (ISO 11843-1)."""
        return 2.0 * GUARD * float(np.nanmedian(self.sigma_mm[self.judged]))

    @property
    def usual_uncertainty_mm(self) -> float:
        """The expanded uncertainty (k = 2) of a height, usually: that of a mark is its own."""
        return 2.0 * float(np.nanmedian(self.sigma_mm[self.judged]))

    def with_points(
        self,
        status: NDArray[np.uint8],
        point_mm: NDArray[np.float32],
        point_status: NDArray[np.uint8],
        reason: NDArray[np.uint8],
    ) -> Deviation:
        """The whole deviation; reason : (nu, nv) index into `REASONS` of cells not judged."""
        return Deviation(
            self.cell_mm,
            self.smooth_mm,
            self.sigma_mm,
            self.surface_sigma_mm,
            self.slope_mrad,
            self.slope_sigma_mrad,
            status,
            point_mm,
            point_status,
            np.where(self.judged, np.uint8(JUDGED), reason),
            REASONS,
        )

    @property
    def blurred_by(self) -> str:
        """Whether the least visible height is owed to the scan's noise or to the fair surface."""
        whole = float(np.nanmedian(self.sigma_mm[self.judged] ** 2))
        return NOISE if 2.0 * self.height_noise_mm**2 > whole else SURFACE

    @cached_property
    def height_noise_mm(self) -> float:
        """What is left of the cells' own noise in `smooth_mm`, usually."""
        own = (self.sigma_mm**2 - self.surface_sigma_mm**2)[self.judged]
        return float(np.sqrt(max(np.nanmedian(own), 0.0))) if len(own) else 0.0


def normal_distance(
    points_mm: NDArray[np.floating],
    chart: Chart,
    faces: Faces,
    cells: Cells,
    surface: FairSurface,
) -> NDArray[np.float64]:
    """(n,) signed distance (mm, + outside) of points from the fair surface, NaN off its faces.

    Exact to far below 1 micrometre for points within a tenth of the surface's radius of
    curvature; points are (n, 3) local mm.
    """
    feet = Feet.of(chart, faces, cells.grid, surface)
    out = np.empty(len(points_mm))

    def work(part: slice) -> None:
        out[part] = feet.distances(points_mm[part])

    by_chunks(work, len(out))
    return out


def measure_cells(
    cells: Cells,
    chart: Chart,
    faces: Faces,
    surface: FairSurface,
    skin: Mask,
    *,
    smoothing_mm: float,
) -> CellDeviation:
    """Deviation, slope error and their uncertainties on the cells.

    Parameters
    ----------
    smoothing_mm : wavelength of which half is left when the deviation is smoothed for its slope.
    """
    judged = skin & (faces.reason == JUDGED)
    where = np.nonzero(judged)
    points = chart.to_space(
        np.column_stack([cells.u_mm[where], cells.v_mm[where], cells.height_mm[where]])
    )
    cell = np.full(judged.shape, np.nan)
    cell[where] = normal_distance(points, chart, faces, cells, surface)
    judged &= np.isfinite(cell) & ~wild_cells(cell)
    cell[~judged] = np.nan
    side = cells.grid.cell_mm
    calm = calm_cells(side)
    smooth, lost = calmed(cell, judged, calm)
    gain = CALM_GAIN / calm
    window = smoothing_mm / HALF_WAVE_SIGMAS
    sigma = window / side
    level = smoothed(cell, judged, sigma)
    slope_u, slope_v = np.gradient(carried_past(level, judged), side)
    slope = np.where(judged, 1e3 * np.hypot(slope_u, slope_v), np.nan)
    surface_sigma = np.hypot(
        _surface_sigma(surface, faces, cells, judged), _misfit(cell, faces, surface, judged, side)
    )
    noise = np.where(judged, cells.error_mm, np.nan)
    total = np.sqrt((gain * noise) ** 2 + lost**2 + surface_sigma**2)
    usual = float(np.nanmedian(noise)) if judged.any() else 0.0
    slope_sigma = 1e3 * usual / side * _slope_gain(sigma)
    return CellDeviation(cell, smooth, total, surface_sigma, slope, slope_sigma, judged, window)


def _misfit(cell: Floats, faces: Faces, surface: FairSurface, judged: Mask, side: float) -> Floats:
    """How far the surface lies off the sound cells over lengths well above a cell, per face.

    The mean square of the deviation over a 15 mm window: what form the batten could not follow.
    """
    out = np.zeros(judged.shape)
    for face in surface.faces:
        sound = judged & face.sound & (faces.label == face.face)
        if sound.sum() < 20:
            continue
        window = max(1.0, _MISFIT_WINDOW_MM / side)
        mean = masked_gaussian(cell, sound, window)[sound]
        # On a panel that is rough all over, most of that is the panel: the surface's own part is
        # what the residual rose by as the batten lengthened.
        floor = min(scale for _, scale in face.climb)
        rise = np.sqrt(max(face.scale_mm**2 - floor**2, 0.0))
        out[faces.label == face.face] = min(float(np.sqrt(np.mean(mean**2))), float(rise))
    return out


def _slope_gain(sigma: float) -> float:
    """Standard deviation of one slope of unit noise after `2 G - G^2`, per cell.

    Sums of squares of the separable kernels: with a the Gaussian, b = a * a and D, S the dot
    products of their differences and of themselves, 4 D(a,a) S(a,a) - 4 D(a,b) S(a,b) +
    D(b,b) S(b,b).
    """
    spike = np.zeros(2 * int(12 * max(sigma, 1.0)) + 9)
    spike[len(spike) // 2] = 1.0
    if sigma < UNSMOOTHED:
        return float(np.linalg.norm(np.gradient(spike)))
    a = ndimage.gaussian_filter1d(spike, sigma)
    b = ndimage.gaussian_filter1d(a, sigma)

    def product(p: Floats, q: Floats) -> float:
        return float((np.gradient(p) @ np.gradient(q)) * (p @ q))

    one = 4.0 * product(a, a) - 4.0 * product(a, b) + product(b, b)
    return float(np.sqrt(one))


def _surface_sigma(surface: FairSurface, faces: Faces, cells: Cells, judged: Mask) -> Floats:
    """The surface's own standard uncertainty, at one cell of each block and spread over it."""
    side = cells.grid.cell_mm
    wished = max(_SIGMA_BLOCK_MM, side * np.sqrt(judged.sum() / _MOST_SIGMAS))
    block = max(1, round(wished / side))
    out = np.full(judged.shape, np.nan)
    for face in surface.faces:
        member = judged & (faces.label == face.face)
        i, j = np.nonzero(member)
        if not len(i):
            continue
        centred = (i % block - block // 2) ** 2 + (j % block - block // 2) ** 2
        code = (i // block) * (judged.shape[1] // block + 1) + j // block
        order = np.lexsort((centred, code))
        first = order[np.unique(code[order], return_index=True)[1]]
        chosen = np.zeros(judged.shape, bool)
        chosen[i[first], j[first]] = True
        sparse = np.full(judged.shape, np.nan)
        sparse[i[first], j[first]] = face.sigma_mm(
            cells.u_mm[i[first], j[first]], cells.v_mm[i[first], j[first]]
        )
        _, (a, b) = ndimage.distance_transform_edt(~chosen, return_indices=True)
        spread = ndimage.gaussian_filter(sparse[a, b], block / 2.0)
        out[member] = spread[member]
    return out


def measure_points(
    scan: Scan,
    charted: ChartedPoints,
    cells: Cells,
    chart: Chart,
    faces: Faces,
    surface: FairSurface,
    cell_status: NDArray[np.uint8],
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Deviation (n,) float32 and status (n,) uint8 of every vertex of the file, in its order.

    A point counts as the skin's when it lies within 0.8 mm (or eight times the noise) of its
    cell's plane: what lies behind or flies before it is not judged.
    """
    n = len(scan.vertices)
    deviation = np.full(n, np.nan, np.float32)
    status = np.full(n, NOT_JUDGED, np.uint8)
    planes = CellPlanes.of(cells)
    feet = Feet.of(chart, faces, cells.grid, surface)

    def work(part: slice) -> None:
        rows, cell = planes.points_on(charted.uvh[part])
        if not len(rows):
            return
        code = cell_status[cell]
        off = feet.distances(scan.points_mm[part][rows].astype(np.float64))
        off[(code == HELD) | (code == NOT_JUDGED)] = np.nan
        deviation[part][rows] = off
        status[part][rows] = np.where(np.isfinite(off) | (code == HELD), code, NOT_JUDGED)

    by_chunks(work, n)
    return deviation, status


@dataclass(frozen=True, eq=False)
class CellPlanes:
    """The planes of the cells, by which points of the skin are told from others."""

    cells: Cells
    slope_u: Floats
    slope_v: Floats
    reach_mm: float

    @classmethod
    def of(cls, cells: Cells) -> CellPlanes:
        """The planes of all cells, and how far off them a point still lies on the skin."""
        reach = max(_OFF_SKIN_MM, _OFF_SKIN_NOISE * cells.noise_mm)
        return cls(cells, np.nan_to_num(cells.slope_u), np.nan_to_num(cells.slope_v), reach)

    def points_on(
        self, uvh: NDArray[np.float32]
    ) -> tuple[NDArray[np.intp], tuple[NDArray[np.intp], NDArray[np.intp]]]:
        """(k,) rows of the points within reach of their cells' planes, and those cells."""
        rows = np.flatnonzero(np.isfinite(uvh[:, 0]))
        u, v, h = (uvh[rows, k].astype(np.float64) for k in range(3))
        cells, (i, j) = self.cells, self.cells.grid.index(u, v)
        plane = (
            cells.height_mm[i, j]
            + self.slope_u[i, j] * (u - cells.u_mm[i, j])
            + self.slope_v[i, j] * (v - cells.v_mm[i, j])
        )
        near = np.abs(h - plane) <= self.reach_mm
        return rows[near], (i[near], j[near])

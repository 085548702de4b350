"""Signed deviation from the fair surface, along its normal, for every cell and every point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from .blind import NOISE, SURFACE
from .calming import CALM_GAIN, calmed, masked_gaussian
from .cells import Cells, ChartedPoints
from .chart import Chart
from .chunks import by_chunks
from .faces import JUDGED, Faces
from .fairing import FairSurface
from .rules import GUARD
from .scan import Scan
from .specks import wild_cells

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

IN, HIGH, LOW, UNDECIDED, HELD, NOT_JUDGED = 0, 1, 2, 3, 4, 255

_SIGMA_BLOCK_MM = 45.0
_MOST_SIGMAS = 300
_CALM_MM = 3.0
_MISFIT_WINDOW_MM = 15.0
_OFF_SKIN_MM = 0.8
_OFF_SKIN_NOISE = 8.0
# Gaussian applied twice over (2 G - G^2) passes half of a wave of this many sigmas.
_HALF_WAVE_SIGMAS = 2.0 * np.pi / 1.5674


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
    """The part of a deviation that lives on cells; see `Deviation`."""

    cell_mm: Floats
    smooth_mm: Floats
    sigma_mm: Floats
    surface_sigma_mm: Floats
    slope_mrad: Floats
    slope_sigma_mrad: float
    judged: Mask

    @property
    def smallest_visible_mm(self) -> float:
        """The least height that such a scan tells from nothing: 2 x 1.645 u (ISO 11843-1)."""
        return 2.0 * GUARD * float(np.nanmedian(self.sigma_mm[self.judged]))

    @property
    def blurred_by(self) -> str:
        """Whether the least visible height is owed to the scan's noise or to the fair surface."""
        whole = float(np.nanmedian(self.sigma_mm[self.judged] ** 2))
        return NOISE if 2.0 * self.height_noise_mm**2 > whole else SURFACE

    @property
    def height_noise_mm(self) -> float:
        """What is left of the cells' own noise in `smooth_mm`, usually."""
        own = (self.sigma_mm**2 - self.surface_sigma_mm**2)[self.judged]
        return float(np.sqrt(max(np.nanmedian(own), 0.0))) if len(own) else 0.0


@njit(cache=True, nogil=True)
def _feet(points, origin, rotation, curvature, cell0, cell, face, lattices, knot0, knot, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Signed distance along the normal to the foot point, by Gauss-Newton from the first-order
    value; NaN where no face lies under a point.
    """
    nu, nv = face.shape
    k = curvature
    bu, bv, du, dv = np.empty(4), np.empty(4), np.empty(4), np.empty(4)
    for n in range(len(points)):
        out[n] = np.nan
        x = np.float64(points[n, 0]) - origin[0]
        y = np.float64(points[n, 1]) - origin[1]
        z = np.float64(points[n, 2]) - origin[2]
        q0 = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z
        q1 = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z
        q2 = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z
        if not np.isfinite(q0 + q1 + q2):
            continue
        u = q0
        v = q1 if k == 0.0 else np.arctan2(k * q1, 1.0 + k * q2) / k
        i, j = int(np.floor((u - cell0[0]) / cell)), int(np.floor((v - cell0[1]) / cell))
        if i < 0 or j < 0 or i >= nu or j >= nv or face[i, j] == 0:
            continue
        c = lattices[face[i, j] - 1]
        for _ in range(4):
            a, b = (u - knot0[0]) / knot, (v - knot0[1]) / knot
            i, j = int(np.floor(a)), int(np.floor(b))
            if i < 0 or j < 0 or i + 3 >= c.shape[0] or j + 3 >= c.shape[1]:
                u = np.nan
                break
            _pieces_at(a - i, bu, du)
            _pieces_at(b - j, bv, dv)
            s = su = sv = 0.0
            for p in range(4):
                r0 = r1 = 0.0
                for m in range(4):
                    w = c[i + p, j + m]
                    r0 += w * bv[m]
                    r1 += w * dv[m]
                s += bu[p] * r0
                su += du[p] * r0
                sv += bu[p] * r1
            su, sv = su / knot, sv / knot
            sine, cosine, xa, xb = 0.0, 1.0, v, s
            if k != 0.0:
                half = np.sin(0.5 * k * v)
                sine, cosine = 2.0 * half * np.cos(0.5 * k * v), 1.0 - 2.0 * half * half
                xa = sine / k + s * sine
                xb = s * cosine - 2.0 * half * half / k
            grow = 1.0 + k * s
            ua, ub = su * sine, su * cosine
            va, vb = grow * cosine + sv * sine, sv * cosine - grow * sine
            r0, r1, r2 = q0 - u, q1 - xa, q2 - xb
            uu, uv, vv = 1.0 + ua * ua + ub * ub, ua * va + ub * vb, va * va + vb * vb
            ru, rv = r0 + ua * r1 + ub * r2, va * r1 + vb * r2
            det = uu * vv - uv * uv
            step_u, step_v = (ru * vv - rv * uv) / det, (rv * uu - ru * uv) / det
            n0, n1, n2 = ua * vb - ub * va, -vb, va
            size = np.sqrt(n0 * n0 + n1 * n1 + n2 * n2)
            out[n] = (r0 * n0 + r1 * n1 + r2 * n2) / size
            # The distance is off by the step's square over the surface's radius.
            if abs(step_u) + abs(step_v) < 5e-3:
                break
            u, v = u + step_u, v + step_v
        if not np.isfinite(u):
            out[n] = np.nan


@njit(cache=True, nogil=True)
def _pieces_at(t, value, slope):  # type: ignore[no-untyped-def]  # pragma: no cover
    w = 1.0 - t
    value[0], slope[0] = w * w * w / 6.0, -0.5 * w * w
    value[1], slope[1] = (4.0 + t * t * (3.0 * t - 6.0)) / 6.0, t * (1.5 * t - 2.0)
    value[2], slope[2] = (4.0 + w * w * (3.0 * w - 6.0)) / 6.0, -w * (1.5 * w - 2.0)
    value[3], slope[3] = t * t * t / 6.0, 0.5 * t * t


def normal_distance(
    points_mm: NDArray[np.floating],
    chart: Chart,
    cells_grid_faces: Faces,
    cells: Cells,
    surface: FairSurface,
) -> NDArray[np.float64]:
    """(n,) signed distance (mm, + outside) of points from the fair surface, NaN off its faces.

    Exact to far below 1 micrometre for points within a tenth of the surface's radius of
    curvature; points are (n, 3) local mm.
    """
    out = np.empty(len(points_mm))
    grid = cells.grid
    lattices = np.nan_to_num(surface.lattices)
    label = cells_grid_faces.label

    def work(part: slice) -> None:
        _feet(
            points_mm[part],
            chart.origin_mm,
            chart.rotation,
            float(chart.curvature_per_mm),
            np.array([grid.u0_mm, grid.v0_mm]),
            float(grid.cell_mm),
            label,
            lattices,
            np.array([surface.u0, surface.v0]),
            float(surface.knot_mm),
            out[part],
        )

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
    calm = max(1.0, _CALM_MM / side)
    smooth, lost = calmed(cell, judged, calm)
    gain = CALM_GAIN / calm
    sigma = smoothing_mm / _HALF_WAVE_SIGMAS / side
    level = _smoothed(cell, judged, sigma)
    slope_u, slope_v = np.gradient(_filled(level, judged), side)
    slope = np.where(judged, 1e3 * np.hypot(slope_u, slope_v), np.nan)
    surface_sigma = np.hypot(
        _surface_sigma(surface, faces, cells, judged), _misfit(cell, faces, surface, judged, side)
    )
    noise = np.where(judged, cells.error_mm, np.nan)
    total = np.sqrt((gain * noise) ** 2 + lost**2 + surface_sigma**2)
    usual = float(np.nanmedian(noise)) if judged.any() else 0.0
    slope_sigma = 1e3 * usual / side * _slope_gain(sigma)
    return CellDeviation(cell, smooth, total, surface_sigma, slope, slope_sigma, judged)


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


def _smoothed(cell: Floats, judged: Mask, sigma: float) -> Floats:
    """`2 G - G^2` of the judged cells only: a Gaussian window that loses little of long waves."""
    if sigma < 0.35:
        return cell
    once = masked_gaussian(cell, judged, sigma)
    return 2.0 * once - masked_gaussian(once, judged, sigma)


def _slope_gain(sigma: float) -> float:
    """Standard deviation of one slope of unit noise after `2 G - G^2`, per cell.

    Sums of squares of the separable kernels: with a the Gaussian, b = a * a and D, S the dot
    products of their differences and of themselves, 4 D(a,a) S(a,a) - 4 D(a,b) S(a,b) +
    D(b,b) S(b,b).
    """
    spike = np.zeros(2 * int(12 * max(sigma, 1.0)) + 9)
    spike[len(spike) // 2] = 1.0
    if sigma < 0.35:
        return float(np.linalg.norm(np.gradient(spike)))
    a = ndimage.gaussian_filter1d(spike, sigma)
    b = ndimage.gaussian_filter1d(a, sigma)

    def product(p: Floats, q: Floats) -> float:
        return float((np.gradient(p) @ np.gradient(q)) * (p @ q))

    one = 4.0 * product(a, a) - 4.0 * product(a, b) + product(b, b)
    return float(np.sqrt(one))


def _filled(field: Floats, mask: Mask) -> Floats:
    """The field carried on past its mask from the nearest cell, so that slopes end level there."""
    if mask.all() or not mask.any():
        return np.nan_to_num(field)
    _, (i, j) = ndimage.distance_transform_edt(~mask, return_indices=True)
    return np.asarray(field[i, j])


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
    n = len(scan.points_mm)
    deviation = np.full(n, np.nan, np.float32)
    status = np.full(n, NOT_JUDGED, np.uint8)
    reach = max(_OFF_SKIN_MM, _OFF_SKIN_NOISE * cells.noise_mm)
    slope_u, slope_v = np.nan_to_num(cells.slope_u), np.nan_to_num(cells.slope_v)

    def work(part: slice) -> None:
        uvh = charted.uvh[part]
        rows = np.flatnonzero(np.isfinite(uvh[:, 0]))
        if not len(rows):
            return
        u, v, h = (uvh[rows, k].astype(np.float64) for k in range(3))
        i, j = cells.grid.index(u, v)
        plane = (
            cells.height_mm[i, j]
            + slope_u[i, j] * (u - cells.u_mm[i, j])
            + slope_v[i, j] * (v - cells.v_mm[i, j])
        )
        near = np.abs(h - plane) <= reach
        rows, code = rows[near], cell_status[i[near], j[near]]
        out = np.empty(len(rows))
        _feet(
            scan.points_mm[part][rows].astype(np.float64),
            chart.origin_mm,
            chart.rotation,
            float(chart.curvature_per_mm),
            np.array([cells.grid.u0_mm, cells.grid.v0_mm]),
            float(cells.grid.cell_mm),
            faces.label,
            lattices,
            np.array([surface.u0, surface.v0]),
            float(surface.knot_mm),
            out,
        )
        out[(code == HELD) | (code == NOT_JUDGED)] = np.nan
        code = np.where(np.isfinite(out) | (code == HELD), code, NOT_JUDGED)
        deviation[part][rows] = out
        status[part][rows] = code

    lattices = np.nan_to_num(surface.lattices)
    by_chunks(work, n)
    return deviation, status

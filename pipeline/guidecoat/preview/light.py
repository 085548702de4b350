"""The light on a panel: highlight lines, and how far the bands of a row of lamps wander.

Paint shows slope, not height. A row of straight lamps is hung over the panel; a place is bright
where the panel's normal, carried on, meets a lamp (Beier & Chen 1994, Computer-Aided Design 26(4),
"Highlight-line algorithm for realtime surface-quality assessment"). On the fair surface the bands
run evenly; on the measured one they wander.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..findings.regions import Region
from ..measuring.deviation import Deviation
from ..numerics.calming import HALF_WAVE_SIGMAS, carried_past, smoothed
from ..outline.faces import Faces
from ..surface.fair_points import fair_points
from ..surface.fairing import FairSurface
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ALONG, UPRIGHT = "along", "upright"
"""Lamps that run along the panel (its u), and lamps that run around it (its v)."""

_BANDS = 9
_LAMP_SHARE = 0.18
_NOISE_SHARE_OF_SLOPE = 0.125
_LONGEST_SMOOTHING_MM = 150.0
_CENTRAL = (0.01, 0.99)
_CENTRAL_SIGMAS = 2.0 * 2.3263
_ROUND = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True, eq=False)
class Lamps:
    """A row of straight, parallel lamps: one through `point_mm`, others `spacing_mm` apart.

    point_mm, along, across : (3,) local mm and unit vectors, `along` the lamps and `across` the
    row; radius_mm : of a lamp.
    """

    point_mm: Floats
    along: Floats
    across: Floats
    spacing_mm: float
    radius_mm: float


def lamp_place(points_mm: Floats, normals: Floats, lamps: Lamps) -> tuple[Floats, Floats]:
    """Where in the row a lamp must hang to light a place, and how far a shift of it counts.

    A place p is as far from the light of a lamp as its normal n, carried on, passes the lamp's
    middle line through A along B: d = |(A - p) . (n x B)| / |n x B| (Beier & Chen 1994). A lamp of
    radius r lights the band d <= r. NaN where the normal runs along the lamps.

    Returns
    -------
    place_mm : (...) distance from `point_mm` along `across`; a lamp hung there has distance 0.
    share : (...) mm of distance per mm that the lamp is moved off it, at most 1.

    So a place is lit where |x - place| * share <= radius for the lamp at x: moving the lamps only
    moves a threshold.
    """
    way = np.cross(normals, lamps.along)
    with np.errstate(invalid="ignore", divide="ignore"):
        way = way / np.linalg.norm(way, axis=-1)[..., None]
        slope = way @ lamps.across
        place = -((lamps.point_mm - points_mm) * way).sum(axis=-1) / slope
    return np.asarray(place), np.asarray(np.abs(slope))


def band_shift(slope_mrad: Floats, *, distance_mm: float) -> Floats:
    """(...) how far (mm) a band seen mirrored from a distance moves where the slope is out.

    A mirror turned by a turns its ray by 2 a.

    >>> float(band_shift(np.array(1.0), distance_mm=2000.0))
    4.0
    """
    return np.asarray(2e-3 * distance_mm * slope_mrad)


@dataclass(frozen=True, eq=False)
class LitPanel:
    """A panel ready to be lit; arrays on the cells' grid (nu, nv), NaN where nothing is known.

    points_mm, fair_normals : (nu, nv, 3) of the fair surface on all faces; measured_normals : of
    the scan where it is judged; shift_along_mm, shift_upright_mm : (nu, nv) how far a mirrored
    band moves there, for lamps of either way; smoothing_mm : wavelength of which half is left in
    the measured surface; slope_noise_mrad : what is left of the scan's noise; distance_mm : from
    where the reflection is looked at.
    """

    points_mm: Floats
    fair_normals: Floats
    measured_normals: Floats
    shift_along_mm: Floats
    shift_upright_mm: Floats
    smoothing_mm: float
    slope_noise_mrad: float
    distance_mm: float

    @property
    def wander_noise_mm(self) -> float:
        """Wander that the scan's noise alone would show."""
        noise = float(band_shift(np.array(self.slope_noise_mrad), distance_mm=self.distance_mm))
        return _CENTRAL_SIGMAS * noise


def light_panel(
    chart: Chart,
    cells: Cells,
    faces: Faces,
    fair: FairSurface,
    deviation: Deviation,
    *,
    distance_mm: float,
    slope_tolerance_mrad: float,
) -> LitPanel:
    """Prepare a checked panel for the light.

    The measured surface is the fair one plus the deviation, which is smoothed only until the
    noise of its slope is an eighth of the slope tolerance.
    """
    shape = cells.grid.shape
    judged = np.isfinite(deviation.cell_mm)
    # A face on which nothing is judged has no fair surface worth lighting.
    lit = np.isin(faces.label, np.unique(faces.label[judged]))
    u, v = np.meshgrid(cells.grid.u_mm, cells.grid.v_mm, indexing="ij")
    u = np.where(lit, u, np.nan)
    place = fair_points(chart, cells, faces, fair, u.ravel(), v.ravel())
    side = cells.grid.cell_mm
    error = float(np.median(cells.error_mm[judged])) if judged.any() else 0.0
    window = _window_mm(error, side, _NOISE_SHARE_OF_SLOPE * slope_tolerance_mrad)
    smooth = smoothed(deviation.cell_mm, judged, window / side)
    slope_u, slope_v = np.gradient(carried_past(smooth, judged), side)
    slope_u, slope_v = (np.where(judged, s, np.nan).ravel() for s in (slope_u, slope_v))
    along_u = place.along_u + slope_u[:, None] * place.normals
    along_v = place.along_v + slope_v[:, None] * place.normals
    measured = np.cross(along_u, along_v)
    measured /= np.linalg.norm(measured, axis=1)[:, None]
    per_mm_u, per_mm_v = (np.linalg.norm(t, axis=1) for t in (place.along_u, place.along_v))
    return LitPanel(
        place.points_mm.reshape(*shape, 3),
        place.normals.reshape(*shape, 3),
        measured.reshape(*shape, 3),
        band_shift(1e3 * slope_v / per_mm_v, distance_mm=distance_mm).reshape(shape),
        band_shift(1e3 * slope_u / per_mm_u, distance_mm=distance_mm).reshape(shape),
        window * HALF_WAVE_SIGMAS,
        _slope_noise_mrad(error, side, window),
        distance_mm,
    )


def lamps_over(chart: Chart, lit: LitPanel, way: str) -> Lamps:
    """A row of lamps over the panel, as far off as it is looked at from.

    Their spacing is a round figure that shows about nine bands on the fair surface.
    """
    u_axis, v_axis, out = chart.rotation
    along, across = (u_axis, v_axis) if way == ALONG else (v_axis, u_axis)
    middle = np.nanmean(lit.points_mm.reshape(-1, 3), axis=0)
    single = Lamps(middle + lit.distance_mm * out, along, across, 0.0, 0.0)
    place, share = lamp_place(lit.points_mm, lit.fair_normals, single)
    seen = place[np.isfinite(place) & (share > 0.2)]
    span = float(np.subtract(*np.quantile(seen, (0.98, 0.02)))) if seen.size else 0.0
    spacing = _rounded(max(span, 10.0) / _BANDS)
    return Lamps(single.point_mm, along, across, spacing, _LAMP_SHARE * spacing)


def wander_mm(lit: LitPanel, where: Mask) -> float:
    """How far a band wanders within a mask: from its greatest shift one way to the other.

    The larger of the two ways of hanging the lamps; the central 98 % of the cells count. NaN
    where nothing is known.
    """
    found = []
    for shift in (lit.shift_along_mm, lit.shift_upright_mm):
        here = shift[where & np.isfinite(shift)]
        if here.size:
            found.append(float(np.subtract(*np.quantile(here, _CENTRAL[::-1]))))
    return max(found, default=float("nan"))


def wander_by_region(lit: LitPanel, regions: tuple[Region, ...]) -> dict[str, float]:
    """{region name: wander in mm} over each footprint."""
    return {region.region: wander_mm(lit, region.footprint) for region in regions}


def panel_wander_mm(lit: LitPanel, regions: tuple[Region, ...]) -> float:
    """How far a band wanders over the panel: the most over all of it or over any one region.

    A small mark is a smaller share of the panel than is left out as stray, and yet the eye goes
    to it. NaN where nothing is known.
    """
    whole = wander_mm(lit, np.ones(lit.shift_along_mm.shape, bool))
    known = [w for w in (whole, *wander_by_region(lit, regions).values()) if np.isfinite(w)]
    return max(known, default=float("nan"))


def _slope_noise_mrad(error_mm: float, cell_mm: float, window_mm: float) -> float:
    """Slope noise of a Gaussian window in each direction, e c / (w^2 sqrt(8 pi)), times 1.3 for
    the second application; on single cells e / (c sqrt 2).
    """
    if window_mm < 0.35 * cell_mm:
        return 1e3 * error_mm / (cell_mm * np.sqrt(2.0))
    window_mm = max(window_mm, 0.7 * cell_mm)
    return float(1e3 * 1.3 * error_mm * cell_mm / (window_mm**2 * np.sqrt(8.0 * np.pi)))


def _window_mm(error_mm: float, cell_mm: float, wanted_mrad: float) -> float:
    """The shortest Gaussian window (sigma, mm) that quiets the slope noise to what is wanted."""
    if _slope_noise_mrad(error_mm, cell_mm, 0.0) <= wanted_mrad:
        return 0.0
    window = np.sqrt(1.3e3 * error_mm * cell_mm / (wanted_mrad * np.sqrt(8.0 * np.pi)))
    return float(np.clip(window, 0.7 * cell_mm, _LONGEST_SMOOTHING_MM / HALF_WAVE_SIGMAS))


def _rounded(value: float) -> float:
    """The round figure nearest a positive value, by ratio.

    >>> _rounded(43.0)
    50.0
    """
    decade = 10.0 ** np.floor(np.log10(value))
    return float(decade * min(_ROUND, key=lambda step: abs(np.log(value / decade / step))))

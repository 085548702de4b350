"""One pass over a panel: a scan laid on the yardstick, and measured from its fair surface."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..check import CheckResult
from ..doubts.doubting import Seen, doubt_regions
from ..errors import ScanUnfitError
from ..findings.edge_regions import with_knocks
from ..findings.judging import status_of, verdict_of
from ..findings.marks import find_marks
from ..findings.regions import Region, measure_regions
from ..measuring.counts import count_points
from ..measuring.deviation import (
    CellDeviation,
    measure_cells,
    measure_points,
    normal_distance,
)
from ..numerics.calming import HALF_WAVE_SIGMAS, masked_gaussian
from ..outline.faces import BAND, JUDGED, LINE, OFF, STRIP, Faces, skin_mask
from ..registration import Registration
from ..registration.rigid import inverse
from ..scans.scan import Scan
from ..settings import Settings
from ..surface.edge_bands import edge_bands
from ..unrolling.cells import Cells, ChartedPoints, average_cells, cells_on_grid, chart_points
from ..unrolling.chart import Chart
from ..unrolling.unroll import lay_chart
from ..unrolling.voxels import voxelise
from ..workplan.actions import with_actions
from .scan_words import scan_words

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CHUNK = 1 << 20
# What filler or metal work may have moved the skin by, and some air.
_REACH_MM = 12.0
_FEWEST_POINTS = 500
_MOST_LAYERED = 0.3


@dataclass(frozen=True, eq=False)
class Pass:
    """One scan on the yardstick.

    result : its highs and lows, in the shape of a check; its chart is the yardstick's, moved into
        this scan's own frame, its cells lie on the yardstick's grid.
    T_reference_scan : (4, 4) mm, between local frames; registration : None for the yardstick's own.
    skin : (nu, nv) bool; off_mm : (nu, nv) distance from the fair surface along its normal at the
        cell's centre, wherever the surface lies under it; noise_mm : its standard error;
    band_mm : (nu, nv) the same in the bands beside edges alone, which are not judged: hems that
        roll over show in it, but alike in every scan;
    placing_mm : (nu, nv) standard uncertainty that the registration adds.
    """

    result: CheckResult
    T_reference_scan: Floats
    registration: Registration | None
    charted: ChartedPoints
    skin: Mask
    off_mm: Floats
    noise_mm: Floats
    band_mm: Floats
    placing_mm: Floats

    @property
    def scan(self) -> Scan:
        """The scan."""
        return self.result.scan

    def in_doubt(self, placing_mm: Floats) -> Pass:
        """The same pass with another doubt of its placing, (nu, nv) mm, on top of its noise."""
        deviation = self.result.deviation
        sigma = np.hypot(deviation.cell_sigma_mm, placing_mm)
        result = replace(self.result, deviation=replace(deviation, cell_sigma_mm=sigma))
        return replace(self, result=result, placing_mm=placing_mm)


def measure_pass(
    scan: Scan,
    yardstick: CheckResult,
    T_reference_scan: Floats,
    registration: Registration | None,
    settings: Settings,
) -> Pass:
    """Measure a scan from the yardstick's fair surface and judge it, as `lay_pass` takes them.

    Raises
    ------
    ScanUnfitError : too little of the scan lies on the yardstick, or it shows two skins.
    """
    laid = lay_pass(scan, yardstick, T_reference_scan, registration, settings)
    cells, faces = laid.result.cells, laid.result.faces
    seen = Seen.on(scan, laid.charted, cells, laid.skin, faces)
    said = scan_words(seen, inboard_mm=settings.edges.inboard_mm)
    return replace(laid, result=replace(_judged(laid.result, seen, laid.placing_mm), warnings=said))


def lay_pass(
    scan: Scan,
    yardstick: CheckResult,
    T_reference_scan: Floats,
    registration: Registration | None,
    settings: Settings,
) -> Pass:
    """Measure how far a scan's cells are off the yardstick's fair surface; the rest of its result
    is the yardstick's yet.

    Parameters
    ----------
    yardstick : a check of the scan that lends chart, faces, edges and fair surface.
    T_reference_scan : (4, 4) mm, local frame of `scan` to that of the yardstick's scan.

    Raises
    ------
    ScanUnfitError : too little of the scan lies on the yardstick, or it shows two skins.
    """
    chart = _moved(yardstick.chart, inverse(T_reference_scan))
    charted = _charted(scan, chart, yardstick.cells)
    cells = cells_on_grid(charted, yardstick.cells.grid)
    skin = skin_mask(cells)
    _refuse_two_skins(scan, cells, skin)
    faces = _seen_faces(yardstick.faces, skin)
    placing = _placing_mm(chart, cells, registration, T_reference_scan)
    laid = replace(
        yardstick,
        scan=scan,
        settings=settings,
        chart=chart,
        cells=cells,
        faces=faces,
        area_cm2=float(skin.sum()) * cells.grid.cell_mm**2 / 100.0,
        warnings=(),
    )
    off, band = _off_mm(cells, chart, faces, laid, skin)
    noise = np.where(np.isfinite(off), cells.error_mm, np.nan)
    return Pass(laid, T_reference_scan, registration, charted, skin, off, noise, band, placing)


def _judged(laid: CheckResult, seen: Seen, placing: Floats) -> CheckResult:
    """A scan laid on the yardstick, judged as in a check.

    Parameters
    ----------
    laid : the yardstick's check with the scan, its cells and faces in place of its own.
    """
    scan, chart, cells, faces, fair = laid.scan, laid.chart, laid.cells, laid.faces, laid.fair
    charted, skin = seen.charted, seen.skin
    found = measure_cells(
        cells, chart, faces, fair, skin, smoothing_mm=laid.settings.slope.smoothing_mm
    )
    found = replace(found, sigma_mm=np.hypot(found.sigma_mm, placing))
    regions = _regions_of(laid, found, seen)
    status = status_of(skin, faces, found, regions)
    point_mm, point_status = measure_points(scan, charted, cells, chart, faces, fair, status)
    deviation = found.with_points(status, point_mm, point_status, faces.reason)
    return replace(
        laid,
        deviation=deviation,
        regions=regions,
        smallest_visible_mm=found.smallest_visible_mm,
        blurred_by=found.blurred_by,
        verdict=verdict_of(regions, found.smallest_visible_mm, laid.settings),
        points=count_points(scan, charted, point_status),
    )


def _regions_of(laid: CheckResult, found: CellDeviation, seen: Seen) -> tuple[Region, ...]:
    """Highs, lows and ripples of a scan, knocks in its edges too, with what to do about them."""
    cells, faces, tolerance = laid.cells, laid.faces, laid.settings.tolerance
    edges = tuple(line.edge for line in laid.edges)
    marks = find_marks(found, cells, tolerance)
    regions = measure_regions(
        marks, found, cells, laid.chart, laid.scan, edges, tolerance, label=faces.label
    )
    bands = edge_bands(seen.charted, cells, faces, seen.skin, edges, laid.creases)
    regions = with_knocks(
        regions, bands, laid.fair, faces, found, cells, laid.chart, laid.scan, edges, tolerance
    )
    regions = doubt_regions(regions, found, seen, faces, laid.creases, laid.fair, laid.settings)
    return with_actions(regions, laid.settings.stage)


def own_pass(yardstick: CheckResult) -> Pass:
    """The scan that lends the yardstick, as a pass of its own; nothing is measured anew."""
    cells = yardstick.cells
    skin = skin_mask(cells)
    charted = _charted(yardstick.scan, yardstick.chart, cells)
    off, band = _off_mm(cells, yardstick.chart, yardstick.faces, yardstick, skin)
    noise = np.where(np.isfinite(off), cells.error_mm, np.nan)
    nothing = np.zeros(skin.shape)
    return Pass(yardstick, np.eye(4), None, charted, skin, off, noise, band, nothing)


def found_of(result: CheckResult) -> CellDeviation:
    """The cells' part of a result's deviation, for finding regions anew."""
    d = result.deviation
    return CellDeviation(
        d.cell_mm,
        d.smooth_mm,
        d.cell_sigma_mm,
        d.surface_sigma_mm,
        d.cell_slope_mrad,
        d.slope_sigma_mrad,
        np.asarray(d.not_judged == JUDGED) & np.isfinite(d.cell_mm),
        result.settings.slope.smoothing_mm / HALF_WAVE_SIGMAS,
    )


def _moved(chart: Chart, T_to_chart: Floats) -> Chart:
    """The chart carried by a rigid motion of the space it lies in."""
    turn, shift = T_to_chart[:3, :3], T_to_chart[:3, 3]
    return replace(
        chart, origin_mm=turn @ chart.origin_mm + shift, rotation=chart.rotation @ turn.T
    )


def _charted(scan: Scan, chart: Chart, reference: Cells) -> ChartedPoints:
    """Points on the yardstick's chart; what lies too far off its skin is left out."""
    grid = reference.grid
    ground = _ground(reference)
    n = len(scan.points_mm)
    uvh = np.full((n, 3), np.nan, np.float32)
    counted = np.zeros(n, bool)
    for start in range(0, n, _CHUNK):
        rows = start + np.flatnonzero(scan.usable[start : start + _CHUNK])
        place = chart.to_chart(scan.points_mm[rows])
        i = np.floor((place[:, 0] - grid.u0_mm) / grid.cell_mm)
        j = np.floor((place[:, 1] - grid.v0_mm) / grid.cell_mm)
        inside = (i >= 0) & (j >= 0) & (i < grid.shape[0]) & (j < grid.shape[1])
        rows, place = rows[inside], place[inside]
        here = ground[i[inside].astype(np.intp), j[inside].astype(np.intp)]
        near = np.abs(place[:, 2] - here) <= _REACH_MM
        uvh[rows[near]] = place[near]
        counted[rows[near]] = True
    if counted.sum() < _FEWEST_POINTS:
        raise ScanUnfitError(
            f"{scan.name}: {int(counted.sum())} of its points lie on the panel they are compared "
            f"with, {_FEWEST_POINTS} are needed. Scan more of the panel, or check that both files "
            "show the same one."
        )
    beside = scan.vertices_among(scan.usable & ~counted)
    return ChartedPoints(uvh, counted, {"not on the panel compared with": beside} if beside else {})


def _ground(cells: Cells) -> Floats:
    """(nu, nv) height of the nearest filled cell, NaN more than three cells away from any."""
    gap, (i, j) = ndimage.distance_transform_edt(~cells.filled, return_indices=True)
    return np.where(gap <= 3.0, cells.height_mm[i, j], np.nan)


def two_skins(scan: Scan) -> bool:
    """Whether most of a scan that is taken for a panel shows one skin behind another."""
    voxels = voxelise(scan.points_mm, scan.usable)
    try:
        charted = chart_points(scan, voxels, lay_chart(scan, voxels, outside="auto"))
        cells = average_cells(
            charted, smallest_mm=0.2, largest_mm=np.inf, spacing_mm=voxels.spacing_mm
        )
    except ScanUnfitError:
        return False
    return bool(cells.layered[cells.filled].mean() > _MOST_LAYERED)


def _refuse_two_skins(scan: Scan, cells: Cells, skin: Mask) -> None:
    share = float(cells.layered[skin].mean()) if skin.any() else 0.0
    if share > _MOST_LAYERED:
        raise ScanUnfitError(
            f"{scan.name}: {share:.0%} of the panel shows two skins, one behind the other "
            f"({_MOST_LAYERED:.0%} is the limit). Scan the outside only, or cut the inside off."
        )


def _seen_faces(faces: Faces, skin: Mask) -> Faces:
    """The yardstick's faces; what it had no points on is judged where this scan has some."""
    reason = faces.reason.copy()
    newly = (reason == OFF) & skin & (faces.label > 0)
    reason[newly] = np.where(
        faces.inside_mm[newly] > faces.inboard_mm, np.uint8(JUDGED), np.uint8(BAND)
    )
    return replace(faces, reason=reason)


def _placing_mm(
    chart: Chart, cells: Cells, registration: Registration | None, T_reference_scan: Floats
) -> Floats:
    """Uncertainty along the skin's normal that the registration adds, on the cells."""
    out = np.zeros(cells.grid.shape)
    if registration is None:
        return out
    where = np.nonzero(cells.filled)
    space, normals = normals_at(cells, chart, where)
    turn, shift = T_reference_scan[:3, :3], T_reference_scan[:3, 3]
    out[where] = registration.sigma_mm(space @ turn.T + shift, normals @ turn.T)
    return out


def normals_at(
    cells: Cells, chart: Chart, where: tuple[NDArray[np.intp], ...]
) -> tuple[Floats, Floats]:
    """(n, 3) positions and outward unit normals of cells, local mm."""
    u, v, h = cells.u_mm[where], cells.v_mm[where], cells.height_mm[where]
    slope_u, slope_v = np.nan_to_num(cells.slope_u[where]), np.nan_to_num(cells.slope_v[where])
    curvature = chart.curvature_per_mm
    out = np.column_stack([-slope_u, -slope_v / (1.0 + curvature * h), np.ones_like(u)])
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    sine, cosine = np.sin(curvature * v), np.cos(curvature * v)
    turned = np.column_stack(
        [out[:, 0], out[:, 1] * cosine + out[:, 2] * sine, out[:, 2] * cosine - out[:, 1] * sine]
    )
    return chart.to_space(np.column_stack([u, v, h])), turned @ chart.rotation


def _off_mm(
    cells: Cells, chart: Chart, faces: Faces, result: CheckResult, skin: Mask
) -> tuple[Floats, Floats]:
    """Distance from the fair surface, brought from each cell's centroid to its centre; and the
    distance of the centroid in the bands beside edges.
    """
    side = cells.grid.cell_mm
    known = skin & (faces.label > 0) & ~np.isin(faces.reason, (LINE, STRIP))
    where = np.nonzero(known)
    points = chart.to_space(
        np.column_stack([cells.u_mm[where], cells.v_mm[where], cells.height_mm[where]])
    )
    off = np.full(known.shape, np.nan)
    off[where] = normal_distance(points, chart, faces, cells, result.fair)
    in_band = faces.reason == BAND
    band = np.where(in_band, off, np.nan)
    known &= np.isfinite(off) & ~in_band
    smooth = masked_gaussian(off, known, 1.0)
    _, (i, j) = ndimage.distance_transform_edt(~known, return_indices=True)
    slope_u, slope_v = np.gradient(smooth[i, j], side)
    step_u = cells.grid.u_mm[:, None] - cells.u_mm
    step_v = cells.grid.v_mm[None, :] - cells.v_mm
    return np.where(known, off + slope_u * step_u + slope_v * step_v, np.nan), band

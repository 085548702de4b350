"""Regions outside tolerance: marks measured, decided on and named."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError
from scipy.special import ndtri

from ..measuring.deviation import CellDeviation
from ..numerics.footprints import window_round
from ..outline.edges import Edge
from ..rules import FAMILY_RISK, GUARD
from ..scans.scan import Scan
from ..settings import ToleranceSettings
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart
from .marks import Mark, slope_amplitude
from .peaks import peak_of_mark, peak_of_ripple
from .tapes import Metal, at_words, tape_distances

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Either way: the widest band of a body line, 20 mm to either side, that a mark runs across, and a
# little more for its cells (derived).
_BRIDGED_MM = 21.0


@dataclass(frozen=True, eq=False)
class Region:
    """One row of regions.csv; lengths in mm, x, y, z in the scan's own units and frame.

    `core` and `footprint` are (nu, nv) bool on the cells' grid: beyond tolerance, and the whole
    high or low down to the noise. Area, volume, mean, length and width are of the footprint; mean
    and volume count from the level of the sound skin round it. edge : the one it is a knock in;
    doubt : why it may be no damage at all, "" where nothing says so; edge_peak_mm : its peak in
    the band along that edge, 0 where it is in none; cut_off : whether it may go on rising under a
    body line's band, so that its peak is the least it stands off.
    """

    region: str
    kind: str
    verdict: str
    peak_mm: float
    uncertainty_mm: float
    mean_mm: float
    area_cm2: float
    volume_cm3: float
    length_mm: float
    width_mm: float
    max_slope_mrad: float
    x: float
    y: float
    z: float
    u_mm: float
    v_mm: float
    from_edges: str
    action: str
    core: Mask
    footprint: Mask
    edge: str = ""
    doubt: str = ""
    edge_peak_mm: float = 0.0
    cut_off: bool = False


def measure_regions(
    marks: list[Mark],
    found: CellDeviation,
    cells: Cells,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    tolerance: ToleranceSettings,
    *,
    label: NDArray[np.int32],
) -> tuple[Region, ...]:
    """Measure marks, decide on them, and name them by the size of their peak within a kind.

    Parameters
    ----------
    label : (nu, nv) face of every cell, so that tapes run over one face only.
    """
    if not marks:
        return ()
    metal = Metal.of(cells, chart, cells.filled | (label > 0))
    measured = (
        _measured(mark, found, cells, chart, scan, edges, tolerance, label, metal) for mark in marks
    )
    return named(region for region in measured if region is not None)


def named(regions: Iterable[Region]) -> tuple[Region, ...]:
    """Regions named by the size of their peak within a kind, in that order."""
    there = tuple(regions)
    out: list[Region] = []
    for kind, letter in (("high", "H"), ("low", "L"), ("ripple", "R")):
        own = [r for r in there if r.kind == kind]
        size = (lambda r: -r.max_slope_mrad) if kind == "ripple" else (lambda r: -abs(r.peak_mm))
        ranked = sorted(own, key=size)
        out += [replace(region, region=f"{letter}{k}") for k, region in enumerate(ranked, start=1)]
    return tuple(out)


def _measured(
    mark: Mark,
    found: CellDeviation,
    cells: Cells,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    tolerance: ToleranceSettings,
    label: NDArray[np.int32],
    metal: Metal,
) -> Region | None:
    inside = mark.footprint & found.judged
    extent = _extent_of(inside, mark.level_mm, found, metal)
    if mark.kind == "ripple":
        peak = peak_of_ripple(found, inside)
        slope = float(slope_amplitude(found, cells, inside).max())
        verdict = verdict_at(slope, found.slope_sigma_mrad, tolerance.slope_mrad)
    else:
        sign = -1.0 if mark.kind == "low" else 1.0
        peak = peak_of_mark(found, cells, inside, sign=sign, width_mm=extent.width_mm)
        slope = float(np.nanmax(found.slope_mrad[inside]))
        verdict = _verdict_on_peak(abs(peak.height_mm), peak.u_mm, found, tolerance.height_mm)
    if verdict == "in":
        return None
    i, j = peak.cell
    place = np.array([cells.u_mm[i, j], cells.v_mm[i, j]])
    x, y, z = scan.to_file_frame(chart.to_space(np.array([[*place, cells.height_mm[i, j]]])))[0]
    face = int(label[i, j])
    return Region(
        "",
        mark.kind,
        verdict,
        peak.height_mm,
        2.0 * peak.u_mm,
        extent.mean_mm,
        extent.area_mm2 / 100.0,
        extent.volume_mm3 / 1000.0,
        extent.length_mm,
        extent.width_mm,
        slope,
        float(x),
        float(y),
        float(z),
        float(place[0]),
        float(place[1]),
        tape_distances(place, edges, face=face, metal=metal) or at_words(x, y, z),
        "",
        mark.core,
        inside,
    )


def _verdict_on_peak(height_mm: float, u: float, found: CellDeviation, limit_mm: float) -> str:
    verdict = verdict_at(height_mm, u, limit_mm)
    if verdict == "out" and height_mm < _of_noise_alone(found) * u:
        return "undecided"
    return verdict


@dataclass(frozen=True)
class _Extent:
    """How much of the skin a footprint takes up; mean and volume count from the level round it."""

    mean_mm: float
    area_mm2: float
    volume_mm3: float
    length_mm: float
    width_mm: float


def _extent_of(inside: Mask, level_mm: float, found: CellDeviation, metal: Metal) -> _Extent:
    whole = _whole(inside, found, metal.grid.cell_mm)
    above = _carried(found, whole)[whole] - level_mm
    square = metal.stretch.area_mm2[whole]
    length, width = sides_mm(whole, metal)
    area, volume = float(square.sum()), float(above @ square)
    return _Extent(volume / area, area, volume, length, width)


def _whole(inside: Mask, found: CellDeviation, side: float) -> Mask:
    """A footprint with its drop-outs, and with the band of a body line that runs across it."""
    reach = max(1, int(np.ceil(_BRIDGED_MM / side)))
    window = window_round(inside)
    padded = np.pad(inside[window], reach)
    closed = ndimage.binary_closing(padded, iterations=reach)[reach:-reach, reach:-reach]
    whole = np.zeros(inside.shape, bool)
    filled = ndimage.binary_fill_holes(inside[window])
    whole[window] = filled | (closed & ~found.judged[window])
    return whole


def _carried(found: CellDeviation, whole: Mask) -> Floats:
    """The deviation with a footprint's drop-outs bridged from the nearest judged cell."""
    if found.judged[whole].all():
        return found.cell_mm
    _, (i, j) = ndimage.distance_transform_edt(~found.judged, return_indices=True)
    return np.asarray(np.where(found.judged, found.cell_mm, found.smooth_mm[i, j]))


def verdict_at(value: float, u: float, limit: float) -> str:
    """Decision rule of ISO 14253-1:2017 with a guard band of 1.6449 u on either side."""
    if value > limit + GUARD * u:
        return "out"
    return "undecided" if value > limit - GUARD * u else "in"


def _of_noise_alone(found: CellDeviation) -> float:
    """How many u the highest of all cells stands by noise alone, with 95 % of certainty.

    The quantile of the normal distribution at 1 - 0.05 / n over n cells (Bonferroni): a peak was
    looked for, and some cell of a noisy panel is always far off.
    """
    return float(-ndtri(FAMILY_RISK / max(int(found.judged.sum()), 1)))


def sides_mm(inside: Mask, metal: Metal) -> tuple[float, float]:
    """Sides of the smallest rectangle round a footprint, over the cells' full squares."""
    side = metal.grid.cell_mm
    place = metal.stretch.laid_out(inside)
    try:
        rim = place[ConvexHull(place).vertices]
    except (QhullError, ValueError):
        span = np.ptp(place, axis=0) + side
        return float(span.max()), float(span.min())
    way = np.roll(rim, -1, axis=0) - rim
    way = way / np.linalg.norm(way, axis=1)[:, None]
    along = rim @ way.T
    across = rim @ np.column_stack([-way[:, 1], way[:, 0]]).T
    spans = np.sort(np.column_stack([np.ptp(along, axis=0), np.ptp(across, axis=0)]) + side, axis=1)
    best = spans[spans.prod(axis=1).argmin()]
    return float(best[1]), float(best[0])

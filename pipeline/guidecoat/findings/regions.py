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
from .tapes import Metal, at_words, tape_distances

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Either way: the widest band of a body line, 20 mm to either side, that a mark runs across, and a
# little more for its cells (derived).
_BRIDGED_MM = 21.0
# A squared cosine so many cells wide reads 2 % low: with w = pi / 5, w^2 / 24 of it by averaging
# over a cell and (1 - exp(-w^2 / 2))^3 by calming over one (derived).
_DRAWN_BY_CELLS = 10.0
# Of cells of one height some stand 3 sigmas over it and some as far below (derived, of a thousand).
_TOP_SIGMAS = 6.0


@dataclass(frozen=True, eq=False)
class Region:
    """One row of regions.csv; lengths in mm, x, y, z in the scan's own units and frame.

    `core` and `footprint` are (nu, nv) bool on the cells' grid: beyond tolerance, and the whole
    high or low down to the noise. Area, volume, mean, length and width are of the footprint; mean
    and volume count from the level of the sound skin round it. edge : the one it is a knock in;
    doubt : why it may be no damage at all, "" where nothing says so; edge_peak_mm : its peak in
    the band along that edge, 0 where it is in none.
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
    sign = -1.0 if mark.kind == "low" else 1.0
    size = np.abs(found.smooth_mm) if mark.kind == "ripple" else sign * found.smooth_mm
    highest = np.nanargmax(np.where(inside, size, np.nan))
    i, j = (int(k) for k in np.unravel_index(highest, size.shape))
    peak, u = _top(found.smooth_mm, i, j), float(found.sigma_mm[i, j])
    extent = _extent_of(inside, mark.level_mm, found, metal)
    if mark.kind == "ripple":
        slope = float(slope_amplitude(found, cells, inside).max())
        verdict = verdict_at(slope, found.slope_sigma_mrad, tolerance.slope_mrad)
    else:
        slope = float(np.nanmax(found.slope_mrad[inside]))
        if extent.width_mm < _DRAWN_BY_CELLS * cells.grid.cell_mm:
            # Between nothing and all of it: half is put back, and the other half left in doubt.
            half = 0.5 * _read_low(found, cells, i, j)
            peak, u = peak + float(np.copysign(half, peak)), u + 0.5 * half
        verdict = _verdict_on_peak(abs(peak), u, found, tolerance.height_mm)
    if verdict == "in":
        return None
    i, j = _middle_of_top(size, inside, i, j, found.height_noise_mm)
    place = np.array([cells.u_mm[i, j], cells.v_mm[i, j]])
    x, y, z = scan.to_file_frame(chart.to_space(np.array([[*place, cells.height_mm[i, j]]])))[0]
    face = int(label[i, j])
    return Region(
        "",
        mark.kind,
        verdict,
        peak,
        2.0 * u,
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


def _middle_of_top(size: Floats, inside: Mask, i: int, j: int, noise_mm: float) -> tuple[int, int]:
    """The cell amid those about the highest one that noise alone may have kept from being it: on a
    flat top the highest may lie anywhere.
    """
    foot = size[i, j] - _TOP_SIGMAS * noise_mm
    window = window_round(inside)
    corner = np.array([side.start for side in window])
    label, _ = ndimage.label((inside & (size >= foot))[window], np.ones((3, 3)))
    top = np.argwhere(label == label[tuple(np.array([i, j]) - corner)]) + corner
    middle = np.average(top, axis=0, weights=size[tuple(top.T)] - foot + noise_mm)
    a, b = top[((top - middle) ** 2).sum(axis=1).argmin()]
    return int(a), int(b)


def _top(field: Floats, i: int, j: int) -> float:
    """Height of the paraboloid through a cell and its neighbours: a peak lies between cells."""
    here = float(field[i, j])
    if not (0 < i < field.shape[0] - 1 and 0 < j < field.shape[1] - 1):
        return here
    rise = 0.0
    for before, after in ((field[i - 1, j], field[i + 1, j]), (field[i, j - 1], field[i, j + 1])):
        bend, lean = before - 2.0 * here + after, 0.5 * (after - before)
        if np.isfinite(bend) and bend * here < 0.0 and abs(lean) <= abs(bend):
            rise -= lean * lean / (2.0 * bend)
    return here + float(rise)


def _read_low(found: CellDeviation, cells: Cells, i: int, j: int) -> float:
    """How much (mm) a peak may lack that cells average over, beyond what noise explains.

    Over a square of side s a mean is off its middle by s^2 / 24 times the Laplacian (its Taylor
    series, integrated), which is a 24th of the sum over four neighbours less four times itself.
    Calming takes off what the paraboloid on the highest cell about the peak stands over it. From
    the square of both goes that of the 95 % that the cells' own noise makes. A cut peak may be of
    any form, so what is left is a bound: the peak lacks some of it, or none (JCGM 100:2008, 4.3.8).
    """
    near = (slice(max(i - 1, 0), i + 2), slice(max(j - 1, 0), j + 2))
    sign = 1.0 if found.smooth_mm[i, j] > 0.0 else -1.0
    height = np.where(found.judged[near], sign * found.cell_mm[near], -np.inf)
    row, column = np.unravel_index(int(height.argmax()), height.shape)
    # Of all cells: within one that is wide the mark's own bend passes for noise.
    error = 2.0 * float(np.nanmedian(cells.error_mm[found.judged]))
    a, b = near[0].start + int(row), near[1].start + int(column)
    calmed = sign * (_top(found.cell_mm, a, b) - float(found.smooth_mm[i, j]))
    if not (0 < a < found.cell_mm.shape[0] - 1 and 0 < b < found.cell_mm.shape[1] - 1):
        return _beyond(calmed, error)
    four = found.cell_mm[[a - 1, a + 1, a, a], [b, b, b - 1, b + 1]]
    bend = sign * (4.0 * float(found.cell_mm[a, b]) - float(four.sum()))
    # Noise makes that of four cells and of four times one: root 20.
    averaged = _beyond(bend / 24.0, np.sqrt(20.0) / 24.0 * error) if np.isfinite(bend) else 0.0
    return _beyond(calmed, error) + averaged


def _beyond(value: float, noise: float) -> float:
    """What is left of a value whose square noise has added to; 0 below it."""
    return float(np.sqrt(value**2 - noise**2)) if value > noise else 0.0


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

"""Dents that lie on a body line, where nothing is judged: against what the line does beside them.

Rows of heights are read on either side of the line. A dent takes both sides down together; a line
that was drawn a little off lifts one and lowers the other, by as much as the skin turns there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..lines.crease import Crease
from ..numerics.biweight import MAD_TO_SIGMA
from ..numerics.whittaker import robust_line
from ..outline.edges import Edge
from ..rules import GUARD
from ..scans.scan import Scan
from ..settings import ToleranceSettings
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart
from ..unrolling.polylines import ends_of, near_line, run_along
from .regions import Region, named, sides_mm
from .tapes import Metal, at_words, tape_distances

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ON_LINE = "it lies on a body line, across which one scan is not judged"

# Rows on either side, in cells: clear of the fold itself, and near enough to lie in a small dent.
_ROWS = (1.5, 2.5)
# Cells draw a line in stairs (choice: over twelve of the smallest).
_CALM_MM = 12.0
_CALM_ROWS_MM = 6.0
# A line's rows are laid with a batten: of less they show no form of their own.
_FEWEST_STATIONS = 30
# Lines fade at their ends, and meet others (measured on sound ribs and doors: up to 75 mm).
_FADES_MM = 100.0
# Standard uncertainty of how far to the side a line is drawn, and of a row's mean (measured).
_DRAWN_OFF_MM = 1.5
_ROW_NOISE_MM = 0.03
# Of the tolerance: rows that scatter more have form of their own, and say nothing of dents.
_CALM_ENOUGH = 0.2
# Or so many times what the rows scatter by; a line has some hundred stations (derived: 1 in 10^8).
_SURE_SCALES = 6.0
# A dent's foot, by the tolerance, and its least length: a few points are dirt (choice).
_FOOT = 0.5
_SHORTEST_DENT_MM = 20.0
# Share of its height by which a dent on a line may be misread: few are round (choice).
_UNSURE = 0.15
# Rows that read less of it than that lie beside it.
_LEAST_READ = 0.5
# Where other lines run so near, as on a rib, a dent may be centred between them: then its height is
# taken as it is read (choice).
_ALONE_MM = 60.0
# Of the tolerance: the rows' batten takes noise for no knock.
_FLOOR_SHARE = 1.0 / 15.0


@dataclass(frozen=True, eq=False)
class _Dent:
    """A dent or bump on a line: off_mm : signed, at its peak; sigma_mm; place_uv : (2,) of the
    peak; across_mm : its diameter.
    """

    off_mm: float
    sigma_mm: float
    place_uv: Floats
    across_mm: float


def with_line_dents(
    regions: tuple[Region, ...],
    creases: tuple[Crease, ...],
    cells: Cells,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    tolerance: ToleranceSettings,
    *,
    batten_mm: float,
) -> tuple[Region, ...]:
    """Regions with the dents and bumps on body lines among them, undecided, each once.

    Parameters
    ----------
    batten_mm : of the fair surface: what the line's rows are laid with.
    """
    every, limit = list(regions), tolerance.height_mm
    lines = [crease for crease in creases if crease.kind != "step"]
    found = [
        dent
        for line in lines
        for dent in _dents_on(line, _others(line, creases), cells, limit, batten_mm)
    ]
    ends = ends_of(crease.line_uv for crease in creases)
    found = [d for d in found if np.linalg.norm(ends - d.place_uv, axis=1).min() > _FADES_MM]
    if not found:
        return regions
    metal = Metal.of(cells, chart, cells.filled)
    for dent in sorted(found, key=lambda dent: -abs(dent.off_mm)):
        own = _region(dent, cells, chart, scan, edges, metal)
        # Lines run side by side, and a dent goes down on all it reaches.
        parts = [r for r in every if r.kind == own.kind and (r.footprint & own.footprint).any()]
        every = [r for r in every if not any(r is part for part in parts)]
        every.append(_joined(own, parts, metal) if parts else own)
    return named(every)


def _others(line: Crease, creases: tuple[Crease, ...]) -> Floats:
    """(m, 2) points of the other lines."""
    return np.concatenate([np.zeros((0, 2)), *(c.line_uv for c in creases if c is not line)])


def _dents_on(
    crease: Crease, others_uv: Floats, cells: Cells, limit_mm: float, batten_mm: float
) -> Iterator[_Dent]:
    stations = _stations(crease, cells)
    if stations is None:
        return
    place, run = stations
    off = _both_sides(place, run, cells, limit_mm, batten_mm)
    seen = np.isfinite(off)
    if seen.sum() < _FEWEST_STATIONS:
        return
    scale = MAD_TO_SIGMA * float(np.median(np.abs(off[seen])))
    if scale > _CALM_ENOUGH * limit_mm:
        return
    for sign in (1.0, -1.0):
        label, count = ndimage.label(seen & (sign * off > _FOOT * limit_mm))
        for k in range(1, count + 1):
            at = np.flatnonzero(label == k)
            peak = at[np.argmax(sign * off[at])]
            long_mm = float(run[at[-1]] - run[at[0]])
            if long_mm <= _SHORTEST_DENT_MM:
                continue
            full = float(off[peak])
            across_mm = _across(long_mm, _FOOT * limit_mm / abs(full))
            if not (np.linalg.norm(others_uv - place[peak], axis=1) < _ALONE_MM).any():
                full /= _share_read(across_mm, cells.grid.cell_mm)
            sigma = float(np.hypot(scale, 0.5 * _UNSURE * full))
            if abs(full) > limit_mm - GUARD * sigma and abs(off[peak]) > _SURE_SCALES * scale:
                yield _Dent(full, sigma, place[peak], across_mm)


def _across(long_mm: float, foot: float) -> float:
    """The diameter of a cosine dimple that is so long where it stands this share of its height.

    >>> round(_across(50.0, 0.5))
    100
    """
    return long_mm * np.pi / float(np.arccos(2.0 * foot - 1.0))


def _share_read(across_mm: float, side_mm: float) -> float:
    """What rows beside a cosine dimple's middle, averaged along it, read of its height.

    That is 1/2 (1 + cos(2 pi d / across)) at d beside it; an average over a Gaussian window of
    sigma leaves exp(-1/2 (2 pi sigma / across)^2) of the wave.

    >>> round(_share_read(80.0, 4.0), 2), round(_share_read(300.0, 4.0), 2)
    (0.86, 0.99)
    """
    turn = 2.0 * np.pi / across_mm
    wave = np.exp(-0.5 * (turn * _CALM_ROWS_MM) ** 2) * np.cos(turn * np.mean(_ROWS) * side_mm)
    return float(max(0.5 * (1.0 + wave), _LEAST_READ))


def _stations(crease: Crease, cells: Cells) -> tuple[Floats, Floats] | None:
    """(n, 2) places along a line, a cell apart, drawn calmly, and (n,) how far along they lie."""
    line, side = crease.line_uv, cells.grid.cell_mm
    run = run_along(line)
    count = int(run[-1] / side)
    if count < _FEWEST_STATIONS:
        return None
    at = np.linspace(0.0, run[-1], count + 1)
    place = np.column_stack([np.interp(at, run, line[:, k]) for k in range(2)])
    return ndimage.gaussian_filter1d(place, _CALM_MM / side, axis=0, mode="nearest"), at


def _both_sides(
    place: Floats, run: Floats, cells: Cells, limit_mm: float, batten_mm: float
) -> Floats:
    """(n,) mm that both sides of a line stand off what they do along it; NaN where unseen."""
    way = np.gradient(place, axis=0)
    way /= np.linalg.norm(way, axis=1)[:, None] + 1e-12
    left = np.column_stack([-way[:, 1], way[:, 0]])
    off, slope = [], []
    for sign in (-1.0, 1.0):
        apart = sign * cells.grid.cell_mm * np.array(_ROWS)
        rows = [_heights(place + d * left, cells) for d in apart]
        if any(np.isfinite(row).sum() < _FEWEST_STATIONS for row in rows):
            return np.full(len(run), np.nan)
        laid = [_laid(row, run, limit_mm, batten_mm) for row in rows]
        off.append(np.mean([row - line for row, line in zip(rows, laid, strict=True)], axis=0))
        slope.append((laid[1] - laid[0]) / (apart[1] - apart[0]))
    both, apart_mm = 0.5 * (off[0] + off[1]), 0.5 * (off[1] - off[0])
    turn, tilt = 0.5 * (slope[1] - slope[0]), 0.5 * (slope[0] + slope[1])
    drawn_off = turn * apart_mm / (turn**2 + (_ROW_NOISE_MM / _DRAWN_OFF_MM) ** 2)
    out = both - tilt * drawn_off
    known = np.isfinite(out)
    calm = ndimage.gaussian_filter1d(np.where(known, out, 0.0), _CALM_ROWS_MM / (run[1] - run[0]))
    return np.where(known, calm, np.nan)


def _heights(uv: Floats, cells: Cells) -> Floats:
    """(n,) heights between the cells, NaN where one of them is empty."""
    grid = cells.grid
    index = (uv - [grid.u0_mm, grid.v0_mm]).T / grid.cell_mm - 0.5
    filled = cells.filled
    share = ndimage.map_coordinates(filled.astype(np.float64), index, order=1)
    height = ndimage.map_coordinates(np.where(filled, cells.height_mm, 0.0), index, order=1)
    return np.where(share > 1.0 - 1e-9, height, np.nan)


def _laid(row: Floats, run: Floats, limit_mm: float, batten_mm: float) -> Floats:
    return robust_line(
        row,
        np.isfinite(row),
        step_mm=float(run[1] - run[0]),
        batten_mm=batten_mm,
        floor_mm=_FLOOR_SHARE * limit_mm,
    )[0]


def _joined(own: Region, parts: list[Region], metal: Metal) -> Region:
    """A dent with the marks that its flanks make on the faces beside the line.

    As high as it stands on the line or beside it, wherever that is farther off; out where a flank
    is.
    """
    flank = max(parts, key=lambda part: abs(part.peak_mm))
    told = own if abs(own.peak_mm) > abs(flank.peak_mm) else flank
    sure = next((part for part in parts if part.verdict == "out"), None)
    footprint = np.any([own.footprint, *(part.footprint for part in parts)], axis=0)
    area = float(metal.stretch.area_mm2[footprint].sum()) / 100.0
    # Beside the line a part of it is measured, on it the whole is reckoned as a dimple.
    volume = max(own.volume_cm3, sum(part.volume_cm3 for part in parts), key=abs)
    long_side, short_side = sides_mm(footprint, metal)
    return replace(
        told,
        verdict="undecided" if sure is None else "out",
        doubt=ON_LINE if sure is None else "",
        mean_mm=10.0 * volume / area,
        area_cm2=area,
        volume_cm3=volume,
        length_mm=long_side,
        width_mm=short_side,
        max_slope_mrad=max(part.max_slope_mrad for part in parts),
        core=np.any([own.core, *(part.core for part in parts)], axis=0),
        footprint=footprint,
        edge=flank.edge,
        edge_peak_mm=flank.edge_peak_mm,
    )


def _region(
    dent: _Dent,
    cells: Cells,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    metal: Metal,
) -> Region:
    place = dent.place_uv
    footprint = near_line(cells.grid, place[None, :], 0.5 * dent.across_mm) & cells.filled
    i, j = (int(k[0]) for k in cells.grid.index(*place[:, None]))
    height = cells.height_mm[i, j] if cells.filled[i, j] else 0.0
    x, y, z = scan.to_file_frame(chart.to_space(np.array([[*place, height]])))[0]
    area_cm2 = float(metal.stretch.area_mm2[footprint].sum()) / 100.0
    # Of a cosine dimple over its whole area (computed).
    mean = (1.0 - 4.0 / np.pi**2) * 0.5 * dent.off_mm
    return Region(
        "",
        "high" if dent.off_mm > 0.0 else "low",
        "undecided",
        dent.off_mm,
        2.0 * dent.sigma_mm,
        mean,
        area_cm2,
        0.1 * mean * area_cm2,
        dent.across_mm,
        dent.across_mm,
        1e3 * np.pi * abs(dent.off_mm) / dent.across_mm,
        float(x),
        float(y),
        float(z),
        float(place[0]),
        float(place[1]),
        tape_distances(place, edges, metal=metal) or at_words(x, y, z),
        "",
        footprint,
        footprint,
        doubt=ON_LINE,
    )

"""What a scan alone cannot tell from the panel's own form: undecided, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .cells import Cells
from .creases import Crease
from .deviation import CellDeviation
from .faces import BAND, Faces, near_line
from .fairing import FairSurface
from .marks import footprints_of
from .regions import Region
from .settings import ToleranceSettings

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A blow pushes up a rim round its dent: what lies beyond that rim tells.
_RING_MM = (25.0, 80.0)
_QUIET_OF_TOLERANCE = 0.25
_QUIET_SIGMAS = 2.0
_LEAST_QUIET = 0.8
_SURELY_QUIET = 0.97
_FEWEST_ROUND = 30
_OF_PANEL = 0.6
_SLENDER = 3.0
_BESIDE_LINE_MM = 40.0
_BESIDE_SLENDER = 5.0
_RIPPLE_BESIDE_MM = 60.0
_RIPPLE_SLENDER = 2.0
_TOUCHES_MM = 20.0
_AT_ITS_END_MM = 80.0
_LINE_ON_MM = 300.0
_RECESS_MM = 4.0
_SHALLOW_RECESS_MM = 2.0
_RECESS_MRAD = 150.0
_RECESS_FULL = 0.4
_TIGHT = 1.5
# What a batten leaves of a mark that is no form, as shares of its height.
_LEFT = (0.5, 1.2)
_MUCH = 0.12
_NEAR_MUCH_MM = 100.0

UNSETTLED = "it may be form: what lies round it is off the fair surface as well"
ALONG = "it may be form: it runs over most of the panel, as a pressed line or a bow does"
LINE = "it may be form: it lies along a body line"
RECESS = "it may be form: it is as deep and steep-walled as a pressed recess or boss"
TIGHT = "it may be form, which turns here tighter than the batten follows"
BESIDE = "it may be form: it lies beside what cannot be told from form"
REASONS = (UNSETTLED, ALONG, LINE, RECESS, TIGHT, BESIDE)


def doubt_forms(
    regions: tuple[Region, ...],
    found: CellDeviation,
    cells: Cells,
    faces: Faces,
    creases: tuple[Crease, ...],
    fair: FairSurface,
    tolerance: ToleranceSettings,
) -> tuple[Region, ...]:
    """Regions with those undecided that the scan alone cannot tell from form, and their doubt.

    Damage lies amid sound metal: all round a mark the skin lies on the fair surface. Where form
    turns tighter than the batten follows, it does not; and form runs on, along a line or over the
    whole panel, or has the flat floor and steep wall of a tool.
    """
    if not regions:
        return ()
    lines = _from_lines(cells, creases)
    tight = _turns_tight(fair)
    why = {
        region.region: _why(
            region, regions, found, cells, faces, lines, fair, tolerance, tight=tight
        )
        for region in regions
    }
    doubted = [region for region in regions if why[region.region]]
    area = sum(float(region.footprint.sum()) for region in doubted)
    if area > _MUCH * found.judged.sum():
        near = _near(doubted, cells)
        for region in regions:
            beside = not why[region.region] and near[region.footprint].any()
            if beside and _quiet_round(region, regions, found, cells, tolerance) < _SURELY_QUIET:
                why[region.region] = BESIDE
    return tuple(
        replace(region, verdict="undecided", doubt=why[region.region])
        if why[region.region]
        else region
        for region in regions
    )


def _why(
    region: Region,
    regions: tuple[Region, ...],
    found: CellDeviation,
    cells: Cells,
    faces: Faces,
    line_mm: Floats,
    fair: FairSurface,
    tolerance: ToleranceSettings,
    *,
    tight: bool,
) -> str:
    """What speaks for form, "" where nothing does."""
    length, width = _length_and_width(region.footprint, cells.grid.cell_mm)
    slender = length / width
    from_line = line_mm[region.footprint]
    if region.kind == "ripple":
        if tight:
            return TIGHT
        touches = float(from_line.min()) < _TOUCHES_MM
        if float(from_line.mean()) < _RIPPLE_BESIDE_MM or (touches and slender > _RIPPLE_SLENDER):
            return LINE
    elif _follows(region, found, fair):
        return TIGHT
    elif _like_a_recess(region, beside=float(from_line.min()) < _TOUCHES_MM):
        return RECESS
    if slender > _BESIDE_SLENDER and float(from_line.mean()) < _BESIDE_LINE_MM:
        return LINE
    if float(from_line.max()) < _BESIDE_LINE_MM and _touches(region, ~found.judged):
        return LINE
    if float(from_line.max()) < _AT_ITS_END_MM and _touches(region, faces.reason == BAND):
        return LINE
    extent = np.ptp(np.argwhere(found.judged), axis=0).max() * cells.grid.cell_mm
    if region.kind != "ripple" and slender > _SLENDER and length > _OF_PANEL * extent:
        return ALONG
    if _quiet_round(region, regions, found, cells, tolerance) < _LEAST_QUIET:
        return UNSETTLED
    return ""


def _like_a_recess(region: Region, *, beside: bool) -> bool:
    """Deep, steep-walled and flat-floored; beside a step that was found less deep will do."""
    return (
        abs(region.peak_mm) > (_SHALLOW_RECESS_MM if beside else _RECESS_MM)
        and region.max_slope_mrad > _RECESS_MRAD
        and abs(region.mean_mm) > _RECESS_FULL * abs(region.peak_mm)
    )


def _follows(region: Region, found: CellDeviation, fair: FairSurface) -> bool:
    """Whether a mark is what the batten makes of form that turns tighter than it follows.

    It then follows most of the mark as soon as that is not left out; or it lies as far off, or
    farther, with nothing left out at all. Damage no broader than half the batten does neither.
    """
    for face in fair.faces:
        shorter = [scale for batten, scale in face.climb if batten < face.batten_mm]
        own = region.core & np.isfinite(face.unfollowed_mm)
        if not shorter or face.scale_mm <= _TIGHT * min(shorter) or not own.any():
            continue
        share = float(face.unfollowed_mm[own].mean() / np.nanmean(found.smooth_mm[own]))
        return not _LEFT[0] < share < _LEFT[1]
    return False


def _touches(region: Region, cells: Mask) -> bool:
    return bool((ndimage.binary_dilation(region.footprint) & cells).any())


def _quiet_round(
    region: Region,
    regions: tuple[Region, ...],
    found: CellDeviation,
    cells: Cells,
    tolerance: ToleranceSettings,
) -> float:
    """The share of the skin round a region that lies on the fair surface.

    Other marks are passed over: gaps part a mark, a dent has a rim, and dents come in numbers.
    """
    away = ndimage.distance_transform_edt(~region.footprint) * cells.grid.cell_mm
    marks = footprints_of(regions, away.shape)
    ring = found.judged & (away > _RING_MM[0]) & (away <= _RING_MM[1]) & ~marks
    if ring.sum() < _FEWEST_ROUND:
        return 1.0
    usual = float(np.nanmean(found.sigma_mm[found.judged]))
    limit = max(_QUIET_OF_TOLERANCE * tolerance.height_mm, _QUIET_SIGMAS * usual)
    return float((np.abs(found.smooth_mm[ring]) < limit).mean())


def _length_and_width(footprint: Mask, side: float) -> tuple[float, float]:
    """How long and wide (mm) a footprint is, followed round its bends: an ellipse's diameters."""
    whole = ndimage.binary_fill_holes(np.pad(footprint, 1))
    width = 2.0 * float(ndimage.distance_transform_edt(whole).max()) * side
    area = float(whole.sum()) * side**2
    return max(area / (0.25 * np.pi * width), width), width


def _from_lines(cells: Cells, creases: tuple[Crease, ...]) -> Floats:
    """(nu, nv) distance (mm) from the nearest body line, carried on past its ends."""
    along = np.zeros(cells.grid.shape, bool)
    for crease in creases:
        along |= near_line(cells, crease.line_uv, 1.5 * cells.grid.cell_mm, extend_mm=_LINE_ON_MM)
    if not along.any():
        return np.full(cells.grid.shape, np.inf)
    return np.asarray(ndimage.distance_transform_edt(~along) * cells.grid.cell_mm)


def _turns_tight(fair: FairSurface) -> bool:
    """Whether the metal comes off the main face already from half the batten on.

    Ripple is left out by battens of half the length as well; form that long is not.
    """
    main = fair.faces[0]
    half = [s for batten, s in main.climb if 0.5 * main.batten_mm <= batten < main.batten_mm]
    return bool(half) and main.scale_mm > _TIGHT * min(half)


def _near(regions: Iterable[Region], cells: Cells) -> Mask:
    taken = footprints_of(regions, cells.grid.shape)
    away = ndimage.distance_transform_edt(~taken) * cells.grid.cell_mm
    return np.asarray(away <= _NEAR_MUCH_MM)


def untold_words(regions: tuple[Region, ...]) -> list[str]:
    """One remark: how many marks may be form, the greatest of them, why, and what to do."""
    doubted = [region for region in regions if region.doubt in REASONS]
    if not doubted:
        return []
    worst = max(doubted, key=lambda region: float(region.footprint.sum()))
    count = "One mark is" if len(doubted) == 1 else f"{len(doubted)} marks are"
    return [
        f"{count} undecided, for a scan alone cannot tell form from damage there. The largest, "
        f"{worst.region}: {worst.doubt}. If the panel was made so, give its body lines "
        "(--creases) or a shorter batten (--batten); to be sure compare with the other side "
        "(--like)."
    ]

"""Ripple that may be the scan's own noise: undecided, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..findings.marks import Mark, marks_amid, mostly_in
from ..findings.regions import Region
from ..measuring.deviation import CellDeviation
from ..numerics.footprints import Marked, footprints_of
from ..panel.fitness import measure_sight
from ..settings import Settings
from ..unrolling.cells import Cells

Floats = NDArray[np.float64]

# Beyond the tolerance by the least slope that is seen: noise alone is off by less (choice).
_CLEAR = 1.0
# A patch of fewer waves either way shows its slope less surely, and must be so many times the least
# slope seen beyond the tolerance (choice).
_FEWEST_WAVES = 2.0
_CLEAR_IF_SMALL = 2.0
# Points that scatter half as much again as elsewhere lie on another finish or at another angle
# (choice).
_SCATTERS_MORE = 1.5
# Autocorrelation half a wave off: -0.9 to -1 for waves of one length, -0.3 for noise (computed).
_A_WAVE = -0.7
# Ripple is up to 140 mm long: farther off there may be another half wave.
_HALF_WAVE_MM = 70.0
# Shifted so far that less of a patch meets itself, few bumps are compared (choice).
_LEAST_OVERLAP = 0.35
# Scanners and meshing programs smooth over a few points; three of them make a cell.
_NOISE_WAVE_CELLS = 12.0
# Noise that hangs together is not many times greater than what scatters from point to point.
_NOISY_BUMPS = 3.0
# Photogrammetry wanders over 20 to 60 mm by 0.3 to 0.7 of what its points scatter (measured on
# made-up scans, where patches with little texture do so more).
_LOW_BUMPS = 1.0
# Slope within cells over slope from cell to cell: 0.7 to 1.1 for waves, 1.3 to 2 for noise that
# hangs together and for the steps between passes (computed).
_STEEPER_WITHIN = 1.15
# What is half as steep, or high, again as what is noise is not of its kind (choice).
_AS_STRONG = 1.5
MOSTLY = 0.5
"""Where ripple takes up more of the panel, no sound metal is left to tell the scan's noise by."""

UNSEEN = "the scan's noise hides ripple at the slope tolerance"
SCATTER = "it may be the scan's noise: points scatter more there than elsewhere"
NO_WAVE = "it may be the scan's noise: its bumps are as short as a few points and no waves"
LOW = "it may be the scan's noise: its bumps are lower than its points scatter and no waves"
SHARP = "it may be the scan's noise: it rises within a few points, as where two passes meet"
WIDE = "it may be the scan's noise: it covers most of the panel and no waves"
CREST = "it may be the scan's noise, which goes nearly as high all over the panel"
AMID = "it may be one of the waves round it, of which this scan is not sure"
# A round mark 50 mm across, the narrowest that a check is sure to find.
_BROAD_MM2 = 2000.0
REASONS = (UNSEEN, SCATTER, NO_WAVE, LOW, SHARP, WIDE)


def doubt_ripple(
    regions: tuple[Region, ...],
    found: CellDeviation,
    cells: Cells,
    settings: Settings,
) -> tuple[Region, ...]:
    """Regions with the ripple undecided that a noisy scan shows on sound metal as well.

    Noise that was smoothed with the mesh, or that rose where a surface had little texture, hangs
    together over several points and passes for ripple. Ripple goes up and down in waves.
    """
    tolerance_mrad = settings.tolerance.slope_mrad
    visible_mrad = measure_sight(cells, settings).slope_mrad
    ripple = [region for region in regions if region.kind == "ripple"]
    why = {
        region.region: _why(region, found, cells, tolerance_mrad, visible_mrad) for region in ripple
    }
    noise = [region for region in ripple if why[region.region] in (NO_WAVE, LOW, SHARP)]
    if sum(r.area_cm2 for r in noise) > MOSTLY * sum(r.area_cm2 for r in ripple):
        # A small patch of noise holds too few bumps to show that they are no waves.
        most = _AS_STRONG * max(region.max_slope_mrad for region in noise)
        for region in ripple:
            if not why[region.region] and region.max_slope_mrad < most:
                why[region.region] = NO_WAVE
    if _over_most(ripple, found):
        for region in ripple:
            if not why[region.region] and not is_waves(region, found, cells):
                why[region.region] = WIDE
    why |= _crests(regions, [region for region in ripple if why[region.region]], found)
    return tuple(
        replace(region, verdict="undecided", doubt=why[region.region])
        if why.get(region.region)
        else region
        for region in regions
    )


def marks_amid_doubt(
    regions: tuple[Region, ...], found: CellDeviation, cells: Cells, settings: Settings
) -> list[Mark]:
    """Highs and lows that passed for waves of ripple which is doubted: they are told as well, or
    a panel that has no ripple would keep them to itself. Not those as small as bumps of noise, and
    none where the scan cannot see the tolerance.
    """
    doubted = [region for region in regions if region.doubt in REASONS]
    if not doubted or found.smallest_visible_mm > settings.tolerance.height_mm:
        return []
    shape = found.judged.shape
    marks = [region for region in regions if region.kind != "ripple"]
    told = footprints_of(marks, shape)
    amid = marks_amid(footprints_of(doubted, shape), found, cells, settings.tolerance)
    least = _BROAD_MM2 / cells.grid.cell_mm**2
    return [mark for mark in amid if mark.footprint.sum() >= least and not (mark.core & told).any()]


def _over_most(regions: Iterable[Region], found: CellDeviation) -> bool:
    taken = footprints_of(regions, found.judged.shape) & found.judged
    return bool(taken.sum() > MOSTLY * found.judged.sum())


def _crests(regions: Iterable[Region], noise: list[Region], found: CellDeviation) -> dict[str, str]:
    """Doubts of the highs and lows that lie amid ripple which may be noise, or are as high as that
    goes where it covers most of the panel.
    """
    marks = [region for region in regions if region.kind != "ripple"]
    waves = footprints_of(noise, found.judged.shape)
    doubts = {region.region: AMID for region in marks if mostly_in(waves, region.core)}
    if _over_most(noise, found):
        most = _AS_STRONG * max(abs(region.peak_mm) for region in noise)
        doubts |= {region.region: CREST for region in marks if abs(region.peak_mm) < most}
    return doubts


def ripple_words(regions: tuple[Region, ...]) -> list[str]:
    """One remark: how many patches of ripple may be noise, and what to do."""
    doubted = [region for region in regions if region.doubt in REASONS]
    if not doubted:
        return []
    worst = max(doubted, key=lambda region: region.area_cm2)
    named = (
        f"The ripple {worst.region} cannot be told from the scan's noise"
        if len(doubted) == 1
        else f"{len(doubted)} patches of ripple cannot be told from the scan's noise. The largest, "
        f"{worst.region}"
    )
    return [
        f"{named}: {worst.doubt}. Matt the panel evenly, scan closer or with the scanner's "
        "smoothing off; what a second scan shows at the same place is ripple."
    ]


def _why(
    region: Region,
    found: CellDeviation,
    cells: Cells,
    tolerance_mrad: float,
    visible_mrad: float,
) -> str:
    """What speaks for noise, "" where nothing does."""
    wave_mm = _wavelength_mm(region, found)
    if visible_mrad > tolerance_mrad and (
        region.max_slope_mrad < tolerance_mrad + _CLEAR * visible_mrad
        or (
            region.max_slope_mrad < tolerance_mrad + _CLEAR_IF_SMALL * visible_mrad
            and 100.0 * region.area_cm2 < (_FEWEST_WAVES * wave_mm) ** 2
        )
    ):
        return UNSEEN
    rest = found.judged & ~region.footprint
    if rest.any():
        here, there = (np.nanmedian(cells.error_mm[x]) for x in (region.footprint, rest))
        if here > _SCATTERS_MORE * there:
            return SCATTER
    noise_mm = float(np.nanmedian(cells.error_mm[found.judged]))
    noise_mm *= float(np.sqrt(np.median(cells.count[found.judged])))
    bumps_mm = float(np.std(found.smooth_mm[region.footprint & found.judged]))
    if bumps_mm > _NOISY_BUMPS * noise_mm:
        return ""
    leant, unsure = _leans_along(region, found, cells)
    if leant - unsure > _STEEPER_WITHIN:
        return SHARP
    short = wave_mm < _NOISE_WAVE_CELLS * cells.grid.cell_mm
    if not (short or bumps_mm < _LOW_BUMPS * noise_mm) or is_waves(region, found, cells):
        return ""
    return NO_WAVE if short else LOW


def is_waves(patch: Marked, found: CellDeviation, cells: Cells) -> bool:
    """Whether a patch goes up where it went down half a wave before, as ripple does."""
    return _half_a_wave_off(patch, found, cells) <= _A_WAVE


def _leans_along(region: Region, found: CellDeviation, cells: Cells) -> tuple[float, float]:
    """How many times the slope from cell to cell the cells' own planes have, and its standard
    error. Metal leans alike in both; what rises within a cell has to lean more.
    """
    side = cells.grid.cell_mm
    fair = cells.height_mm - found.cell_mm
    across, with_it = 0.0, 0.0
    for axis, own in enumerate((cells.slope_u, cells.slope_v)):
        slope = np.gradient(found.smooth_mm, side, axis=axis)
        leant = own - np.gradient(fair, side, axis=axis)
        known = region.footprint & np.isfinite(slope) & np.isfinite(leant)
        across += float((slope[known] ** 2).sum())
        with_it += float((slope[known] * leant[known]).sum())
    # A plane through the points of a square cell has a slope that errs by root 12 / side.
    error = np.sqrt(12.0) / side * float(np.nanmedian(cells.error_mm[region.footprint]))
    return with_it / max(across, 1e-12), error / max(float(np.sqrt(across)), 1e-12)


def _wavelength_mm(region: Region, found: CellDeviation) -> float:
    """Over one wave the root mean square slope is 2 pi / wavelength of that of the height."""
    inside = region.footprint & found.judged
    slope = 1e-3 * float(np.sqrt(np.mean(found.slope_mrad[inside] ** 2)))
    return 2.0 * np.pi * float(np.std(found.smooth_mm[inside])) / max(slope, 1e-9)


def _half_a_wave_off(region: Marked, found: CellDeviation, cells: Cells) -> float:
    """The least autocorrelation of the deviation within a patch, over shifts up to 70 mm."""
    inside = region.footprint & found.judged
    i, j = np.nonzero(inside)
    box = (slice(i.min(), i.max() + 1), slice(j.min(), j.max() + 1))
    weight = inside[box].astype(np.float64)
    value = np.where(inside, found.smooth_mm - found.smooth_mm[inside].mean(), 0.0)[box]
    shape = (2 * weight.shape[0], 2 * weight.shape[1])
    product, overlap = (
        np.fft.irfft2(np.abs(np.fft.rfft2(field, shape)) ** 2, shape) for field in (value, weight)
    )
    shift = [np.minimum(np.arange(n), n - np.arange(n)) * cells.grid.cell_mm for n in shape]
    near = np.hypot(shift[0][:, None], shift[1][None, :]) <= _HALF_WAVE_MM
    near &= overlap > _LEAST_OVERLAP * overlap[0, 0]
    own = product[0, 0] / overlap[0, 0]
    return float((product[near] / overlap[near]).min() / own)

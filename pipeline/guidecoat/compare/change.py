"""What was added and taken off between two passes, where that is more than noise."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from ..errors import ScanUnfitError
from ..findings.marks import Mark
from ..findings.regions import Region, measure_regions
from ..measuring.deviation import CellDeviation
from ..numerics.calming import masked_gaussian, smoothed
from ..numerics.local_fit import quadratic_columns
from ..numerics.specks import wild_cells
from ..settings import ToleranceSettings
from .passes import Pass
from .volumes import SPRAY_MM, added_and_removed

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_WINDOW_MM = 5.0
# Of all places that were not touched, one in a hundred panels shows one as changed.
_ERROR_RATE = 0.01
_FOOT_SIGMAS = 2.0
_SMALLEST_CORE_MM2 = 60.0
# One or two cells off are a stray point or the turn of a body line, not a change.
_FEWEST_CORE_CELLS = 5
_FOOT_RIM_MM = 6.0
# Half-normal quantile that a change of up to half the panel leaves nearly alone.
_CALM_QUANTILE, _CALM_SIGMAS = 0.3, 0.3853
# Off to one side, beyond so many sigmas, on so much of the panel: noise and misfit go both ways
# (choice). What hangs together as noise is shorter than the window about whose mean it is read.
_ONE_SIDED, _ONE_SIDED_SIGMAS = 0.6, 3.0
_NOISE_WINDOW_MM = 30.0
_LEAST_COMPARED = 0.1
# A peak is read from a paraboloid over so far round it: the window rounds steep patches off or
# overshoots their rims, and has to be wider to tell what changed.
_PEAK_MM, _PEAK_CELLS, _FEWEST_PEAK_CELLS = 7.6, 1.5, 9
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class Change:
    """The later pass less the earlier one along the fair surface's normal, on the cells' grid.

    change_mm : (nu, nv), + is added, NaN where not compared; smooth_mm : over a 5 mm window;
    sigma_mm : standard uncertainty of that, registration included; changed : (nu, nv) bool, by
    the significance test; patches : a region per changed patch, `high` where added ("B1" ...) and
    `low` where taken off ("T1" ...); volumes in cm3, uncertainties with k = 2;
    they take in the bands beside edges next to changed patches, which are not judged otherwise,
    feathered borders that no single cell tells from noise, and holes of a scan, over which
    the change is carried (bridged_area_cm2) unless they are too wide (unseen_area_cm2).
    """

    change_mm: Floats
    smooth_mm: Floats
    sigma_mm: Floats
    compared: Mask
    changed: Mask
    patches: tuple[Region, ...]
    least_mm: float
    added_cm3: float
    added_uncertainty_cm3: float
    removed_cm3: float
    removed_uncertainty_cm3: float
    max_build_mm: float
    mean_build_mm: float
    changed_area_cm2: float
    compared_area_cm2: float
    unseen_area_cm2: float
    bridged_area_cm2: float

    def hides_mm(self, tolerance_mm: float) -> float:
        """What change (mm) would not show although it is beyond tolerance, 0 where all would."""
        return self.least_mm if self.least_mm > tolerance_mm else 0.0


def find_change(before: Pass, after: Pass) -> Change:
    """Compare two passes on one yardstick.

    A place counts as changed when the smoothed change there is beyond what noise and registration
    explain, at a level that allows for all the independent places on the panel (Bonferroni), over
    a connected area; it then reaches out to where the change sinks into the noise.

    Raises
    ------
    ScanUnfitError : the passes share too little of the panel.
    """
    side = after.result.cells.grid.cell_mm
    change = after.off_mm - before.off_mm
    # A cell at an edge that holds more of the hem behind the skin than of the skin is none of it.
    compared = np.isfinite(change) & ~wild_cells(change)
    change = np.where(compared, change, np.nan)
    if compared.sum() < _LEAST_COMPARED * before.skin.sum():
        raise ScanUnfitError(
            f"{before.scan.name} and {after.scan.name} share "
            f"{compared.sum() / max(int(before.skin.sum()), 1):.0%} of the panel, "
            f"{_LEAST_COMPARED:.0%} are needed. Scan more of it."
        )
    window = max(_WINDOW_MM / side, 0.8)
    # 2 G - G^2 leaves a peak its height; it keeps this share of independent noise (computed).
    smooth = smoothed(change, compared, window)
    noise = np.hypot(before.noise_mm, after.noise_mm) * (0.3820 / window)
    noise = np.where(compared, noise, np.nan)
    placing = np.hypot(before.placing_mm, after.placing_mm)
    sigma = np.sqrt(noise**2 + placing**2 + SPRAY_MM**2)
    usual = float(np.nanmedian(sigma))
    sigma = sigma * max(1.0, _scatter_mm(smooth, compared, usual, side) / usual)
    places = max(compared.sum() / (4.0 * np.pi * window**2), 1.0)
    limit = float(stats.norm.isf(0.5 * _ERROR_RATE / places))
    marks, changed = _marks(smooth, sigma, compared, limit, side)
    patches = _patches(marks, change, smooth, sigma, compared, after)
    volume = added_and_removed(before, after, change, changed)
    return Change(
        change,
        smooth,
        sigma,
        compared,
        changed[0] | changed[1],
        patches,
        limit * float(np.nanmedian(sigma)),
        volume.added_cm3,
        volume.added_uncertainty_cm3,
        volume.removed_cm3,
        volume.removed_uncertainty_cm3,
        max((patch.peak_mm for patch in patches if patch.kind == "high"), default=0.0),
        float(change[changed[0]].mean()) if changed[0].any() else 0.0,
        float((changed[0] | changed[1]).sum()) * side**2 / 100.0,
        float(compared.sum()) * side**2 / 100.0,
        volume.unseen_area_cm2,
        volume.bridged_area_cm2,
    )


def _scatter_mm(smooth: Floats, compared: Mask, usual_mm: float, side: float) -> float:
    """Standard deviation of what was not touched, from the quieter part of the panel: about nil,
    or, where nearly all of it is off to one side, as after a skim, about the level round it.
    """
    off = smooth[compared]
    beyond = _ONE_SIDED_SIGMAS * usual_mm
    if max((off > beyond).mean(), (off < -beyond).mean()) > _ONE_SIDED:
        off = (smooth - masked_gaussian(smooth, compared, _NOISE_WINDOW_MM / side))[compared]
    return float(np.quantile(np.abs(off), _CALM_QUANTILE)) / _CALM_SIGMAS


def _marks(
    smooth: Floats, sigma: Floats, compared: Mask, limit: float, side: float
) -> tuple[list[Mark], tuple[Mask, Mask]]:
    """Changed patches, and all that was added and all that was taken off with their feet."""
    z = np.where(compared, smooth / sigma, 0.0)
    marks: list[Mark] = []
    both: list[Mask] = []
    for sign, kind in ((1.0, "high"), (-1.0, "low")):
        core, count = ndimage.label(sign * z > limit, structure=_FULL)
        area = np.bincount(core.ravel(), minlength=count + 1) * side**2
        sure = area >= max(_SMALLEST_CORE_MM2, _FEWEST_CORE_CELLS * side**2)
        sure[0] = False
        body, _ = ndimage.label(sign * z > _FOOT_SIGMAS, structure=_FULL)
        kept = np.unique(body[sure[core]])
        whole = np.isin(body, kept[kept > 0])
        # Half of what is left under the foot lies outside it.
        rim = max(1, round(_FOOT_RIM_MM / side))
        both.append(np.asarray(ndimage.binary_dilation(whole, iterations=rim) & compared))
        marks += [Mark(kind, (body == k) & sure[core], body == k) for k in kept[kept > 0]]
    overlap = both[0] & both[1]
    both[0] &= ~(overlap & (z < 0.0))
    both[1] &= ~(overlap & (z >= 0.0))
    return marks, (both[0], both[1])


def _patches(
    marks: list[Mark], change: Floats, smooth: Floats, sigma: Floats, compared: Mask, after: Pass
) -> tuple[Region, ...]:
    result = after.result
    slope = np.zeros(change.shape)
    found = CellDeviation(change, smooth, sigma, 0.0 * sigma, slope, 0.0, compared, 0.0)
    everything = ToleranceSettings(height_mm=0.005, slope_mrad=200.0)
    named = measure_regions(
        marks,
        found,
        result.cells,
        result.chart,
        result.scan,
        tuple(line.edge for line in result.edges),
        everything,
        label=result.faces.label,
    )
    letters = {"high": "B", "low": "T"}
    return tuple(
        replace(
            _with_peak(patch, change, smooth, result.cells.grid.cell_mm),
            region=letters[patch.kind] + patch.region[1:],
            verdict="out",
        )
        for patch in named
    )


def _with_peak(patch: Region, change: Floats, smooth: Floats, side: float) -> Region:
    """The patch with its peak from a paraboloid laid through the cells round it, and the error
    of that; as it was where too few cells are known.
    """
    sign = 1.0 if patch.kind == "high" else -1.0
    at = np.where(patch.footprint & np.isfinite(smooth), sign * smooth, -np.inf).argmax()
    i, j = np.unravel_index(at, smooth.shape)
    reach = max(_PEAK_CELLS, _PEAK_MM / side)
    di, dj = np.indices(smooth.shape) - np.array([i, j])[:, None, None]
    near = (np.hypot(di, dj) <= reach) & np.isfinite(change)
    if near.sum() < _FEWEST_PEAK_CELLS:
        return patch
    basis = quadratic_columns(di[near].astype(np.float64), dj[near].astype(np.float64))
    fit, left, rank, _ = np.linalg.lstsq(basis, change[near])
    if rank < basis.shape[1]:
        return patch
    spread = np.linalg.inv(basis.T @ basis)[0, 0] * left[0] / (len(basis) - basis.shape[1])
    doubt = float(np.hypot(patch.uncertainty_mm, 2.0 * np.sqrt(spread)))
    return replace(patch, peak_mm=float(fit[0]), uncertainty_mm=doubt)

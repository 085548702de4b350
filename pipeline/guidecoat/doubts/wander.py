"""How far sound skin wanders off the fair surface: no mark's height is surer than that."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..findings.marks import Mark
from ..measuring.deviation import CellDeviation
from ..numerics.biweight import MAD_TO_SIGMA
from ..numerics.calming import masked_gaussian
from ..numerics.footprints import footprints_of
from ..unrolling.cells import Cells
from .ripple_doubts import MOSTLY, is_waves

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Of fewer cells a median says too little (choice).
_FEWEST_SOUND = 100
# Of the marks' ground, what the lesser of highs and lows takes up: noise has a half (choice).
_BOTH_WAYS = 0.25
# A mark's own foot goes on so far beyond where it is cut (choice).
_BESIDE_A_MARK_MM = 15.0
# Sigmas: over what noise has averaged out, and how far round a mark the skin tells how well the
# surface follows it there (choice: a strip that is not followed is some 40 mm wide).
_LENGTH_MM = 15.0
_AROUND_MM = 40.0


def with_wander(
    found: CellDeviation, marks: Iterable[Mark], cells: Cells, *, tolerance_mm: float
) -> CellDeviation:
    """The deviation with its uncertainty widened to what the skin clear of marks scatters.

    Noise that hangs together over several cells does not show within a cell, nor from one to the
    next; what a mark is read against wanders by it all the same. Its mean square beyond the stated
    one is added (JCGM 100:2008, 4.2 and 5.1.2), and so is what the skin round a place lies off more
    than it usually does: a surface that does not follow the form there is no surer in a mark.
    """
    clear = _clear_of_marks(marks, found, cells)
    if clear.sum() < _FEWEST_SOUND:
        return found
    height = found.smooth_mm[clear]
    wander = MAD_TO_SIGMA * float(np.median(np.abs(height - np.median(height))))
    beyond = max(wander**2 - float(np.median(found.sigma_mm[clear] ** 2)), 0.0)
    there = _unfollowed(found, clear, cells.grid.cell_mm, tolerance_mm)
    return replace(found, sigma_mm=np.sqrt(found.sigma_mm**2 + np.maximum(beyond, there)))


def _unfollowed(found: CellDeviation, clear: Mask, side: float, tolerance_mm: float) -> Floats:
    """(nu, nv) mean square (mm2) by which the skin round a cell lies off more than usually and than
    is stated there, over lengths well above a cell; what lies beyond tolerance is a mark's.
    """
    marked = found.judged & ~clear
    around = clear & (ndimage.distance_transform_edt(~marked) * side > _BESIDE_A_MARK_MM)
    level = masked_gaussian(found.cell_mm, around, max(1.0, _LENGTH_MM / side))
    around &= np.abs(level) < tolerance_mm
    if not around.any():
        return np.zeros(clear.shape)
    square = masked_gaussian(level**2, around, _AROUND_MM / side, everywhere=True)
    stated = np.maximum(float(np.median(square[around])), found.sigma_mm**2)
    return np.asarray(np.maximum(square - stated, 0.0))


def _clear_of_marks(marks: Iterable[Mark], found: CellDeviation, cells: Cells) -> Mask:
    """(nu, nv) bool, judged cells in no mark; all of them where the marks may be noise themselves.

    Noise takes up most of the panel, up as well as down, and is no waves.
    """
    shape, judged = found.judged.shape, found.judged
    there = tuple(marks)
    high, low, ripple = (
        footprints_of([mark for mark in there if mark.kind == kind], shape) & judged
        for kind in ("high", "low", "ripple")
    )
    most = MOSTLY * judged.sum()
    told = high | low
    if told.sum() > most and min(high.sum(), low.sum()) > _BOTH_WAYS * told.sum():
        told = np.zeros(shape, bool)
    waves = [m for m in there if m.kind == "ripple" and is_waves(m, found, cells)]
    told = told | (footprints_of(waves, shape) if ripple.sum() > most else ripple)
    return np.asarray(judged & ~told)

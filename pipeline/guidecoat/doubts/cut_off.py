"""Marks that a body line cuts off: their tops may lie under its band, where nothing is judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..findings.regions import Region
from ..measuring.deviation import CellDeviation
from ..outline.faces import CREASE, LINE, Faces
from ..unrolling.cells import Cells

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A peak so near a band may be none: the mark may go on rising under it (choice: what is averaged
# to calm a height).
_AT_THE_BAND_MM = 8.0
# How far off a band, and to either side of a peak, the slope towards it is taken (choice).
_OFF_IT_MM = 25.0
_ALONG_MM = 30.0
_FEWEST_CELLS = 6


def widen_cut_off(
    regions: tuple[Region, ...], found: CellDeviation, cells: Cells, faces: Faces
) -> tuple[Region, ...]:
    """Highs and lows whose peak lies at a line's band, with what they may still rise by under it in
    their uncertainty: as far as they do towards it, to the middle of the band.

    What is read is the least that a mark stands off, so that what is out stays out.
    """
    band = (faces.reason == CREASE) | (faces.reason == LINE)
    if not band.any():
        return regions
    side = cells.grid.cell_mm
    away = ndimage.distance_transform_edt(~band) * side
    depth = ndimage.distance_transform_edt(band) * side

    def widened(region: Region) -> Region:
        place = np.array([region.u_mm]), np.array([region.v_mm])
        i, j = (int(k[0]) for k in cells.grid.index(*place))
        if region.kind == "ripple" or away[i, j] > _AT_THE_BAND_MM or not region.footprint[i, j]:
            return region
        beside = np.hypot(cells.grid.u_mm[:, None] - region.u_mm, cells.grid.v_mm - region.v_mm)
        own = region.footprint & found.judged & (beside < _ALONG_MM) & (away < _OFF_IT_MM)
        if own.sum() < _FEWEST_CELLS:
            return region
        height = np.sign(region.peak_mm) * found.smooth_mm[own]
        towards = -float(np.polyfit(away[own], height, 1)[0])
        under = float(depth[beside < _ALONG_MM].max())
        rise = max(towards, 0.0) * under
        unsure = float(np.hypot(region.uncertainty_mm, rise))
        return replace(region, uncertainty_mm=unsure, cut_off=rise > region.uncertainty_mm)

    return tuple(widened(region) for region in regions)

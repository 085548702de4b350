"""Single wild cells, and specks of them: flying points and dirt rather than the panel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .biweight import MAD_TO_SIGMA

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ALONE = 0.65
_SCATTERS = 8.0


def wild_cells(cell_mm: Floats) -> Mask:
    """(nu, nv) bool, cells that stand alone or in twos: hardly a neighbour deviates so.

    Parameters
    ----------
    cell_mm : (nu, nv) deviation, NaN where there is none. A hail dent four cells wide is kept.
    """
    known = np.isfinite(cell_mm)
    if not known.any():
        return known
    value = np.where(known, cell_mm, 0.0)
    # The third of a cell and the eight round it, counted from the far end of its own side.
    third = np.where(
        value > 0.0,
        ndimage.rank_filter(value, rank=-3, size=3),
        ndimage.rank_filter(value, rank=2, size=3),
    )
    beyond = np.abs(value) - np.maximum(np.sign(value) * third, 0.0)
    scatter = np.abs(value - ndimage.median_filter(value, size=3))[known]
    usual = MAD_TO_SIGMA * float(np.median(scatter))
    return np.asarray((beyond > _ALONE * np.abs(value)) & (beyond > _SCATTERS * usual))


def specks_of(
    smooth_mm: Floats,
    sigma_mm: Floats,
    judged: Mask,
    marked: Mask,
    *,
    limit_mm: float,
    guard: float,
) -> Mask:
    """(nu, nv) bool, judged cells surely beyond the limit that belong to no mark: too few for one.

    Parameters
    ----------
    marked : (nu, nv) bool, cells of the marks; guard : how many sigma make sure.
    """
    with np.errstate(invalid="ignore"):
        far = np.abs(smooth_mm) > limit_mm + guard * sigma_mm
    return np.asarray(far & judged & ~marked)

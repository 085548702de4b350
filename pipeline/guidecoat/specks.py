"""Single wild cells, and specks of them: flying points and dirt rather than the panel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ALONE = 0.65
_SCATTERS = 8.0


def wild_cells(cell_mm: Floats) -> Mask:
    """(nu, nv) bool, cells that stand alone: most of their deviation is not their neighbours'.

    Parameters
    ----------
    cell_mm : (nu, nv) deviation, NaN where there is none. A hail dent four cells wide is kept.
    """
    known = np.isfinite(cell_mm)
    if not known.any():
        return known
    around = ndimage.median_filter(np.where(known, cell_mm, 0.0), size=3)
    apart = np.abs(np.where(known, cell_mm - around, 0.0))
    usual = 1.4826 * float(np.median(apart[known]))
    return np.asarray(
        (apart > _ALONE * np.abs(np.where(known, cell_mm, 0.0))) & (apart > _SCATTERS * usual)
    )


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
